"""What an explanation says in one place agrees with what it says in another, over all codes.

The facts checked here are common practice of the trade unless a line says otherwise.
"""

from __future__ import annotations

import re

import pytest

from obdwatch.explanations.code_table import COMPONENTS, DATA, all_facts, component_of, facts_of
from obdwatch.explanations.codes import explain
from obdwatch.explanations.compose import CONDITION, FAULT_TYPES, GROUPS, REAR_SENSORS, fault_type_names
from obdwatch.explanations.explanation import CodeExplanation, Origin
from obdwatch.explanations.live_hints import LIVE_HINTS
from obdwatch.explanations.toml_sections import sections, text_of
from obdwatch.urgency import Urgency
from tests.explanations.test_codes_composed import everything

FAULT_TABLES = {name for name, _ in sections(text_of(FAULT_TYPES))}
DRIVE_ON = re.compile(r"\bgently\b|\bslowly\b|\bgo on\b|\bstraight to a\b|\bto the nearest\b|^Yes\b")


def test_stop_is_never_said_with_advice_to_drive_on(
    explained: list[CodeExplanation], all_composed: list[CodeExplanation]
) -> None:
    for item in [*explained, *all_composed]:
        if item.urgency is Urgency.STOP:
            assert not DRIVE_ON.search(item.may_drive), (item.code, item.may_drive)


def test_an_overheated_gearbox_is_not_driven_on() -> None:
    item = explain("P0218")
    assert item.urgency is Urgency.STOP
    assert item.may_drive.startswith("No.")


def test_unplugging_control_units_carries_its_caution(explained: list[CodeExplanation]) -> None:
    """Airbag units on the same network can go off: battery off, and leave them alone."""
    unplugs = re.compile(r"(?:unplug|pull)\b[^.]*\bunits?\b", re.IGNORECASE)
    found = [item for item in explained if any(unplugs.search(check) for check in item.first_checks)]
    assert {"U0001", "U0010", "U0031", "U0009"} <= {item.code for item in found}
    for item in found:
        text = " ".join(item.cautions)
        assert "disconnect the battery" in text, item.code
        assert "airbag" in text, item.code
        assert any("Battery off" in check for check in item.first_checks), item.code


@pytest.mark.parametrize("code", ["P2029", "P2030", "U0166", "U0325", "U0425"])
def test_a_heater_that_burns_fuel_warns_of_fire_and_of_carbon_monoxide(code: str) -> None:
    text = " ".join(explain(code).cautions)
    assert "fire" in text
    assert "carbon monoxide" in text
    assert "air conditioning" not in text


def test_no_article_stands_before_a_part_with_its_own_letter(
    explained: list[CodeExplanation], all_composed: list[CodeExplanation]
) -> None:
    """As in "measuring line F of the battery", not "the measuring line F"."""
    another = r"(?:of|and|at|in|from|to|for|by|that)\b"  # after these words a new noun begins
    wrong = re.compile(rf"\b[Tt]he (?:(?!{another})[a-z-]+ )*[a-z-]*[a-rt-z] [A-Z](?=[\s,.(:]|$)")
    found = [(code, hit.group()) for code, text in everything(all_composed) if (hit := wrong.search(text))]
    assert not found


def test_composed_codes_with_a_letter_say_which(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        facts = facts_of(item.code)
        assert facts is not None
        if facts.place.circuit and facts.fault != CONDITION and "/" not in facts.place.circuit:
            assert re.search(rf"\b{facts.place.circuit}\b", item.meaning) or "{the}" not in item.meaning, item.code


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("P0A3D", "inverter of drive motor B"),  # SAE J2012: Drive Motor "B" Inverter Over Temperature (from memory)
        ("P0A2C", "temperature sensor of drive motor A"),
        ("P0A4A", "drive motor B"),
        ("P023D", "boost pressure sensor A"),
        ("P023E", "boost pressure sensor B"),  # manifold pressure against boost sensor "B" (from memory)
        ("P00BE", "mass air flow sensor B"),
        ("P0B57", "measuring line F of the high-voltage battery"),
    ],
)
def test_the_letter_belongs_to_the_right_part(code: str, words: str) -> None:
    assert words in explain(code).meaning[0].lower() + explain(code).meaning[1:]


# Pairs whose titles once hid which is which: the standard tells them apart (SAE J2012, from memory; python-OBD's list).
@pytest.mark.parametrize(
    ("code", "word"),
    [
        ("P0448", "short"), ("P0498", "low"), ("P0499", "high"), ("P0458", "low"), ("P0459", "high"),
        ("P0489", "low"), ("P0490", "high"), ("P0405", "low"), ("P0406", "high"), ("P0532", "low"),
        ("P0533", "high"), ("P0491", "bank 1"), ("P0492", "bank 2"), ("P0318", "sensor A"), ("P0319", "sensor B"),
        ("P0429", "bank 1"), ("P0439", "bank 2"), ("P0557", "low"), ("P0558", "high"), ("P2409", "fit"),
        ("P2412", "drops out"), ("P0327", "low"), ("P0328", "high"), ("P0452", "low"), ("P0453", "high"),
        ("P0462", "low"), ("P0463", "high"), ("P0496", "too much"), ("P0497", "too little"), ("P0741", "off"),
        ("P0742", "on"), ("P0400", "wrong flow"), ("P0401", "too little"),
    ],
)  # fmt: skip
def test_titles_say_which_of_a_family_it_is(code: str, word: str) -> None:
    assert word in explain(code).title, explain(code).title


# Numbers that the standard gives the same meaning, or that differ in a detail that no reader needs.
SAME_TITLE = {
    ("C0031", "C0035"), ("C0034", "C0040"), ("C0037", "C0045"), ("C003A", "C0050"),  # an older and a newer numbering
    ("P0543", "P2605"), ("P0618", "P0619"), ("P0621", "P0623"),
}  # fmt: skip


def test_no_two_codes_have_the_same_title(explained: list[CodeExplanation]) -> None:
    seen: dict[str, str] = {}
    twins = set()
    for item in explained:
        if item.origin in (Origin.WRITTEN, Origin.COMPOSED):
            first = seen.setdefault(item.title, item.code)
            if first != item.code:
                twins.add((first, item.code))
    assert twins <= SAME_TITLE, sorted(twins - SAME_TITLE)


OPPOSITES = (("stuck_open", "stuck_closed"), ("stuck_on", "off"), ("too_low", "too_high"))


def test_opposite_faults_do_not_share_their_checks(explained: list[CodeExplanation]) -> None:
    """A valve that does not open needs other looks than one that does not shut; workshops only for high voltage."""
    by_fault: dict[tuple[str, str, object], CodeExplanation] = {}
    for item in explained:
        facts = facts_of(item.code)
        component = component_of(facts.component) if facts else None
        if facts and component and component.group not in ("hybrid", "hybrid_danger", "brake_force"):
            by_fault[facts.component, facts.fault, facts.place] = item
    for (component_id, fault, place), item in by_fault.items():
        for one, other in OPPOSITES:
            twin = by_fault.get((component_id, other, place)) if fault == one else None
            if twin is not None:
                assert item.first_checks != twin.first_checks or one == "stuck_open", (item.code, twin.code)


def test_switches_are_not_spoken_of_as_sensors(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        component = component_of(item.component or "")
        if component and component.kind == "switch" and component.group != "airbags":
            said = " ".join((*item.first_checks, *(cause.text for cause in item.causes), *item.confused_with))
            assert "5 volt" not in said, item.code
            assert "sensor suspect" not in said, item.code


def test_live_data_always_says_something(explained: list[CodeExplanation]) -> None:
    empty = re.compile(r"differ from earlier drives|Nothing to see|Anything that does not fit|^How it changes")
    for item in explained:
        for live in item.live_data:
            assert not empty.search(live.look_for), (item.code, live)


def test_every_hint_is_used() -> None:
    used = set()
    for row in text_of(COMPONENTS).splitlines()[1:]:
        component = component_of(row.split(",")[0])
        assert component is not None
        groups = {component.group, REAR_SENSORS} if component.group == "oxygen_sensor" else {component.group}
        used |= {(group, key.removeprefix("~")) for key in component.live_data for group in groups}
    hints = [tuple(line.split(",")[:2]) for line in text_of(LIVE_HINTS).splitlines()[1:]]
    assert not [hint for hint in hints if hint not in used]
    assert len(hints) == len(set(hints))


def test_every_group_and_component_is_used() -> None:
    facts = list(all_facts())
    components = {item.component for item in facts if item.fault != CONDITION}
    listed = {row.split(",")[0] for row in text_of(COMPONENTS).splitlines()[1:]}
    assert listed == components - {""}
    groups = {component.group for name in listed if (component := component_of(name))}
    conditions = [
        re.search(r'^group = "(\w+)"', section, re.MULTILINE)
        for _, section in sections(text_of(DATA / "conditions.toml"))
    ]
    groups |= {match.group(1) for match in conditions if match}
    assert {name for name, _ in sections(text_of(GROUPS))} == groups


def test_a_mere_sensor_does_not_alarm_like_the_system_it_watches() -> None:
    for code in ("P2265", "P2267", "P0939", "P0940", "P2742", "P02E8", "P2525"):
        assert explain(code).urgency is Urgency.NEXT_SERVICE, code


def test_injector_lines_warn_of_their_voltage() -> None:
    """Injectors of direct injection and diesel engines get about 50 to 100 V (common practice)."""
    for code in ("P2146", "P2147", "P2148", "P2157"):
        item = explain(code)
        assert any("voltage that can hurt" in caution for caution in item.cautions), code
        assert not [check for check in item.first_checks if "Measure the voltage at one of the plugs" in check], code


def test_a_live_value_is_spoken_of_as_what_it_is(explained: list[CodeExplanation]) -> None:
    """A supply voltage is never "missing or fixed": nobody would see it then."""
    for item in explained:
        for live in item.live_data:
            if live.key == "control_module_voltage":
                assert "missing" not in live.look_for, (item.code, live)
                assert "end of its range" not in live.look_for, (item.code, live)


def test_the_stage_of_an_airbag_is_not_its_number() -> None:
    """SAE J2012: B0001 to B0003 are three stages of the same airbag (from memory)."""
    assert "stage 2" in explain("B0002").title
    assert "airbag 2" not in explain("B0002").meaning


@pytest.mark.parametrize("code", ["P0888", "P0882", "P0885", "P0863", "P0802"])
def test_wiring_of_the_gearbox_computer_does_not_begin_with_the_fluid(code: str) -> None:
    assert "fuse" in explain(code).first_checks[0]
    assert "fluid" not in " ".join(explain(code).first_checks)


def test_every_failure_type_table_is_used() -> None:
    used = {CONDITION}
    for facts in all_facts():
        component = component_of(facts.component)
        if component is not None:
            names = fault_type_names(facts.fault, component)
            used.add(next(name for name in names if name in FAULT_TABLES))
    assert used - {CONDITION} == FAULT_TABLES


@pytest.mark.parametrize("code", ["P013A", "P013C", "P014A", "P2232", "P2274", "P2278"])
def test_oxygen_sensors_after_the_catalyst_only_watch_it(code: str) -> None:
    item = explain(code)
    assert item.urgency is Urgency.NEXT_SERVICE
    assert "catalyst" in item.car_does
    assert not [live for live in item.live_data if live.key.startswith("short_term")]


def test_a_hot_exhaust_is_not_blamed_on_the_coolant() -> None:
    for code in ("P2428", "P2429"):
        said = " ".join(cause.text for cause in explain(code).causes)
        assert "misfires" in said
        assert "coolant" not in said
        assert "fluid" not in said


def test_a_number_is_said_once(all_composed: list[CodeExplanation]) -> None:
    for item in all_composed:
        assert not re.search(r"sensor, sensor \d", item.title), item.title
    assert "nock sensor 2" in explain("P0332").title


def test_a_program_that_does_not_match_does_not_forbid_driving(explained: list[CodeExplanation]) -> None:
    """A missing step after a repair: no more than "soon", and no check that says the car must stand."""
    found = [item for item in explained if item.code.startswith("U03")]
    assert found
    for item in found:
        assert item.urgency is not Urgency.STOP, item.code
        assert "driven again" not in " ".join(item.first_checks), item.code
        assert any("maker's tool" in check for check in item.first_checks), item.code


def test_a_level_sensor_is_not_spoken_of_as_a_thermometer() -> None:
    for code in ("P2556", "P2557", "P2558", "P2559"):
        assert "temperature" not in explain(code).car_does, code
    assert "level" in explain("P2557").first_checks[0]


def test_pairs_of_sensors_show_their_own_live_values(
    explained: list[CodeExplanation], all_composed: list[CodeExplanation]
) -> None:
    """SAE J1979 names pedal sensors D, E and F, and throttle sensors A (without letter), B and C."""
    found = 0
    for item in [*explained, *all_composed]:
        facts = facts_of(item.code)
        if facts and facts.component in ("throttle_position_sensors", "pedal_position_sensors"):
            letters = {letter.lower() for letter in (facts.place.circuit or "").split("/")}
            keys = {live.key for live in item.live_data}
            assert {key.rsplit("_", 1)[-1].replace("position", "a") for key in keys} == letters, (item.code, keys)
            found += 1
    assert found == 12


def test_switches_on_the_steering_wheel_leave_its_plugs_alone() -> None:
    """The plugs in the steering wheel stand beside that of the airbag."""
    for code in ("P0564", "P0592", "P0815", "P2776", "P2781"):
        item = explain(code)
        assert any("Airbags" in caution for caution in item.cautions), code
        assert not [check for check in item.first_checks if "Pull its plug" in check], code
