"""Parameters 01 and 41 of service 01: malfunction lamp, number of codes, and which monitors have run.

Bit positions from 40 CFR 86.010-18 and SAE J1979; bits that the tables call reserved are not read.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from obdwatch.decoding.parameters import check_data_length
from obdwatch.records import Readiness

SINCE_ERASE, THIS_CYCLE = 0x01, 0x41
CONTINUOUS_MONITORS: Mapping[int, str] = MappingProxyType({0: "misfire", 1: "fuel_system", 2: "components"})
SPARK_MONITORS: Mapping[int, str] = MappingProxyType(
    {
        0: "catalyst",
        1: "heated_catalyst",
        2: "evaporative_system",
        3: "secondary_air",
        4: "ac_refrigerant",
        5: "oxygen_sensor",
        6: "oxygen_sensor_heater",
        7: "egr",
    }
)
COMPRESSION_MONITORS: Mapping[int, str] = MappingProxyType(
    {
        0: "nmhc_catalyst",
        1: "nox_aftertreatment",
        3: "boost_pressure",
        5: "exhaust_gas_sensor",
        6: "particulate_filter",
        7: "egr",
    }
)
_COMPRESSION_BIT = 3
_LAMP = 0x80


def decode_readiness(data: bytes, t: float, ecu: int | None, this_cycle: bool = False) -> Readiness:
    """Return what the four data bytes of parameter 01 (41: `this_cycle`) say.

    Parameter 41 has neither lamp nor count. Raises ShortReply or WrongReply by the length.
    """
    check_data_length(THIS_CYCLE if this_cycle else SINCE_ERASE, data)
    status, common, supported, incomplete = data
    compression = bool(common >> _COMPRESSION_BIT & 1)
    monitors = _pairs(CONTINUOUS_MONITORS, common, common >> 4)
    monitors |= _pairs(COMPRESSION_MONITORS if compression else SPARK_MONITORS, supported, incomplete)
    return Readiness(
        t=t,
        ecu=ecu,
        lamp_on=None if this_cycle else bool(status & _LAMP),
        code_count=None if this_cycle else status & ~_LAMP,
        compression_ignition=compression,
        monitors=MappingProxyType(monitors),
        this_cycle=this_cycle,
    )


def encode_readiness(readiness: Readiness) -> bytes:
    """Return the four data bytes of parameter 01 or 41; the inverse of `decode_readiness`.

    Raises ValueError for a monitor that this kind of engine does not have.
    """
    special = COMPRESSION_MONITORS if readiness.compression_ignition else SPARK_MONITORS
    unknown = set(readiness.monitors) - set(special.values()) - set(CONTINUOUS_MONITORS.values())
    if unknown:
        raise ValueError(f"no readiness bit for {', '.join(sorted(unknown))}")
    status = (_LAMP if readiness.lamp_on else 0) | min(readiness.code_count or 0, _LAMP - 1)
    common, common_incomplete = _bits(CONTINUOUS_MONITORS, readiness.monitors)
    supported, incomplete = _bits(special, readiness.monitors)
    common |= common_incomplete << 4 | readiness.compression_ignition << _COMPRESSION_BIT
    return bytes([status, common, supported, incomplete])


def _pairs(names: Mapping[int, str], supported: int, incomplete: int) -> dict[str, tuple[bool, bool]]:
    return {name: (bool(supported >> bit & 1), not incomplete >> bit & 1) for bit, name in names.items()}


def _bits(names: Mapping[int, str], monitors: Mapping[str, tuple[bool, bool]]) -> tuple[int, int]:
    supported = incomplete = 0
    for bit, name in names.items():
        has, complete = monitors.get(name, (False, True))
        supported |= has << bit
        incomplete |= (not complete) << bit
    return supported, incomplete
