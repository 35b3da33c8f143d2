from collections.abc import Mapping

import pytest

from obdwatch.records import CodeKind
from obdwatch.simulation.curves import Chance
from obdwatch.simulation.diagnosis import WARM_UPS, Diagnosis
from obdwatch.simulation.layouts import INLINE_FOUR_AIR_FLOW, INLINE_SIX
from obdwatch.simulation.memory import CarMemory
from obdwatch.simulation.misfire import Misfire
from obdwatch.simulation.monitors import (
    CamMonitor,
    CatalystMonitor,
    CoolantSensorMonitor,
    FuelMonitor,
    MisfireMonitor,
    Monitor,
    Seen,
    SensorMonitor,
    ThermostatMonitor,
)

LAYOUT = INLINE_FOUR_AIR_FLOW


class Scripted:
    """A monitor that finds what it is told to find."""

    def __init__(self, group: str, **verdicts: bool) -> None:
        self.group = group
        self.verdicts: dict[str, bool] = dict(verdicts)
        self.values: dict[str, float] = {}

    def watch(self, dt: float, seen: Seen) -> None:
        pass


def _frame() -> Mapping[str, float]:
    return {"engine_speed": 1900.0, "coolant_temperature": 88.0}


def _trip(memory: CarMemory, *monitors: Monitor, warm: bool = True) -> tuple[Diagnosis, CarMemory]:
    """Drive once with these monitors, and hand back what the car remembers."""
    diagnosis = Diagnosis(LAYOUT, memory, monitors)
    seen = Seen(running=True, coolant=90.0 if warm else 30.0, start_coolant=20.0, since_start=700.0)
    diagnosis.watch(1.0, 10.0, seen, _frame)
    codes, ready = diagnosis.end()
    after = CarMemory(codes=codes, ready=ready, freeze_frame=diagnosis.freeze_frame if codes else None)
    return diagnosis, after


def _codes(diagnosis: Diagnosis, kind: CodeKind) -> tuple[str, ...]:
    return diagnosis.codes()[kind]


BAD = {"P0128": True}
GOOD = {"P0128": False}


def test_a_fault_is_pending_first_and_confirmed_in_the_next_drive_that_has_it() -> None:
    first, memory = _trip(CarMemory(), Scripted("components", **BAD))
    assert _codes(first, CodeKind.PENDING) == ("P0128",)
    assert _codes(first, CodeKind.STORED) == ()
    assert not first.lamp_on
    second, _ = _trip(memory, Scripted("components", **BAD))
    assert _codes(second, CodeKind.STORED) == ("P0128",)
    assert _codes(second, CodeKind.PERMANENT) == ("P0128",)
    assert second.lamp_on


def test_a_pending_code_goes_when_the_next_monitored_drive_is_clean_and_waits_through_others() -> None:
    _, memory = _trip(CarMemory(), Scripted("components", **BAD))
    _, unmonitored = _trip(memory)
    assert [entry.code for entry in unmonitored.codes] == ["P0128"]
    _, clean = _trip(unmonitored, Scripted("components", **GOOD))
    assert clean.codes == ()


def _confirmed() -> CarMemory:
    _, memory = _trip(CarMemory(), Scripted("components", **BAD))
    return _trip(memory, Scripted("components", **BAD))[1]


def test_the_lamp_goes_out_after_three_clean_drives_and_the_permanent_code_with_it() -> None:
    memory = _confirmed()
    lamps = []
    for _ in range(4):
        diagnosis, memory = _trip(memory, Scripted("components", **GOOD))
        lamps.append(diagnosis.lamp_on)
    assert lamps == [True, True, True, False]
    assert not memory.codes[0].permanent
    assert memory.codes[0].confirmed  # history stays for forty warm-ups


def test_a_code_is_forgotten_after_forty_warm_ups_but_not_by_cold_drives() -> None:
    memory = _confirmed()
    for _ in range(3):
        _, memory = _trip(memory, Scripted("components", **GOOD), warm=False)
    for _ in range(60):
        _, memory = _trip(memory, Scripted("components", **GOOD), warm=False)
    assert memory.codes
    drives = 0
    while memory.codes and drives < 100:
        _, memory = _trip(memory, Scripted("components", **GOOD))
        drives += 1
    assert drives == WARM_UPS


def test_a_fault_that_returns_starts_counting_anew() -> None:
    memory = _confirmed()
    for _ in range(2):
        _, memory = _trip(memory, Scripted("components", **GOOD))
    again, memory = _trip(memory, Scripted("components", **BAD))
    assert again.lamp_on
    assert memory.codes[0].clean_cycles == 0


def test_the_first_freeze_frame_stays_unless_fuel_or_misfire_comes() -> None:
    _, memory = _trip(CarMemory(), Scripted("components", P0128=True))
    other, memory = _trip(memory, Scripted("components", P0506=True))
    assert other.freeze_frame is not None
    assert other.freeze_frame.code == "P0128"
    assert other.freeze_frame.values["engine_speed"] == 1900.0
    fuel, memory = _trip(memory, Scripted("fuel_system", P0171=True))
    assert fuel.freeze_frame is not None
    assert fuel.freeze_frame.code == "P0171"
    misfire, _ = _trip(memory, Scripted("misfire", P0301=True))
    assert misfire.freeze_frame is not None
    assert misfire.freeze_frame.code == "P0171"


def test_an_erase_takes_codes_frame_and_readiness_but_not_permanent_codes() -> None:
    diagnosis = Diagnosis(LAYOUT, _confirmed(), (Scripted("catalyst"),))
    diagnosis.erase()
    assert _codes(diagnosis, CodeKind.STORED) == _codes(diagnosis, CodeKind.PENDING) == ()
    assert _codes(diagnosis, CodeKind.PERMANENT) == ("P0128",)
    assert diagnosis.freeze_frame is None
    assert not diagnosis.lamp_on
    assert diagnosis.readiness()["catalyst"] == (True, False)
    assert (diagnosis.warm_ups, diagnosis.distance, diagnosis.minutes) == (0, 0.0, 0.0)


def test_readiness_completes_when_a_monitor_has_run() -> None:
    memory = CarMemory(ready=frozenset())
    diagnosis, after = _trip(memory, Scripted("catalyst", P0420=False))
    assert diagnosis.readiness()["catalyst"] == (True, True)
    assert diagnosis.readiness()["evaporative_system"] == (True, False)
    assert diagnosis.readiness_this_cycle()["oxygen_sensor"] == (True, False)
    assert "catalyst" in after.ready


def test_a_warm_up_counts_once_and_only_when_really_warm() -> None:
    """Up by 22 K to 71 degC at least (40 CFR 86.010-18)."""
    diagnosis = Diagnosis(LAYOUT, CarMemory(warm_ups_since_erase=5), ())
    for coolant in (60.0, 70.9, 71.0, 90.0, 95.0):
        diagnosis.watch(1.0, 0.0, Seen(running=True, coolant=coolant, start_coolant=40.0), _frame)
    assert diagnosis.warm_ups == 6
    hot_start = Diagnosis(LAYOUT, CarMemory(warm_ups_since_erase=5), ())
    hot_start.watch(1.0, 0.0, Seen(running=True, coolant=90.0, start_coolant=75.0), _frame)
    assert hot_start.warm_ups == 5


def test_in_use_counters_count_ignitions_and_completed_monitors() -> None:
    diagnosis, _ = _trip(CarMemory(), Scripted("catalyst", P0420=False))
    before = Diagnosis(LAYOUT, CarMemory(), ()).in_use()
    after = diagnosis.in_use()
    assert after["catalyst_bank_1_completions"] == before["catalyst_bank_1_completions"] + 1
    assert after["ignition_cycles"] == before["ignition_cycles"]
    assert after["catalyst_bank_2_completions"] == 0  # one bank only


# -- the monitors themselves ---------------------------------------------------------------------------------------


def _watch(monitor: Monitor, seen: Seen, seconds: float) -> dict[str, bool]:
    for _ in range(int(seconds * 4)):
        monitor.watch(0.25, seen)
    return monitor.verdicts


def test_thermostat_monitor_waits_for_enough_air_and_passes_near_regulating_temperature() -> None:
    seen = Seen(running=True, since_start=900.0, coolant=55.0, start_coolant=20.0, speed=60.0, air_used=500.0)
    assert _watch(ThermostatMonitor(LAYOUT), seen, 60.0) == {}
    seen.air_used = 1e6
    assert _watch(ThermostatMonitor(LAYOUT), seen, 60.0) == {"P0128": True}
    seen.coolant = LAYOUT.thermostat_temperature - 11.0
    assert _watch(ThermostatMonitor(LAYOUT), seen, 60.0) == {"P0128": False}
    seen.coolant, seen.ambient = 55.0, -15.0
    assert _watch(ThermostatMonitor(LAYOUT), seen, 60.0) == {}


def test_coolant_sensor_is_compared_only_after_a_long_stand() -> None:
    seen = Seen(soak_hours=3.0, coolant=45.0, intake_air=20.0)
    assert _watch(CoolantSensorMonitor(), seen, 5.0) == {}
    seen.soak_hours = 9.0
    assert _watch(CoolantSensorMonitor(), seen, 5.0) == {"P0116": True}


@pytest.mark.parametrize(("trim", "code"), [(23.0, "P0171"), (-23.0, "P0172")])
def test_fuel_monitor_needs_a_lasting_trim(trim: float, code: str) -> None:
    seen = Seen(running=True, closed_loop=True, coolant=90.0, trims=[trim])
    assert _watch(FuelMonitor(1), seen, 10.0).get(code) is None
    assert _watch(FuelMonitor(1), seen, 30.0)[code]
    seen.purging = True
    assert _watch(FuelMonitor(1), seen, 30.0) == {}


def _misfiring(counts: list[int], seconds: float) -> MisfireMonitor:
    """Run at 2,000 1/min with these counts per second and cylinder."""
    misfire = Misfire(INLINE_SIX, 0.0, Chance(1, 5))
    monitor = MisfireMonitor(INLINE_SIX, misfire)
    seen = Seen(running=True, since_start=300.0, engine_speed=2000.0)
    for second in range(int(seconds)):
        misfire.blocks = list(counts)
        for _ in range(4):
            monitor.watch(0.25, seen)
            misfire.blocks = [0] * 6
        assert second >= 0
    return monitor


def test_misfire_monitor_names_one_cylinder_or_several() -> None:
    one = _misfiring([0, 8, 0, 0, 0, 0], 40.0)
    assert one.verdicts["P0302"]
    assert one.catalyst_damage  # 8 of 100 combustions a second is above six per cent
    several = _misfiring([4, 0, 0, 4, 0, 0], 40.0)
    assert several.verdicts["P0300"]
    assert several.verdicts["P0301"]
    assert several.verdicts["P0304"]
    assert not several.verdicts["P0302"]


def test_misfire_monitor_passes_a_clean_thousand_revolutions() -> None:
    monitor = _misfiring([0] * 6, 40.0)
    assert not any(monitor.verdicts.values())
    assert "P0300" in monitor.verdicts


def test_catalyst_monitor_compares_rear_with_front_at_steady_cruise() -> None:
    for rear, failed in ((0.05, False), (0.9, True)):
        monitor, sums = CatalystMonitor(1), 0.0
        seen = Seen(running=True, closed_loop=True, cruising=True, catalyst=600.0)
        for _ in range(500):
            sums += 0.1
            seen.activities = [(sums, rear * sums)]
            monitor.watch(0.25, seen)
        assert monitor.verdicts == {"P0420": failed}
        assert monitor.values["ratio_0"] == pytest.approx(rear, rel=0.05)


def test_sensor_monitor_needs_a_warm_drive() -> None:
    seen = Seen(running=True, closed_loop=True, coolant=90.0, speed=10.0, sensor_times=[400.0, 40.0])
    assert _watch(SensorMonitor(), seen, 100.0) == {}
    seen.speed = 60.0
    assert _watch(SensorMonitor(), seen, 100.0) == {"P0133": True, "P0153": False}


@pytest.mark.parametrize(
    ("intake", "exhaust", "code"),
    [(15.0, 0.0, "P0012"), (-15.0, 0.0, "P0011"), (0.0, 15.0, "P0014"), (0.0, -15.0, "P0015")],
)
def test_cam_monitor_names_side_and_direction(intake: float, exhaust: float, code: str) -> None:
    seen = Seen(running=True, cams_ready=True, intake_errors=[intake], exhaust_errors=[exhaust])
    verdicts = _watch(CamMonitor(INLINE_SIX), seen, 20.0)
    assert {name for name, failed in verdicts.items() if failed} == {code}
