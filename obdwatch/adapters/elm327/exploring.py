"""What this car offers: its control units, and the ids of services 01, 06 and 09 each of them supports.

Everything later is believed or doubted by these answers, so each is asked until two replies agree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from obdwatch.adapters.elm327.car_link import CarLink
from obdwatch.decoding.parameters import supported_in
from obdwatch.errors import CarSilent
from obdwatch.records import Exchange, ReplyStatus

CURRENT_DATA = 0x01
LISTED_SERVICES = (0x06, 0x09)
BITMAP_STEP = 0x20
BITMAP_BYTES = 4
AGREEING = 2  # equal replies that make an answer certain
ATTEMPTS = 8  # tries to get them
DEADLINE = 1.0  # s
_CLEAN = (ReplyStatus.OK, ReplyStatus.NO_DATA, ReplyStatus.NEGATIVE)

Bitmaps = Mapping[int, bytes]  # by control unit


@dataclass(frozen=True, slots=True)
class CarOffer:
    """What the car said: supported service 01 ids by control unit, and ids by control unit and listed service."""

    supported: Mapping[int, tuple[int, ...]]
    services: Mapping[int, Mapping[int, tuple[int, ...]]]

    @property
    def ecus(self) -> tuple[int, ...]:
        """The control units that answer, lowest address first."""
        return tuple(sorted(self.supported))

    @property
    def main_ecu(self) -> int:
        """The control unit that offers most: the engine's."""
        return max(self.ecus, key=lambda ecu: len(self.supported[ecu]))


def explore(link: CarLink) -> tuple[CarOffer, dict[int, bytes]]:
    """Ask for all support bitmaps; return what they claim, and the very first ones.

    Raises CarSilent when the car has fallen silent again.
    """
    first = agreed_bitmaps(link, CURRENT_DATA, 0)
    if not first:
        raise CarSilent("the car answered once and then fell silent; switch the ignition on and try again")
    link.interpreter.ecus = frozenset(first)
    supported = _walk(link, CURRENT_DATA, first)
    listed = {service: _walk(link, service, agreed_bitmaps(link, service, 0)) for service in LISTED_SERVICES}
    services = {ecu: {service: ids[ecu] for service, ids in listed.items() if ecu in ids} for ecu in supported}
    return CarOffer(supported, services), first


def introduce(link: CarLink, stranger: int) -> dict[int, bytes]:
    """Let a control unit in that was asleep while connecting, if it says twice what it supports.

    Returns its first support bitmap by address; nothing for a damaged address, which does not answer.
    """
    known = link.interpreter.ecus
    link.interpreter.ecus = known | {stranger}
    said = {ecu: bitmap for ecu, bitmap in agreed_bitmaps(link, CURRENT_DATA, 0).items() if ecu == stranger}
    if not said:
        link.interpreter.ecus = known
    return said


def agreed_bitmaps(link: CarLink, service: int, base: int) -> dict[int, bytes]:
    """The support bitmap from `base` on by control unit: those that said the same twice.

    A damaged reply proves nothing, least of all that a control unit is not there, so it is asked for again.
    """
    votes: Counter[tuple[int, bytes]] = Counter()
    clean = 0
    for _ in range(ATTEMPTS):
        answers = link.ask(bytes([service, base]), DEADLINE)
        votes.update(_bitmaps(answers).items())
        clean += all(answer.status in _CLEAN for answer in answers)
        agreed = {ecu: bitmap for (ecu, bitmap), count in votes.items() if count >= AGREEING}
        if clean >= AGREEING and len(agreed) == len({ecu for ecu, _ in votes}):
            break
    return agreed


def _walk(link: CarLink, service: int, first: Bitmaps) -> dict[int, tuple[int, ...]]:
    """Follow the bitmaps from one to the next as long as some control unit announces another."""
    ids: dict[int, tuple[int, ...]] = {}
    bitmaps, base = first, 0
    while bitmaps:
        for ecu, bitmap in bitmaps.items():
            ids[ecu] = ids.get(ecu, ()) + supported_in(base, bitmap)
        base += BITMAP_STEP
        going_on = {ecu for ecu in bitmaps if base in ids[ecu]}
        if not going_on or base > 0xFF:
            break
        answers = agreed_bitmaps(link, service, base)
        bitmaps = {ecu: bitmap for ecu, bitmap in answers.items() if ecu in going_on}
    return {ecu: tuple(i for i in found if i % BITMAP_STEP) for ecu, found in ids.items()}


def _bitmaps(answers: tuple[Exchange, ...]) -> dict[int, bytes]:
    return {
        answer.ecu: answer.payload[-BITMAP_BYTES:]
        for answer in answers
        if answer.status is ReplyStatus.OK and answer.payload and answer.ecu is not None
    }
