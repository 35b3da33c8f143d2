import pytest

from obdwatch.errors import InputError
from obdwatch.simulation.faults import FAULTS, ActiveFault, Effects, effects_of, parse_fault, places_of
from obdwatch.simulation.layouts import INLINE_SIX, VEE_SIX_AIR_FLOW

BANKS = INLINE_SIX.bank_cylinders
# Part ids that live data can show (the workshop's list; gaskets that only weep are left to the eye).
SHOWN_BY_LIVE_DATA = {
    "thermostat", "coolant_pump", "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust", "intake_flap_actuator",
    "starter_motor", "battery", "alternator", "drive_belt", "crankcase_ventilation", "spark_plugs", "ignition_coil",
    "fuel_injector", "fuel_pump", "maf_sensor", "intake_leak", "coolant_temperature_sensor", "radiator_fan",
    "oxygen_sensor_upstream", "catalytic_converter", "exhaust_leak", "head_gasket", "throttle_body",
}  # fmt: skip


def test_every_part_that_live_data_can_show_has_a_fault() -> None:
    assert {fault.part for fault in FAULTS if fault.part} == SHOWN_BY_LIVE_DATA


def test_names_are_unique_and_parse_back() -> None:
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    for fault in FAULTS:
        assert parse_fault(f"{fault.name}=0.5").fault is fault


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_severity_zero_changes_nothing_and_one_does(fault: object) -> None:
    name = getattr(fault, "name", "")
    assert effects_of([parse_fault(f"{name}=0")], BANKS, 0.0) == Effects()
    assert effects_of([parse_fault(name)], BANKS, 0.0) != Effects()


def test_cylinder_and_severity_are_read() -> None:
    active = parse_fault(" ignition_coil@3=0.7 ")
    assert (active.fault.part, active.place, active.severity) == ("ignition_coil", 3, 0.7)
    assert active.label() == "ignition_coil@3"
    assert parse_fault("thermostat").fault.name == "thermostat_stuck_open"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("flux_capacitor=0.5", "no fault 'flux_capacitor'"),
        ("thermostat=1.5", "is not a number from 0 to 1"),
        ("thermostat=0.5.1", "is not a number from 0 to 1"),
        ("thermostat=nan", "is not of the form"),
        ("", "is not of the form"),
        ("battery@2", "has no cylinder or bank"),
    ],
)
def test_bad_texts_are_refused_in_one_line(text: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem) as refused:
        parse_fault(text)
    assert "\n" not in str(refused.value)


def test_places_become_cylinders_banks_and_neighbours() -> None:
    assert places_of(parse_fault("ignition_coil@4"), BANKS) == (3,)
    assert places_of(parse_fault("oxygen_sensor_upstream@2"), BANKS) == (1,)
    assert places_of(parse_fault("oxygen_sensor_upstream"), BANKS) == (0, 1)
    assert places_of(parse_fault("head_gasket@2"), BANKS) == (1, 2)
    assert places_of(parse_fault("head_gasket@3"), BANKS) == (1, 2)  # the last of its row takes the one before
    assert places_of(parse_fault("head_gasket@3"), VEE_SIX_AIR_FLOW.bank_cylinders) == (2, 4)


def test_a_cylinder_the_engine_has_not_is_refused() -> None:
    with pytest.raises(InputError, match="no cylinder 7"):
        effects_of([parse_fault("ignition_coil@7")], BANKS, 0.0)
    with pytest.raises(InputError, match=r"has 2 bank\(s\)"):
        effects_of([parse_fault("catalytic_converter@3")], BANKS, 0.0)


def test_a_growing_fault_grows_with_the_odometer_and_stops_at_one() -> None:
    fault = ActiveFault(parse_fault("battery").fault, 0.1, from_km=1000.0, growth=0.2)
    assert fault.severity_at(500.0) == pytest.approx(0.1)
    assert fault.severity_at(3000.0) == pytest.approx(0.5)
    assert fault.severity_at(90_000.0) == 1.0


def test_faults_add_up() -> None:
    both = effects_of([parse_fault("intake_leak=0.5"), parse_fault("crankcase_ventilation=0.5")], BANKS, 0.0)
    assert both.intake_leak_area > 0.0
    assert both.ventilation_leak_area > 0.0
