"""The questions of `obdwatch car add --ask`: what a keeper can answer without papers; each may be left open.

Answers are collected and checked one by one; nothing is written before the last one, so that Ctrl-C leaves nothing
half done.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from obdwatch.errors import ProfileError
from obdwatch.units import KM_PER_MILE

if TYPE_CHECKING:
    from obdwatch.records import Car

UNKNOWN = ("", "?", "unknown", "dont know", "don't know", "no idea", "-")
YES_NO = {"yes": True, "no": False}


@dataclass(frozen=True, slots=True)
class Question:
    """One question: the profile's `field`, its text and the answers to choose from, in words and as values."""

    field: str
    text: str
    answers: Mapping[str, Any] | None = None


def _plain(*values: str) -> dict[str, str]:
    return {value.replace("_", " "): value for value in values}


QUESTIONS: tuple[Question, ...] = (
    Question("name", "What do you call the car?"),
    Question(
        "fuel",
        "What does it run on?",
        {"petrol": "petrol", "petrol with ethanol (E10)": "e10", "e85": "e85", "diesel": "diesel"},
    ),
    Question("displacement_l", "How large is the engine, in litres? (2.5)"),
    Question("cylinders", "How many cylinders?"),
    Question("layout", "How do they stand?", {"in a line": "inline", "in a V": "vee", "flat": "flat"}),
    Question("induction", "Has it a turbocharger or compressor?", {"yes": "turbo", "no": "naturally_aspirated"}),
    Question(
        "air_metering",
        "Is there a mass air flow sensor between air filter and throttle?",
        {"yes": "air_flow", "no": "pressure", "yes, and a pressure sensor in the manifold": "both"},
    ),
    Question(
        "cam_timing",
        "Which cams can be adjusted?",
        {"none": (), "intake": ("intake",), "exhaust": ("exhaust",), "both": ("intake", "exhaust")},
    ),
    Question("intake_flaps", "Has the intake manifold flaps with an actuator?", YES_NO),
    Question("coolant_pump", "What drives the coolant pump?", _plain("electric", "belt")),
    Question(
        "thermostat_temperature", "At which temperature does the thermostat open, in degrees Celsius? (on it: 92)"
    ),
    Question("ignition", "How is it fired?", _plain("coil_per_cylinder", "shared_coils", "distributor")),
    Question("plug_type", "What spark plugs?", _plain("copper", "platinum", "iridium")),
    Question("transmission", "What gearbox?", _plain("manual", "automatic", "dual_clutch", "cvt")),
    Question("units", "Miles or kilometres?", {"miles": "us", "kilometres": "metric"}),
)


def ask(start: Car, units: str) -> Car:
    """Ask what is not known of a car yet and return it with the answers; what is left open stays unknown."""
    from obdwatch.car_profiles import car_to_mapping

    document = car_to_mapping(start)
    click.echo("Press Enter where you do not know: unknown is an answer. Ctrl-C keeps nothing.", err=True)
    try:
        for question in QUESTIONS:
            if document.get(question.field) in (None, ""):
                _answer(question, document)
        _part_ages(document, document.get("units") or units)
    except click.Abort:
        click.echo("\nobdwatch: interrupted; nothing of these answers was kept", err=True)
        raise
    return _car(document)


def _answer(question: Question, document: dict[str, Any]) -> None:
    while True:
        text = _prompt(question)
        if text.lower() in UNKNOWN:
            return
        try:
            value = _value(question, text)
            _car({**document, question.field: value})
        except (ProfileError, ValueError) as error:
            click.echo(f"  {error}", err=True)
            continue
        document[question.field] = value
        return


def _prompt(question: Question) -> str:
    offered = f" [{', '.join(question.answers)}]" if question.answers else ""
    answer: str = click.prompt(f"{question.text}{offered}", default="", show_default=False, err=True)
    return answer.strip()


def _value(question: Question, text: str) -> Any:
    if question.answers is not None:
        return _chosen(question.answers, text)
    if question.field in ("displacement_l", "thermostat_temperature", "cylinders"):
        return _number(text)
    return text


def _chosen(answers: Mapping[str, Any], text: str) -> Any:
    """The answer that is meant: its words, their beginning, or the profile's own value."""
    wanted = text.lower().replace("_", " ")
    exact = [value for words, value in answers.items() if wanted in (words.lower(), str(value).replace("_", " "))]
    begun = exact or [value for words, value in answers.items() if words.lower().startswith(wanted)]
    if len({str(value) for value in begun}) == 1:
        return begun[0]
    raise ValueError(f"{text!r}: say {', '.join(answers)}, or press Enter")


def _number(text: str) -> float | int:
    number = text.replace(",", ".").strip()
    try:
        return float(number) if "." in number else int(number)
    except ValueError:
        raise ValueError(f"{text!r} is no number; write it like 2.5, or press Enter") from None


def _part_ages(document: dict[str, Any], units: str) -> None:
    """Ask for parts whose renewal is known, one a line."""
    unit = "miles" if units == "us" else "km"
    text = f"A part you know to be newer than the car, and the {unit} on the clock when it was new? (thermostat 90000)"
    ages = dict(document.get("part_new_at_km") or {})
    while True:
        answer: str = click.prompt(text, default="", show_default=False, err=True)
        if answer.strip().lower() in UNKNOWN:
            break
        part, _, distance = answer.strip().rpartition(" ")
        try:
            added = {part.strip().replace(" ", "_"): _kilometres(distance, units)}
            _car({**document, "part_new_at_km": {**ages, **added}})
        except (ProfileError, ValueError) as error:
            click.echo(f"  {error}", err=True)
            continue
        ages |= added
    if ages:
        document["part_new_at_km"] = ages


def _kilometres(text: str, units: str) -> float:
    number = text.replace(",", "").replace("'", "")
    try:
        distance = float(number)
    except ValueError:
        raise ValueError(f"{text!r}: write the part and a distance, such as thermostat 90000, or press Enter") from None
    if distance < 0:
        raise ValueError(f"{text!r}: the clock does not go below zero")
    return round(distance * KM_PER_MILE, 1) if units == "us" else distance


def _car(document: Mapping[str, Any]) -> Car:
    from obdwatch.car_profiles import car_from_mapping

    return car_from_mapping(document, "this answer")
