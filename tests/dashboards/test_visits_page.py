"""The page of the plan over a real logbook: visits, moves, limits in the address, what comes off, the job sheet."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.app import show_page
from dashboards.sessions import SessionShelf
from dashboards.visits_asked import AskedPlan, Limits, asked_plan, limits_from
from dashboards.visits_tree import Opened, Reached, opening
from dashboards.visits_words import when_words
from obdwatch.errors import InputError
from obdwatch.logbook.logbook import Logbook
from obdwatch.planning.access import opened_for
from obdwatch.planning.plan_records import NOT_AT_ALL
from obdwatch.planning.wishes import Wishes
from obdwatch.records import Event, EventKind
from tests.dashboards.samples import CAR, session
from tests.dashboards.test_home_page import CHARGES, STUCK
from tests.dashboards.test_pages import components, text, visit
from tests.dashboards.test_with_the_logbook import written
from tests.planning.garage import GARAGE

LIMITS = "budget=900&rate=90&trip=1500&trip_in=3000&visits=2"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Logbook:
    made = Logbook(tmp_path_factory.mktemp("logbook"))
    made.add_car(replace(CAR, cylinders=6, coolant_pump="electric"))
    for day, km in ((2, 170_000.0), (20, 171_800.0)):
        told = replace(session(f"day-{day}", day), odometer_km=km)
        made.add_session(written(made.sessions_folder, told))
        made.save_analysis(told.id, (STUCK, CHARGES), [])
    return made


@pytest.fixture(scope="module")
def shelf(book: Logbook) -> SessionShelf:
    return SessionShelf(book)


def shown(shelf: SessionShelf, path: str, search: str = "", **view: Any) -> list[Component]:
    return show_page(shelf, visit(path, search=search, **view)).children


def chips(children: list[Component]) -> dict[str, dict[str, str]]:
    """Where each part can be dragged to, by part."""
    found = [one for one in components(children, html.Span) if getattr(one, "data-part", None)]
    return {getattr(one, "data-part"): json.loads(getattr(one, "data-ways")) for one in found}


def links(children: list[Component]) -> dict[str, str]:
    return {str(getattr(one, "title", one.children)): one.href for one in components(children, dcc.Link)}


def test_the_plan_says_when_what_why_and_for_how_much(shelf: SessionShelf) -> None:
    words = text(shown(shelf, "/visits"))
    assert "Plan of visits: The old blue estate" in words
    assert re.search(r"\d+ jobs? in \d visits?: [\d.]+ hours? of work, about [\d,]+ to pay", words)
    assert "Visit 1: now" in words
    assert re.search(r"drain the coolant\s+25 minutes", words)
    assert re.search(r"Thermostat\s+30 minutes, part 45 It is probably worn", words)
    for way in ("The same jobs one by one", "Everything now", "Nothing until it fails"):
        assert way in words
    assert "within 16,000 km" in words
    assert "within 10,000 miles" in text(shown(shelf, "/visits/blue", units="us"))
    assert "Your own hour is weighed" in words
    assert "Local rules and a licensed technician decide." in words


def test_a_move_is_an_address_that_says_what_it_costs(shelf: SessionShelf) -> None:
    best = shown(shelf, "/visits")
    later = chips(best)["thermostat"]["2"]
    assert later == "/visits/blue?move=thermostat:2"
    path, _, search = later.partition("?")
    moved = shown(shelf, path, search)
    words = text(moved)
    assert "You moved the thermostat" in words
    assert re.search(r"This costs [\d,]+ more than the best plan", words)
    assert "Moved by you; the best plan does it now." in words
    assert "The best plan" in words
    assert chips(moved)["thermostat"]["1"] == "/visits/blue"  # back home, and no longer a move
    assert links(moved)["Back to the best plan"] == "/visits/blue"
    assert links(moved)["Thermostat: do it now"] == "/visits/blue"


def test_every_move_has_a_link_for_keys_and_fingers(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits", "move=alternator:2")
    addresses = set(links(children).values())
    ways = chips(children)
    assert len(ways) > 15
    for part, to in ways.items():
        assert str(NOT_AT_ALL) in to or {"1", "2", "3"} == set(to), part
        assert addresses & set(to.values()), part


def test_what_is_left_alone_can_be_taken_in(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits", "move=alternator:1")
    assert "You moved the alternator" in text(children)
    assert "Moved by you; the best plan leaves it alone." in text(children)
    none = shown(shelf, "/visits", "move=thermostat:none")
    assert "Moved by you; the best plan does it now." in text(none)


def test_limits_come_from_the_address_and_stay_in_every_further_one(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits", LIMITS)
    words = text(children)
    assert "a workshop at 90 an hour, at most 900 a visit, ready for 1,500 km that begin in 3,000 km" in words
    assert "A workshop's hour costs 90." in words
    ways = chips(children)
    addresses = [address for to in ways.values() for address in to.values()]
    assert all(LIMITS in address for address in addresses)
    assert max(int(number) for to in ways.values() for number in to) == 2


def test_how_far_the_car_is_kept_goes_into_plan_address_and_form(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits", "keep=20000")
    assert "kept for 20,000 km from now on" in text(children)
    assert "ou keep the car for 20,000 km more" in text(children)
    assert all("keep=20000" in address for to in chips(children).values() for address in to.values())
    assert {one.id: one.value for one in components(children, dcc.Input)}["plan-keep"] == "20000"
    assert limits_from({"keep": "20,000"}, "us").keep == pytest.approx(32_186.88)  # NIST SP 811: 1 mile = 1.609344 km


def test_the_round_number_that_a_plan_looks_ahead_can_be_typed(shelf: SessionShelf) -> None:
    assert "kept for 16,000 km" in text(shown(shelf, "/visits", "keep=16000"))
    assert "A plan looks 16,000 km ahead" in text(shown(shelf, "/visits", "keep=9000"))


def test_limits_without_a_way_are_said_in_the_planners_words_beside_the_form(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits", "hours=0.1&trip=2000")
    words = text(children)
    assert "There is no plan for this" in words
    assert re.search(r"The limits leave no way .* raise the hours per visit from 0\.1 to [\d.]+", words)
    fields = {one.id: one.value for one in components(children, dcc.Input)}
    assert fields["plan-hours"] == "0.1"
    assert fields["plan-trip"] == "2000"


@pytest.mark.parametrize(
    ("search", "said"),
    [
        ("budget=much", "must be a number"),
        ("budget=-5", "must lie between 0"),
        ("hours=nan", "must lie between 0"),
        ("visits=7", "must lie between 0 and 6"),
        ("visits=1.5", "whole number from 1 to 6"),
        ("trip_in=100", "how long the trip is"),
        ("move=thermostat:9", "cannot be read"),
        ("move=<b>", "cannot be read"),
        ("move=flux:1", "nothing is known of a part 'flux'"),
        ("visits=1&move=thermostat:2", "there are 1"),
        ("only=flux", "nothing is known of a part 'flux'"),
    ],
)
def test_what_an_address_cannot_mean_is_said(shelf: SessionShelf, search: str, said: str) -> None:
    words = text(shown(shelf, "/visits/blue", search))
    assert said.lower() in words.lower()
    assert "Plan without limits" in words


def test_only_one_part(shelf: SessionShelf) -> None:
    words = text(shown(shelf, "/visits", "only=thermostat"))
    assert "If only the thermostat is done" in words
    assert "Only the thermostat, now:" in words


def test_the_job_sheet_is_that_of_the_plan_in_the_address(shelf: SessionShelf) -> None:
    children = shown(shelf, "/visits/blue/sheet/2", "move=thermostat:2")
    words = text(children)
    assert "Job sheet of The old blue estate: visit 2, in 5,400 km" in words
    ticked = [str(one.label) for one in boxes(children)]
    assert "1. Raise the car and set it on stands." in ticked
    assert any("chock" in line or "axle stands" in line for line in ticked)
    assert links(children)["Back to the plan"] == "/visits/blue?move=thermostat:2"


def boxes(node: Any) -> Iterator[Any]:
    import dash_mantine_components as dmc

    return components(node, dmc.Checkbox)


@pytest.mark.parametrize("path", ["/visits/blue/sheet/9", "/visits/blue/sheet/x", "/visits/nobody", "/visits/x/sheet/"])
def test_what_is_not_there_is_said(shelf: SessionShelf, path: str) -> None:
    words = text(shown(shelf, path))
    assert "cannot be shown" in words


def test_a_repair_makes_another_plan(book: Logbook) -> None:
    shelf = SessionShelf(book)
    before = [text(one) for one in components(shown(shelf, "/visits"), html.H4)]
    told = book.add_event(Event(CAR.id, datetime(2026, 1, 21, tzinfo=UTC), EventKind.REPAIR, 171_900.0, "thermostat"))
    after = [text(one) for one in components(shown(shelf, "/visits"), html.H4)]
    book.remove_event(told.id or 0)
    assert any("Thermostat" in job for job in before)
    assert not any("Thermostat" in job for job in after)
    assert after


def test_a_logbook_without_a_car_says_how_to_begin(tmp_path: Path) -> None:
    assert "No drives yet" in text(shown(SessionShelf(Logbook(tmp_path)), "/visits"))


def test_a_car_without_drives_is_planned_by_age_and_says_so(tmp_path: Path) -> None:
    made = Logbook(tmp_path)
    made.add_car(CAR)
    assert "the plan rests on distance and log alone" in text(shown(SessionShelf(made), "/visits"))


def test_addresses_are_read_as_they_are_written() -> None:
    asked = AskedPlan(
        "a/b c",
        None,
        Limits(budget=400.5, hours=3.0, rate=90.0, trip=1500.0, trip_in=0.0, visits=2),
        {"ignition_coil": 2, "battery": NOT_AT_ALL},
        "thermostat",
    )
    for one in (asked, replace(asked, sheet="2", only=None), AskedPlan(None), AskedPlan("x")):
        path, _, search = one.address().partition("?")
        assert asked_plan(visit(path, search=search)) == one


def test_a_form_is_in_the_readers_units_and_the_address_in_km() -> None:
    """The international mile is 1.609344 km exactly (NIST SP 811, appendix B)."""
    assert limits_from({"trip": "1,000", "trip_in": "100"}, "us") == Limits(trip=1609.344, trip_in=160.9344)
    assert limits_from({"trip": " ", "budget": ""}, "us") == Limits()
    with pytest.raises(InputError, match="how long the trip is"):
        limits_from({"trip_in": "100"}, "metric")


def every(steps: tuple[Opened, ...]) -> Iterator[Opened]:
    for one in steps:
        yield one
        yield from every(one.behind)


def test_the_picture_hangs_each_part_behind_what_must_come_off() -> None:
    """By hand, from the invented garage: the manifold is behind the hoses, they behind the cover."""
    drawn = opening(("crankcase_ventilation", "thermostat", "battery"), GARAGE)
    assert drawn.free == ("battery",)
    first = {one.step.id: one for one in drawn.first}
    assert set(first) == {"battery_off", "coolant_drained", "engine_cover"}
    cover = first["engine_cover"]
    (hoses,) = cover.behind
    (manifold,) = hoses.behind
    assert manifold.also == ("battery_off",)
    assert manifold.reached == (Reached("crankcase_ventilation", ()),)
    assert manifold.within_reach == ("starter_motor",)
    assert cover.within_reach == ("spark_plugs",)
    assert first["coolant_drained"].reached == (Reached("thermostat", ()),)
    belt, coolant = opening(("coolant_pump",), GARAGE).first
    assert (belt.step.id, belt.reached) == ("belt_off", ())
    assert coolant.reached == (Reached("coolant_pump", ("belt_off",)),)


def test_the_picture_shows_every_step_once_in_a_possible_order() -> None:
    jobs = tuple(GARAGE.parts)
    drawn = opening(jobs, GARAGE)
    steps = list(every(drawn.first))
    order = opened_for([step for part in jobs for step in GARAGE.parts[part].access], GARAGE.steps)
    assert sorted(one.number for one in steps) == list(range(1, len(order) + 1))
    number = {one.step.id: one.number for one in steps}
    assert all(number[before] < one.number for one in steps for before in one.step.needs)
    reached = [part.part for one in steps for part in one.reached]
    assert sorted([*reached, *drawn.free]) == sorted(jobs)
    assert {one.step.id: one.jobs for one in steps}["coolant_drained"] == 2


def test_a_visit_is_said_with_its_month_where_it_can_be_known() -> None:
    today = date(2026, 1, 1)
    assert when_words(0.0, Wishes(), today) == "now"
    assert when_words(5_000.0, Wishes(), today) == "in 8,000 km"
