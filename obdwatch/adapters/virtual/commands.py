"""The AT commands of an ELM327-compatible adapter, one table: pattern of the command without spaces, what it does.

The command set is that of the public ELM327 data sheet, from memory. A function returns the text to print, a whole
`Answer` where times or the prompt matter, or None for a command that cannot be obeyed (the adapter prints `?`).
"""

from __future__ import annotations

import re
from collections.abc import Callable

from obdwatch.adapters.virtual.answer import MONITORING, Answer, Line, say
from obdwatch.adapters.virtual.bus_link import AUTOMATIC, Choice
from obdwatch.adapters.virtual.device import DESCRIPTION, IDENTITY, Device
from obdwatch.adapters.virtual.protocols import BusKind
from obdwatch.adapters.virtual.settings import FACTORY_PARAMETERS, FlowControl

Match = re.Match[str]
Action = Callable[[Device, Match, float], str | Answer | None]

OK = "OK"
GREETING = ("", "", IDENTITY)
KEYWORDS = {BusKind.K_LINE: "1:08 2:08", BusKind.K_LINE_KEYWORD: "1:8F 2:EF"}
_DUMP_BYTES = 12


def run_command(device: Device, command: str, now: float) -> Answer:
    """Obey an AT command, given without `AT`, spaces and in capitals; unknown ones are answered with `?`."""
    for pattern, action in _COMMANDS:
        if match := pattern.fullmatch(command):
            result = action(device, match, now)
            if result is None:
                break
            return say(result) if isinstance(result, str) else result
    return say("?")


# -- switches ------------------------------------------------------------------------------------------------------


def _switch(name: str) -> Action:
    """Set the setting `name` from a digit 0 or 1."""

    def action(device: Device, match: Match, _: float) -> str:
        setattr(device.settings, name, match[1] == "1")
        return OK

    return action


def _set(name: str, value: object) -> Action:
    def action(device: Device, match: Match, _: float) -> str:
        setattr(device.settings, name, value)
        return OK

    return action


def _number(name: str, base: int = 16) -> Action:
    """Set the setting `name` from the digits of the command."""

    def action(device: Device, match: Match, _: float) -> str:
        setattr(device.settings, name, int(match[1], base))
        return OK

    return action


def _accepted(device: Device, match: Match, now: float) -> str:
    """Agree to a command that changes nothing a client of this bus could see."""
    return OK


def _text(text: str) -> Action:
    return lambda device, match, now: text


# -- the adapter itself --------------------------------------------------------------------------------------------


def _reset(device: Device, match: Match, _: float) -> Answer:
    device.reset()
    return say(*GREETING)


def _defaults(device: Device, match: Match, _: float) -> str:
    device.set_defaults()
    return OK


def _sleep(device: Device, match: Match, _: float) -> Answer:
    device.asleep = True
    return Answer((Line(0.0, OK),), 0.0, prompt=False)


def _read_name(device: Device, match: Match, _: float) -> str | None:
    return device.user_name


def _store_name(device: Device, match: Match, _: float) -> str | None:
    if device.user_name is not None:
        return None  # it can be written once
    device.user_name = match[1]
    return OK


def _store_byte(device: Device, match: Match, _: float) -> str:
    device.stored_byte = int(match[1], 16)
    return OK


def _read_byte(device: Device, match: Match, _: float) -> str:
    return f"{device.stored_byte:02X}"


def _voltage(device: Device, match: Match, now: float) -> str | None:
    volts = device.voltage(now)
    return None if volts is None else f"{volts:.1f}V"


def _calibrate(device: Device, match: Match, now: float) -> str | None:
    return OK if device.calibrate_voltage(int(match[1]) / 100, now) else None


def _ignition(device: Device, match: Match, now: float) -> str:
    return "ON" if device.link.bus.ignition_on(now) else "OFF"


def _set_parameter(device: Device, match: Match, _: float) -> str | None:
    number, value = int(match[1], 16), int(match[2], 16)
    if number >= len(FACTORY_PARAMETERS):
        return None
    device.parameters.values[number] = value
    return OK


def _switch_parameter(device: Device, match: Match, _: float) -> str | None:
    number = int(match[1], 16)
    numbers = set(range(len(FACTORY_PARAMETERS)))
    chosen = numbers if number == 0xFF else numbers & {number}
    if not chosen:
        return None
    device.parameters.on = device.parameters.on | chosen if match[2] == "ON" else device.parameters.on - chosen
    return OK


def _parameter_summary(device: Device, match: Match, _: float) -> Answer:
    return say(*device.parameters.summary())


# -- protocol ------------------------------------------------------------------------------------------------------


def _choose(device: Device, match: Match, _: float) -> str:
    device.link.choose(_choice(match), store=device.settings.memory)
    return OK


def _try(device: Device, match: Match, _: float) -> str:
    device.link.choose(_choice(match), store=False)
    return OK


def _choice(match: Match) -> Choice:
    """`6` is that protocol only, `A6` or `6A` that one first, `0` or `00` any."""
    digits = match[1]
    if len(digits) == 1:
        return Choice(digits, automatic=digits == AUTOMATIC)
    return Choice(digits[1] if digits[0] == "A" else digits[0], automatic=True)


def _close(device: Device, match: Match, _: float) -> str:
    device.link.close()
    return OK


def _describe(device: Device, match: Match, _: float) -> str:
    protocol = device.link.protocol
    if protocol is None:
        return "AUTO"
    return f"AUTO, {protocol.name}" if device.link.choice.automatic else protocol.name


def _describe_number(device: Device, match: Match, _: float) -> str:
    choice = device.link.choice
    return f"A{choice.digit}" if choice.automatic else choice.digit


def _initialise(*digits: str) -> Action:
    def action(device: Device, match: Match, now: float) -> Answer | None:
        if device.link.choice.automatic or device.link.choice.digit not in digits:
            return None
        return device.link.initialise(now, device.settings)

    return action


def _keywords(device: Device, match: Match, _: float) -> str | None:
    protocol = device.link.protocol
    if protocol is None or not protocol.is_k_line:
        return None
    return KEYWORDS[protocol.kind] if device.link.is_open else "1:?? 2:??"


def _monitor(device: Device, match: Match, _: float) -> Answer:
    return MONITORING  # between requests a diagnostic bus is quiet


def _remote_frame(device: Device, match: Match, _: float) -> Answer | None:
    """A remote frame: no diagnostic control unit answers one."""
    protocol, timeout = device.link.protocol, device.settings.timeout
    return say("NO DATA", after=timeout) if protocol is not None and protocol.is_can else None


def _status_counts(device: Device, match: Match, _: float) -> str:
    return "T:00 R:00"


def _dump_buffer(device: Device, match: Match, _: float) -> str:
    last = device.link.last_frame[:_DUMP_BYTES]
    return device.settings.line_format.hexadecimal(bytes([len(last)]) + last.ljust(_DUMP_BYTES, b"\x00"))


# -- addresses and filters -----------------------------------------------------------------------------------------


def _header(device: Device, match: Match, _: float) -> str:
    device.settings.header = (len(match[1]), int(match[1], 16))
    return OK


def _receive_filter(device: Device, match: Match, _: float) -> str:
    """`AT CRA`: X stands for any digit."""
    digits = match[1]
    mask = int("".join("0" if digit == "X" else "F" for digit in digits), 16)
    device.settings.receive = (int(digits.replace("X", "0"), 16), mask)
    return OK


def _filter_pattern(device: Device, match: Match, _: float) -> str:
    _, mask = device.settings.receive or (0, 0x1FFFFFFF)
    device.settings.receive = (int(match[1], 16), mask)
    return OK


def _filter_mask(device: Device, match: Match, _: float) -> str:
    pattern, _ = device.settings.receive or (0, 0)
    device.settings.receive = (pattern, int(match[1], 16))
    return OK


def _automatic_receive(device: Device, match: Match, _: float) -> str:
    device.settings.receive = device.settings.receive_source = None
    return OK


def _flow_header(device: Device, match: Match, _: float) -> str:
    device.settings.flow_control.header = int(match[1], 16)
    return OK


def _flow_data(device: Device, match: Match, _: float) -> str:
    device.settings.flow_control.data = bytes.fromhex(match[1])
    return OK


def _flow_mode(device: Device, match: Match, _: float) -> str | None:
    control, mode = device.settings.flow_control, int(match[1])
    ready = {0: True, 1: bool(control.data) and control.header is not None, 2: bool(control.data)}[mode]
    if not ready:
        return None
    device.settings.flow_control = FlowControl(mode, control.header, control.data)
    return OK


_BYTE = "([0-9A-F]{2})"

_TABLE: tuple[tuple[str, Action], ...] = (
    # the adapter itself
    ("Z|WS", _reset),
    ("D", _defaults),
    ("I", _text(IDENTITY)),
    ("@1", _text(DESCRIPTION)),
    ("@2", _read_name),
    ("@3([!-~]{12})", _store_name),
    ("E([01])", _switch("echo")),
    ("L([01])", _switch("linefeeds")),
    ("H([01])", _switch("headers")),
    ("S([01])", _switch("spaces")),
    ("D([01])", _switch("length_digit")),
    ("R([01])", _switch("responses")),
    ("M([01])", _switch("memory")),
    ("AL", _set("long_messages", True)),
    ("NL", _set("long_messages", False)),
    ("LP", _sleep),
    ("FE", _accepted),
    ("SD" + _BYTE, _store_byte),
    ("RD", _read_byte),
    ("RV", _voltage),
    (r"CV(\d{4})", _calibrate),
    ("IGN", _ignition),
    (f"PP{_BYTE}SV{_BYTE}", _set_parameter),
    (f"PP{_BYTE}(ON|OFF)", _switch_parameter),
    ("PPS", _parameter_summary),
    # protocol
    ("SP(00|A?[0-9A-C]|[0-9A-C]A)", _choose),
    ("TP(A?[0-9A-C]|[0-9A-C]A)", _try),
    ("SS", _accepted),
    ("PC", _close),
    ("DP", _describe),
    ("DPN", _describe_number),
    ("BD", _dump_buffer),
    ("AMC", _text("00")),
    ("AMT" + _BYTE, _accepted),
    # timing
    ("AT([0-2])", _number("adaptive")),
    ("ST" + _BYTE, _number("timeout_count")),
    # headers and filters
    ("SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", _header),
    ("CP" + _BYTE, _number("priority")),
    ("CRA([0-9A-FX]{3}|[0-9A-FX]{8})", _receive_filter),
    ("CRA|AR", _automatic_receive),
    ("CF([0-9A-F]{3}|[0-9A-F]{8})", _filter_pattern),
    ("CM([0-9A-F]{3}|[0-9A-F]{8})", _filter_mask),
    ("SR" + _BYTE, _number("receive_source")),
    ("RA" + _BYTE, _number("receive_source")),
    ("TA" + _BYTE, _accepted),
    # CAN
    ("CAF([01])", _switch("automatic_format")),
    ("CFC([01])", _switch("flow_control_on")),
    ("FCSH([0-9A-F]{3}|[0-9A-F]{8})", _flow_header),
    ("FCSD((?:[0-9A-F]{2}){1,5})", _flow_data),
    ("FCSM([0-2])", _flow_mode),
    ("CEA" + _BYTE, _number("extended_address")),
    ("CEA", _set("extended_address", None)),
    ("CER" + _BYTE, _accepted),
    ("CS", _status_counts),
    ("CSM[01]|CTM[15]|V[01]", _accepted),
    (f"PB{_BYTE}{_BYTE}", _accepted),
    ("RTR", _remote_frame),
    # K-line and J1850
    ("FI", _initialise("5")),
    ("SI", _initialise("3", "4")),
    ("KW", _keywords),
    ("KW([01])", _switch("check_keywords")),
    ("IB(?:10|12|15|48|96)", _accepted),
    ("IIA" + _BYTE, _accepted),
    ("SW00", _set("wake_up", False)),
    ("SW" + _BYTE, _set("wake_up", True)),
    ("WM(?:[0-9A-F]{2}){1,6}", _accepted),
    ("IFR[0-2]|IFRH|IFRS", _accepted),
    # monitoring, and other vehicles' protocols
    ("MA", _monitor),
    (f"M[RT]{_BYTE}", _monitor),
    ("JE|JS|JHF[01]|JTM[15]", _accepted),
)

_COMMANDS: tuple[tuple[re.Pattern[str], Action], ...] = tuple((re.compile(text), action) for text, action in _TABLE)
