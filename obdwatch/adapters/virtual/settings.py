"""What AT commands change: the settings of the virtual adapter and the programmable parameters behind them."""

from __future__ import annotations

from dataclasses import dataclass, field

from obdwatch.adapters.virtual.framing import LineFormat
from obdwatch.adapters.virtual.protocols import BusKind, BusProtocol
from obdwatch.adapters.virtual.timing import DEFAULT_TIMEOUT, TIMEOUT_UNIT

CAN_29_PRIORITY = 0x18

# Factory values of the programmable parameters (ELM327 data sheet, from memory).
FACTORY_PARAMETERS = bytes.fromhex(
    "FFFFFF3201FFF109FF000AFF680D9AFF0D00FFF4FF0AFF920028FFFFFFFFFFFFFFFFFFFF000000FFFFFF3802E004800A"
)


@dataclass(slots=True)
class ProgrammableParameters:
    """The table behind `AT PP`: stored values, and which of them are switched on."""

    values: bytearray = field(default_factory=lambda: bytearray(FACTORY_PARAMETERS))
    on: set[int] = field(default_factory=set)

    def __getitem__(self, number: int) -> int:
        return self.values[number] if number in self.on else FACTORY_PARAMETERS[number]

    def summary(self) -> tuple[str, ...]:
        """The lines of `AT PPS`, four parameters each, N for on and F for off."""
        cells = [f"{i:02X}:{value:02X} {'N' if i in self.on else 'F'}" for i, value in enumerate(self.values)]
        return tuple("  ".join(cells[i : i + 4]) for i in range(0, len(cells), 4))


@dataclass(slots=True)
class FlowControl:
    """What the adapter answers to a first frame (`AT FC`): mode 0 all by itself, 1 all as set, 2 only data as set."""

    mode: int = 0
    header: int | None = None
    data: bytes = b""


@dataclass(slots=True)
class Settings:
    """Everything that `AT D` sets back; names follow the commands.

    `header` is what the user set as (digits, value), None for the default of the protocol. `receive` is a set
    identifier filter and mask, `receive_source` a source byte filter on the other buses.
    """

    echo: bool = True
    linefeeds: bool = True
    headers: bool = False
    spaces: bool = True
    length_digit: bool = False
    responses: bool = True
    long_messages: bool = False
    automatic_format: bool = True
    flow_control_on: bool = True
    flow_control: FlowControl = field(default_factory=FlowControl)
    adaptive: int = 1
    timeout_count: int = DEFAULT_TIMEOUT
    header: tuple[int, int] | None = None
    priority: int = CAN_29_PRIORITY
    receive: tuple[int, int] | None = None
    receive_source: int | None = None
    extended_address: int | None = None
    check_keywords: bool = True
    wake_up: bool = True
    memory: bool = True

    @property
    def timeout(self) -> float:
        """The longest wait for an answer [s]; a count of zero means the default."""
        return (self.timeout_count or DEFAULT_TIMEOUT) * TIMEOUT_UNIT

    @property
    def line_format(self) -> LineFormat:
        """How frames are to be printed."""
        return LineFormat(self.headers, self.spaces, self.length_digit and self.headers, self.automatic_format)

    def request_header(self, protocol: BusProtocol) -> int:
        """The identifier (CAN) or the three header bytes under which requests go out."""
        if self.header is None:
            functional = protocol.functional
            is_29 = protocol.kind is BusKind.CAN_29
            return self.priority << 24 | functional & 0xFFFFFF if is_29 else functional
        digits, value = self.header
        if protocol.kind is BusKind.CAN_11:
            return value & 0x7FF
        if protocol.kind is BusKind.CAN_29:
            return value & 0x1FFFFFFF if digits == 8 else self.priority << 24 | value & 0xFFFFFF
        return value & 0xFFFFFF


def default_settings(parameters: ProgrammableParameters, linefeeds: bool) -> Settings:
    """Settings after a reset, as the programmable parameters would have them."""
    return Settings(
        echo=parameters[0x09] == 0,
        linefeeds=linefeeds,
        headers=parameters[0x01] == 0,
        long_messages=parameters[0x02] == 0,
        timeout_count=parameters[0x03],
        adaptive=min(parameters[0x04], 2),
    )
