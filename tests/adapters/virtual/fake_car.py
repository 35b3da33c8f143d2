"""Cars small enough to know every byte of: one that answers from a table, one whose snapshots follow a formula."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from obdwatch.adapters.virtual.bus import BusReply
from obdwatch.decoding.monitors import result_of
from obdwatch.records import CodeKind, FreezeFrame
from obdwatch.simulation.snapshot import CarSnapshot, EcuSnapshot

ENGINE, TRANSMISSION = 0x7E8, 0x7E9
VIN = "DEMZZ55X2A5C00678"  # invented; its check digit fits (49 CFR 565.15)


@dataclass
class TableBus:
    """Answers requests from a table of hexadecimal payloads, and remembers what it was asked."""

    replies: Mapping[str, Sequence[tuple[int, str, float]]]
    protocol: str = "6"
    voltage: float = 12.64
    ignition: bool = True
    asked: list[tuple[bytes, int | None, float]] = field(default_factory=list)

    def request(self, payload: bytes, target: int | None, t: float) -> Sequence[BusReply]:
        self.asked.append((payload, target, t))
        if not self.ignition:
            return ()
        rows = self.replies.get(payload.hex(" ").upper(), ())
        return [
            BusReply(ecu, bytes.fromhex(text), delay) for ecu, text, delay in rows if target is None or target == ecu
        ]

    def supply_voltage(self, t: float) -> float:
        return self.voltage

    def ignition_on(self, t: float) -> bool:
        return self.ignition


class FormulaCar:
    """Two control units; engine speed rises by 10 1/min each second from 700, coolant by 0.05 degC from 20."""

    def __init__(self, awake_from: float = 0.0) -> None:
        self.awake_from = awake_from
        self.asked_at: list[float] = []
        self.engine = EcuSnapshot(
            ecu=ENGINE,
            values={},
            codes={
                CodeKind.STORED: ("P0171", "P0300", "C0035", "U0100"),
                CodeKind.PENDING: ("P0128",),
                CodeKind.PERMANENT: ("P0171",),
            },
            lamp_on=True,
            monitor_support={"misfire": (True, True), "catalyst": (True, False)},
            monitors=(
                result_of(0xA2, 0x0B, 0x24, 3, 0, 65535),
                result_of(0xA2, 0x0C, 0x24, 5, 0, 65535),
                result_of(0x21, 0x80, 0x20, 0.3, 0, 0.746),
            ),
            freeze_frame=FreezeFrame(0.0, ENGINE, 0, "P0171", {"engine_speed": 820.0, "coolant_temperature": 83.0}),
            information={
                "vin": VIN,
                "calibration_id": "DEMO-CAL-0001",
                "calibration_verification": "00001234",
                "ecu_name": "ECM-EngineControl",
                "in_use_counters": tuple(range(16)),
            },
        )
        self.transmission = EcuSnapshot(
            ecu=TRANSMISSION,
            values={"vehicle_speed": 0.0},
            codes={},
            lamp_on=False,
            monitor_support={},
            information={"calibration_id": "DEMO-TCM-0001"},
        )

    @staticmethod
    def engine_values(t: float) -> dict[str, float]:
        return {
            "engine_speed": 700.0 + 10.0 * t,
            "coolant_temperature": 20.0 + 0.05 * t,
            "vehicle_speed": t % 100.0,
            "calculated_load": 30.0,
            "intake_manifold_pressure": 33.0,
            "short_term_fuel_trim_bank_1": 3.125,
            "timing_advance": 10.0,
            "air_flow": 3.42,
            "control_module_voltage": 14.17,
            "absolute_load": 29.0,
        }

    def snapshot(self, t: float) -> CarSnapshot:
        self.asked_at.append(t)
        engine = replace(self.engine, values=self.engine_values(t))
        transmission = replace(self.transmission, values={"vehicle_speed": t % 100.0})
        awake = t >= self.awake_from
        return CarSnapshot(t, awake, awake, True, 13.9, (engine, transmission))
