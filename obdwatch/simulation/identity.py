"""What the virtual car's control units say of themselves, and their monitor results in the form of service 06.

The identification number is invented: it begins with `0X9`, and no region of ISO 3780 has been given the character 0 in
the first place, so it can belong to no maker; its check digit is right (49 CFR 565.15).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence

from obdwatch.decoding.monitors import result_of
from obdwatch.decoding.vehicle_information import vin_check_digit
from obdwatch.records import MonitorResult
from obdwatch.simulation.layouts import Layout
from obdwatch.simulation.misfire import ten_drive_average

ENGINE, TRANSMISSION = 0x7E8, 0x7E9
SWITCH_LIMIT_MS, CATALYST_RATIO_LIMIT, CAM_DEGREES, TRIM_PERCENT = 200.0, 0.70, 10.0, 25.0
EVAPORATIVE_KPA = 0.20
MISFIRE_LIMIT_PERCENT = 1.5
COUNTS_MAX = 65535.0


def invented_vin(layout: Layout, seed: int) -> str:
    """Return a 17-character number that fits its check digit and belongs to no maker.

    >>> from obdwatch.simulation.layouts import INLINE_SIX
    >>> len(invented_vin(INLINE_SIX, 1))
    17
    """
    serial = zlib.crc32(f"{layout.name} {seed}".encode()) % 1_000_000
    draft = f"0X9{layout.cylinders}B{round(10 * layout.displacement_l):02d}V0SZ{serial:06d}"
    return draft[:8] + vin_check_digit(draft) + draft[9:]


def engine_information(layout: Layout, seed: int, in_use: Sequence[int]) -> dict[str, str | tuple[int, ...]]:
    """Return the service 09 contents of the engine's control unit."""
    calibration = (
        f"SIM{layout.cylinders}{round(10 * layout.displacement_l):02d}{layout.air_metering[:4].upper():_<4}0412"
    )
    return {
        "vin": invented_vin(layout, seed),
        "calibration_id": calibration,
        "calibration_verification": f"{zlib.crc32(calibration.encode()):08X}",
        "ecu_name": "ECM-EngineControl",
        "in_use_counters": tuple(in_use),
    }


def transmission_information(layout: Layout) -> dict[str, str | tuple[int, ...]]:
    """Return the service 09 contents of the transmission's control unit."""
    calibration = f"SIMTRANS{len(layout.gears)}0107"
    return {
        "calibration_id": calibration,
        "calibration_verification": f"{zlib.crc32(calibration.encode()):08X}",
        "ecu_name": "TCM-TransmissionCtrl",
    }


def monitor_results(
    layout: Layout, t: float, values: Mapping[str, float], counts: Sequence[int], averages: Sequence[float]
) -> tuple[MonitorResult, ...]:
    """Return all results of service 06; a test that has not run since an erase is all zero."""
    rows: list[tuple[int, int, int, str, float, float]] = []
    for bank in range(layout.banks):
        rows += [
            (0x01 + 4 * bank, 0x05, 0x10, f"time_{bank}", 0.0, SWITCH_LIMIT_MS),
            (0x01 + 4 * bank, 0x06, 0x10, f"time_{bank}", 0.0, SWITCH_LIMIT_MS),
            (0x21 + bank, 0x80, 0x20, f"ratio_{bank}", 0.0, CATALYST_RATIO_LIMIT),
            (0x81 + bank, 0x80, 0xAF, f"trim_{bank}", -TRIM_PERCENT, TRIM_PERCENT),
        ]
    heads = (2 if layout.arrangement == "vee" else 1) if layout.cam_timing else 0
    for head in range(heads):
        rows.append((0x35 + head, 0x80, 0x9C, f"intake_{head}", -CAM_DEGREES, CAM_DEGREES))
        if "exhaust" in layout.cam_timing:
            rows.append((0x35 + head, 0x81, 0x9C, f"exhaust_{head}", -CAM_DEGREES, CAM_DEGREES))
    rows.append((0x3C, 0x80, 0xFD, "pressure", 0.0, EVAPORATIVE_KPA))
    rows.append((0xA1, 0x81, 0x2F, "percent", 0.0, MISFIRE_LIMIT_PERCENT))
    results = [_result(t, values, *row) for row in sorted(rows)]
    return (*results, *_misfire_results(t, counts, averages))


def _result(
    t: float, values: Mapping[str, float], monitor: int, test: int, scaling: int, key: str, least: float, most: float
) -> MonitorResult:
    """Return one result, zero with zero limits where the test has not run."""
    if key not in values:
        return result_of(monitor, test, scaling, 0.0, 0.0, 0.0, t, ENGINE)
    return result_of(monitor, test, scaling, values[key], least, most, t, ENGINE)


def _misfire_results(t: float, counts: Sequence[int], averages: Sequence[float]) -> list[MonitorResult]:
    """Return count of this drive and average over ten for every cylinder."""
    results = []
    for cylinder, (count, average) in enumerate(zip(counts, averages, strict=True)):
        for test, value in ((0x0B, average), (0x0C, float(count))):
            results.append(result_of(0xA2 + cylinder, test, 0x24, value, 0.0, COUNTS_MAX, t, ENGINE))
    return results


def averages_after(averages: Sequence[float], counts: Sequence[int]) -> tuple[float, ...]:
    """Return the ten-drive averages once a drive with these counts has ended."""
    return tuple(ten_drive_average(before, count) for before, count in zip(averages, counts, strict=True))
