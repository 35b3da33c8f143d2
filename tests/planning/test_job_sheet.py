"""The job sheet: everything a visit needs, in the order of work, on paper and on a page that needs nothing else."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from obdwatch.errors import InputError
from obdwatch.parts.catalogue import read_catalogue
from obdwatch.parts.part import AccessStep, Extra
from obdwatch.planning.job_sheet import ALWAYS, FROM_THE_MANUAL, TOPICS, JobSheet, SheetContext, job_sheet, sheet_text
from obdwatch.planning.job_sheet_page import sheet_html
from obdwatch.planning.plan import plan_visits
from obdwatch.planning.wishes import Wishes
from obdwatch.planning.words import OWN_CURRENCY
from obdwatch.records import Car
from tests.planning.garage import GARAGE, RISKS, STEPS, WORN, catalogue, part, risk

FERN = Car("fern", "Fern", cylinders=6)
DECIDED = Wishes(decided=frozenset({"coolant_pump", "starter_motor", "spark_plugs"}), visits_at=(0.0,), units="us")


def sheet() -> JobSheet:
    tests = {"coolant_pump": "look at the weep hole"}
    plan = plan_visits(GARAGE, RISKS, DECIDED, FERN)
    return job_sheet(plan, 1, GARAGE, SheetContext(FERN, "us", tests))


def section(heading: str) -> tuple[str, ...]:
    return tuple(line for each in sheet().sections if each.heading == heading for line in each.lines)


def said_of(heading: str, of: str) -> tuple[str, ...]:
    return next((each.lines for each in sheet().sections if (each.heading, each.of) == (heading, of)), ())


def test_it_begins_with_what_only_the_maker_knows() -> None:
    assert section("Before you start")[0] == FROM_THE_MANUAL
    assert all(word in FROM_THE_MANUAL for word in ("Torques", "part numbers", "bleeding", "maker's manual"))


def test_parts_come_with_number_price_and_quality() -> None:
    assert "6 x spark plugs (about 72 EUR)." in section("Parts to buy")
    assert "Coolant pump (about 200 EUR)." in section("Parts to buy")
    assert said_of("Parts to buy", "Coolant pump") == ("Original quality.",)
    assert section("Bought with them").count("Coolant, 8 L (about 40 EUR).") == 1


def test_opening_runs_from_outside_in_and_closing_the_other_way() -> None:
    opening, closing = section("Open in this order"), section("Close in this order")
    names = {f"{step.name[0].upper()}{step.name[1:]}.": step for step in STEPS.values()}
    place = {names[line].id: at for at, line in enumerate(opening)}
    assert "intake_manifold" in place
    assert all(place[need] < place[step] for step in place for need in STEPS[step].needs)
    assert [f"{line[0].upper()}{line[1:]}." for line in (names[line].undo for line in opening)] == [*reversed(closing)]


def test_a_step_of_the_keepers_own_that_says_nothing_of_its_undoing_is_not_forgotten() -> None:
    steps = {"wheel_off": AccessStep("wheel_off", "take off the front wheel", 0.2)}
    parts = catalogue(part("thermostat", access=("wheel_off",)), steps=steps)
    plan = plan_visits(parts, [risk("thermostat", WORN)], Wishes(decided=frozenset({"thermostat"})))
    assert 'The reverse of "take off the front wheel".' in sheet_text(job_sheet(plan, 1, parts))


def test_every_step_that_is_shipped_says_how_it_is_undone_in_words_of_its_own() -> None:
    steps = read_catalogue().steps.values()
    said = {step.name: step.undo for step in steps}
    said |= {one.changes["name"]: one.changes["undo"] for step in steps for one in step.variants}
    assert all(said.values())
    assert not {name for name, undo in said.items() if undo in said}
    assert len(set(said.values())) == len(said)


def test_cautions_of_parts_steps_and_every_visit_are_there_once() -> None:
    lines = section("Before you start")
    for wanted in ("Never open it hot.", "Only with a cold engine.", "Minus first."):
        assert lines.count(wanted) == 1
    said = " ".join(lines)
    for wanted in ("hot cooling system", "axle stands", "carbon monoxide", "licensed technician", "No flame"):
        assert wanted in said


def test_it_says_what_to_check_before_buying_and_what_to_do_after() -> None:
    assert section("Check before you buy") == ("Coolant pump: Look at the weep hole.",)
    assert said_of("After fitting", "Coolant pump") == ("Fill and bleed the coolant.",)
    assert said_of("On the first drive", "Coolant pump") == ("No drop under the car.",)
    assert "Clean the face." in said_of("Fit", "Coolant pump")
    shared = [each for each in sheet().sections if each.lines == ("As the maker's manual says.",)]
    assert len(shared) == 1, "what holds for several parts is said once"
    assert "starter motor" in shared[0].of


def test_a_heading_over_several_parts_stands_once_above_their_names() -> None:
    for shown in (sheet_text(sheet()).splitlines(), sheet_html(sheet()).splitlines()):
        assert len([line for line in shown if line in ("Fit", "<h2>Fit</h2>")]) == 1
        at = next(n for n, line in enumerate(shown) if line in ("Fit", "<h2>Fit</h2>"))
        assert [line for line in shown[at:] if line in ("Coolant pump:", "<h3>Coolant pump</h3>")]


def test_that_money_is_in_the_keepers_own_currency_is_said_once_where_none_is_named() -> None:
    nameless = replace(GARAGE, currency="")
    text = sheet_text(job_sheet(plan_visits(nameless, RISKS, DECIDED, FERN), 1, nameless))
    assert text.count(OWN_CURRENCY) == 1
    assert OWN_CURRENCY not in sheet_text(sheet())
    written_down = section("Write down what was done, so that the new parts count from here")
    assert "obdwatch log repair coolant_pump --car fern --odometer N" in written_down


def test_an_unknown_price_is_said_and_an_optional_extra_is_no_must() -> None:
    seal = Extra("seal", "seal", float("nan"))
    hose = Extra("hose", "hose", 15.0, optional=True)
    parts = catalogue(part("thermostat", price=float("nan"), extras=(seal, hose), per="cylinder"))
    plan = plan_visits(parts, [risk("thermostat", WORN)], Wishes(decided=frozenset({"thermostat"})))
    text = sheet_text(job_sheet(plan, 1, parts))
    assert "One per cylinder: thermostat (price not known)." in text
    assert "Seal (price not known)" in text
    assert "Hose (about 15 EUR, if it looks worn)" in text
    assert "nan" not in text
    assert plan.visits[0].cost == 0.0


def test_there_is_no_sheet_for_a_visit_that_is_not_planned() -> None:
    plan = plan_visits(GARAGE, RISKS, DECIDED, FERN)
    for number in (0, 2):
        with pytest.raises(InputError, match=f"no visit {number}; it has 1"):
            job_sheet(plan, number, GARAGE)


class _Page(HTMLParser):
    """Collects what a page shows and what it would load."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.loads: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.loads += [name for name, _ in attrs if name in ("src", "href", "action")]
        if tag not in ("meta", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_says_what_the_text_says_and_loads_nothing() -> None:
    page = _Page()
    page.feed(sheet_html(sheet()))
    assert page.open == []
    assert page.loads == []
    assert not {"script", "link", "img", "iframe"} & set(page.tags)
    shown = " ".join(page.text)
    for each in sheet().sections:
        assert each.heading in shown
        assert all(line in shown for line in each.lines)
    assert page.tags.count("input") == sum(len(each.lines) for each in sheet().sections)


def test_nothing_a_user_typed_becomes_markup() -> None:
    nasty = replace(GARAGE.parts["coolant_pump"], name="<script>alert(1)</script>", quality='5 < 6 & "quoted"')
    parts = catalogue(nasty)
    plan = plan_visits(parts, [risk("coolant_pump", WORN)], Wishes())
    page = sheet_html(job_sheet(plan, 1, parts, SheetContext(Car("fern", "<b>Fern</b>"))))
    assert "<script>" not in page
    assert "<b>" not in page
    assert "&lt;script&gt;" in page


def test_a_general_caution_is_left_out_only_where_the_special_ones_say_all_of_it() -> None:
    assert len(TOPICS) <= len(ALWAYS)
    for text, topics in zip(ALWAYS, TOPICS, strict=False):
        assert all(topic in text.lower() for topic in topics), text
    plan = read_catalogue()
    shipped = [c for part in plan.parts.values() for c in part.cautions]
    shipped += [c for step in plan.steps.values() for c in step.cautions]
    said = " ".join(shipped).lower()
    assert all(topic in said for topics in TOPICS for topic in topics)  # else no sheet could ever leave one out
