"""Decides whether a reply answers its request, byte by byte, before anything is decoded from it.

Nothing that fails here may ever become a value: the link turns each of these errors into `Exchange.status`, and the
signals use the same check for recordings that came from elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable

from obdwatch.decoding.parameters import data_length, possible_lengths
from obdwatch.decoding.trouble_codes import decode_codes
from obdwatch.errors import NegativeReply, ShortReply, WrongReply

NEGATIVE = 0x7F
REPLY_OFFSET = 0x40
SUPPORT_STEP = 0x20  # every 32nd id is the support bitmap of the next 32
MAXIMUM_PARAMETERS = 6  # parameter ids in one request (SAE J1979, CAN)
CAN_RESULT_BYTES = 9  # monitor, test, scaling, value, minimum, maximum
LEGACY_RESULT_BYTES = 6  # test, component, value, limit
BITMAP_BYTES = 5  # id and four bytes
ITEM_BYTES = {0x02: 17, 0x04: 16, 0x06: 4, 0x08: 2, 0x0A: 20, 0x0B: 2}  # service 09, bytes of one item
MESSAGE_COUNT_ITEMS = (0x01, 0x03, 0x05, 0x07, 0x09)
LEGACY_MESSAGE_BYTES = 4  # service 09 on older links
LEGACY_LENGTHS = {0x02: 20, 0x0A: 20}  # where the number of messages is fixed; a VIN is padded in front
_SHOWN_BYTES = 24


def check_reply(request: bytes, payload: bytes, can: bool | None = None) -> None:
    """Raise unless `payload`, from its service byte on, is a whole and proper answer to `request`.

    Raises NegativeReply for a refusal, ShortReply for one that ends too early, WrongReply for one that belongs to
    another request or cannot be right. Several parameters may be answered in any order, each at most once, and those
    the control unit does not support may be missing. `can` says whether the link is CAN, whose replies of services
    03, 06, 07, 09 and 0A are laid out differently from older links'; without it either layout is accepted.
    """
    if not request or request[0] not in _CHECKS:
        raise WrongReply(f"no reply to request '{_hex(request)}' can be checked")
    if not payload:
        raise ShortReply(f"empty reply to '{_hex(request)}'")
    if payload[0] == NEGATIVE:
        _refuse(request, payload)
    if payload[0] != request[0] + REPLY_OFFSET:
        raise WrongReply(f"reply {payload[0]:02X} does not answer service {request[0]:02X}")
    _CHECKS[request[0]](request, payload, can)


def split_parameters(payload: bytes) -> tuple[tuple[int, bytes], ...]:
    """Cut a reply of service 01 into parameter ids and their data.

    A parameter of unsure length takes the rest, and is only right alone. Raises ShortReply or WrongReply where the
    pieces do not come out even.
    """
    places = parameter_places(payload)
    return tuple((pid, payload[start:end]) for pid, start, end in places)


def parameter_places(payload: bytes) -> tuple[tuple[int, int, int], ...]:
    """Return (parameter id, start, end) of the data of each parameter in a reply of service 01."""
    return _places(payload, id_bytes=1)


def frame_places(payload: bytes) -> tuple[tuple[int, int, int], ...]:
    """Return (parameter id, start, end) of the data of each parameter in a reply of service 02.

    The frame number stands in the byte before `start`.
    """
    return _places(payload, id_bytes=2)


def _places(payload: bytes, id_bytes: int) -> tuple[tuple[int, int, int], ...]:
    if len(payload) < 2:
        raise ShortReply("the reply holds no parameter")
    places = []
    place = 1
    while place < len(payload):
        pid, start = payload[place], place + id_bytes
        end = start + _length_at(pid, first=place == 1, rest=len(payload) - start)
        if end > len(payload):
            raise ShortReply(f"parameter {pid:02X} has {max(len(payload) - start, 0)} of {end - start} data bytes")
        places.append((pid, start, end))
        place = end
    return tuple(places)


def _length_at(pid: int, first: bool, rest: int) -> int:
    """Choose how many of the `rest` bytes belong to a parameter; only one that is alone may have a choice."""
    if first and rest > 0 and (rest in possible_lengths(pid) or not possible_lengths(pid)):
        return rest
    length = data_length(pid)
    if length is not None:
        return length
    lengths = possible_lengths(pid)
    if first and rest < max(lengths, default=1):
        raise ShortReply(f"parameter {pid:02X} has {max(rest, 0)} data bytes instead of {max(lengths, default=1)}")
    raise WrongReply(f"parameter {pid:02X} does not fit into this reply")


def _refuse(request: bytes, payload: bytes) -> None:
    if len(payload) < 3:
        raise ShortReply("a refusal ends before its reason")
    if len(payload) > 3 or payload[1] != request[0]:
        raise WrongReply(f"refusal {payload.hex(' ').upper()} does not answer service {request[0]:02X}")
    raise NegativeReply(payload[1], payload[2])


def _check_parameters(request: bytes, payload: bytes, can: bool | None) -> None:
    requested = request[1:]
    if not 1 <= len(requested) <= MAXIMUM_PARAMETERS:
        raise WrongReply(f"a request holds 1 to {MAXIMUM_PARAMETERS} parameters, not {len(requested)}")
    places = parameter_places(payload)
    _check_echo([bytes([pid]) for pid in requested], [bytes([pid]) for pid, _, _ in places])
    if len(requested) > 1:
        _check_shared_lengths(places)


def _check_frames(request: bytes, payload: bytes, can: bool | None) -> None:
    pairs = request[1:]
    if not pairs or len(pairs) % 2:
        raise WrongReply(f"freeze frame request '{_hex(request)}' is not pairs of parameter and frame number")
    places = frame_places(payload)
    _check_echo(_cut(pairs, 2), [payload[start - 2 : start] for _, start, _ in places])
    if len(pairs) > 2:
        _check_shared_lengths(places)


def _check_shared_lengths(places: tuple[tuple[int, int, int], ...]) -> None:
    """Refuse the less common layouts in a reply to several parameters, where they could be read in two ways."""
    for pid, start, end in places:
        if end - start != data_length(pid):
            raise WrongReply(f"parameter {pid:02X} with {end - start} data bytes is only sure when asked for alone")


def _check_codes(request: bytes, payload: bytes, can: bool | None) -> None:
    _check_bare(request)
    decode_codes(payload, can=len(payload) % 2 == 0 if can is None else can)


def _check_erased(request: bytes, payload: bytes, can: bool | None) -> None:
    _check_bare(request)
    if len(payload) != 1:
        raise WrongReply(f"reply '{_hex(payload)}' to erasing codes has bytes after its service")


def _check_results(request: bytes, payload: bytes, can: bool | None) -> None:
    requested = request[1:]
    if not requested:
        raise WrongReply("a request for monitor results names its monitor")
    if all(monitor % SUPPORT_STEP == 0 for monitor in requested):
        _check_result_bitmaps(requested, payload, can)
    elif len(requested) > 1:
        raise WrongReply("monitor results are asked for one monitor at a time")
    else:
        result_blocks(payload, can, requested[0])


def result_blocks(payload: bytes, can: bool | None, monitor: int | None = None) -> tuple[bytes, ...]:
    """Cut a reply of service 06 into its results: 9 bytes each on CAN, 6 on older links.

    `monitor` is the id asked for; without it that of the first result counts. Raises ShortReply or WrongReply where
    the bytes do not come out even or belong to another monitor.
    """
    data = payload[1:]
    sizes = {None: (CAN_RESULT_BYTES, LEGACY_RESULT_BYTES), True: (CAN_RESULT_BYTES,), False: (LEGACY_RESULT_BYTES,)}
    expected = data[:1] if monitor is None else bytes([monitor])
    whole = [_cut(data, size) for size in sizes[can] if data and len(data) % size == 0]
    for blocks in whole:
        if all(block[:1] == expected for block in blocks):
            return tuple(blocks)
    if whole:
        raise WrongReply(f"reply '{_hex(payload)}' holds results of a monitor that was not asked for")
    raise ShortReply(f"reply '{_hex(payload)}' ends within a monitor result")


def _check_result_bitmaps(requested: bytes, payload: bytes, can: bool | None) -> None:
    data = payload[1:]
    if can is not True and len(data) == LEGACY_RESULT_BYTES and data[0] == requested[0]:
        return
    if not data or len(data) % BITMAP_BYTES:
        raise ShortReply(f"reply '{_hex(payload)}' ends within a support bitmap")
    _check_echo(_cut(requested, 1), [block[:1] for block in _cut(data, BITMAP_BYTES)])


def _check_information(request: bytes, payload: bytes, can: bool | None) -> None:
    if len(request) != 2:
        raise WrongReply("vehicle information is asked for one item at a time")
    if len(payload) < 3:
        raise ShortReply(f"reply '{_hex(payload)}' ends before its content")
    if payload[1] != request[1]:
        raise WrongReply(f"reply holds item {payload[1]:02X} instead of {request[1]:02X}")
    information_content(payload, can)


def information_content(payload: bytes, can: bool | None) -> bytes:
    """Return the content of a reply of service 09 without its head: texts, numbers and padding as they came.

    On CAN a count of items precedes it. On older links it comes in messages of four bytes that have been put
    together; one message alone may still carry its number. Raises ShortReply or WrongReply for a wrong length.
    """
    item = payload[1]
    if item in MESSAGE_COUNT_ITEMS:
        return _exactly(payload, 2, 1)
    if item % SUPPORT_STEP == 0:
        head = 3 if len(payload) == 3 + 4 and can is not True else 2
        return _exactly(payload, head, 4)
    size = ITEM_BYTES.get(item)
    if size is None:
        return payload[2:]
    counted = (len(payload) - 3) % size == 0 if can is None else can
    one_message = size == LEGACY_MESSAGE_BYTES and len(payload) == 3 + size and payload[2] == 1
    if counted or one_message:
        return _exactly(payload, 3, size * payload[2])
    return _legacy_content(payload, item, size)


def _legacy_content(payload: bytes, item: int, size: int) -> bytes:
    content = payload[2:]
    length = LEGACY_LENGTHS.get(item)
    if length is not None:
        return _exactly(payload, 2, length)
    if not content or len(content) % max(size, LEGACY_MESSAGE_BYTES):
        raise ShortReply(f"reply '{_hex(payload)}' ends within item {item:02X}")
    return content


def _exactly(payload: bytes, head: int, length: int) -> bytes:
    content = payload[head:]
    if len(content) != length:
        text = f"item {payload[1]:02X} has {len(content)} bytes instead of {length}"
        raise ShortReply(text) if len(content) < length else WrongReply(text)
    return content


def _check_bare(request: bytes) -> None:
    if len(request) != 1:
        raise WrongReply(f"request '{_hex(request)}' has bytes after its service")


def _check_echo(requested: list[bytes], answered: list[bytes]) -> None:
    left = list(requested)
    for item in answered:
        if item not in left:
            raise WrongReply(f"the reply holds '{_hex(item)}', which was not asked for or came before")
        left.remove(item)


def _cut(data: bytes, size: int) -> list[bytes]:
    return [data[place : place + size] for place in range(0, len(data), size)]


def _hex(data: bytes) -> str:
    return data[:_SHOWN_BYTES].hex(" ").upper() + (" ..." if len(data) > _SHOWN_BYTES else "")


_CHECKS: dict[int, Callable[[bytes, bytes, bool | None], None]] = {
    0x01: _check_parameters,
    0x02: _check_frames,
    0x03: _check_codes,
    0x04: _check_erased,
    0x06: _check_results,
    0x07: _check_codes,
    0x09: _check_information,
    0x0A: _check_codes,
}
