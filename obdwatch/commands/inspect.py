"""`obdwatch inspect`: a guided walk round the car, for what OBD-II cannot see."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import INTERRUPTED, Amount, Settings, common_options, print_json
from obdwatch.errors import InputError

if TYPE_CHECKING:
    from obdwatch.inspecting import Inspection
    from obdwatch.logbook.logbook import Logbook
    from obdwatch.parts.inspection_questions import Question

TYPED = {"yes": "yes", "no": "no", "skip": "could not look"}  # what --answer takes, and what the log says
KEYS = {"y": "yes", "yes": "yes", "n": "no", "no": "no", "c": "could not look", "": "could not look"}
ASK = "  [y]es  [n]o  [c]ould not look  [b]ack  [q]uit: "


@click.command("inspect")
@click.option("--car", "car_id", required=True, help="Id of the car in the logbook.")
@click.option("--all", "everything", is_flag=True, help="Ask every question, not only the few that tell most.")
@click.option("--list", "only_list", is_flag=True, help="Only list the questions in the order of the walk.")
@click.option("--answer", "answers", multiple=True, help="QUESTION=yes, no or skip (could not look); may be repeated.")
@click.option("--odometer", type=Amount(), help="Odometer, in km (miles with --units us).")
@common_options
def command(
    settings: Settings,
    car_id: str,
    everything: bool,
    only_list: bool,
    answers: tuple[str, ...],
    odometer: float | None,
) -> int | None:
    """Walk round the car and answer what no recording can show: leaks, noises, smells, cracks, play.

    It asks the few questions that tell most about the likeliest and dearest faults, in the order of a walk: engine cold
    before engine running. Each answer is kept at once; started again within some hours, it goes on where it was.
    """
    from obdwatch.inspecting import inspection_of

    most = None if everything else _usual()
    km = settings.kilometres(odometer)
    with settings.open_logbook() as logbook:
        if answers:
            _note(settings, logbook, car_id, _read(answers), km, most)
            return None
        inspection = inspection_of(logbook, car_id, _now(), most)
        if only_list or settings.as_json or not sys.stdin.isatty():
            _list(settings, inspection)
            return None
        return _converse(logbook, inspection, km, most)


def _usual() -> int:
    from obdwatch.parts.inspection import USUAL

    return USUAL


def _now() -> datetime:
    return datetime.now(UTC)


def _read(answers: Sequence[str]) -> list[tuple[str, str]]:
    """Read what --answer was given, all of it before anything is written."""
    from obdwatch.parts.inspection import read_questions

    found = []
    for text in answers:
        question, equals, said = text.partition("=")
        if not equals or said.lower() not in TYPED:
            raise InputError(f"--answer {text!r}: write QUESTION=yes, QUESTION=no or QUESTION=skip")
        if question not in read_questions().by_id:
            raise InputError(f"no question is called '{question}'; 'obdwatch inspect --car ID --list --all' shows them")
        found.append((question, TYPED[said.lower()]))
    return found


def _note(
    settings: Settings,
    logbook: Logbook,
    car_id: str,
    answers: Sequence[tuple[str, str]],
    km: float | None,
    most: int | None,
) -> None:
    from obdwatch.inspecting import changes, inspection_of, note_answer
    from obdwatch.parts.inspection import read_questions

    events = [note_answer(logbook, car_id, question, said, _now(), km) for question, said in answers]
    inspection = inspection_of(logbook, car_id, _now(), most)
    warnings = logbook.odometer_warnings(car_id, settings.units) if km is not None else ()
    if settings.as_json:
        found = changes(logbook, inspection)
        print_json({"noted": events, "changes": found, "warnings": warnings, **_document(inspection)})
        return
    for question, said in answers:
        click.echo(f"Noted: {read_questions().by_id[question].text} {said}")
    for warning in warnings:  # an answer that seems to be from long ago counts little
        click.echo(f"Look at this: {warning}")
    _summary(logbook, inspection)


def _document(inspection: Inspection) -> dict[str, object]:
    answers = {name: event.answer for name, event in inspection.walk.answers.items()}
    return {
        "car": inspection.car.id,
        "next": inspection.walk.next.id if inspection.walk.next is not None else None,
        "questions": [{"question": one, "answer": answers.get(one.id)} for one in inspection.walk.questions],
    }


def _list(settings: Settings, inspection: Inspection) -> None:
    if settings.as_json:
        print_json(_document(inspection))
        return
    if not inspection.walk.questions:
        click.echo("Nothing to ask: every question has been answered not long ago.")
        return
    stage = None
    for one in inspection.walk.questions:
        stage = _heading(one, stage)
        given = inspection.walk.answers.get(one.id)
        click.echo(f"  {one.id}: {one.text}{f'  [{given.answer}]' if given is not None else ''}")
        click.echo(f"      {one.look}")
        for caution in one.cautions:
            click.echo(f"      Take care: {caution}")
    click.echo(f"Answer on a terminal, or with: obdwatch inspect --car {inspection.car.id} --answer QUESTION=yes")


def _heading(question: Question, before: str | None) -> str:
    """Print the state of the engine and the place where they change; return what stands there now."""
    from obdwatch.parts.inspection_words import ENGINE_HINTS, ENGINE_TITLES, where_words

    title = where_words(question)
    if title != before:
        click.echo(f"\n{title}")
        if before is None or not before.startswith(ENGINE_TITLES[question.engine]):
            click.echo(f"  {ENGINE_HINTS[question.engine]}")
    return title


def _converse(logbook: Logbook, inspection: Inspection, km: float | None, most: int | None) -> int | None:
    """Ask one question at a time; every answer is in the log before the next one is asked."""
    from obdwatch.inspecting import inspection_of, note_answer

    questions = inspection.walk.questions
    place = next((n for n, one in enumerate(questions) if one.id not in inspection.walk.answers), len(questions))
    stage, noted, interrupted = None, 0, False
    try:
        while place < len(questions):
            stage = _heading(questions[place], stage)
            said = _asked(questions[place], place + 1, len(questions), input)
            if said == "quit":
                break
            if said == "back":
                place = max(0, place - 1)
                continue
            note_answer(logbook, inspection.car.id, questions[place].id, said, _now(), km)
            noted, place = noted + 1, place + 1
    except (KeyboardInterrupt, EOFError) as stopped:
        click.echo("")
        interrupted = isinstance(stopped, KeyboardInterrupt)
    if place < len(questions):
        again = f"obdwatch inspect --car {inspection.car.id}"
        click.echo(f"{noted} answer{'' if noted == 1 else 's'} kept. The same command goes on from here: {again}")
    if interrupted:
        return INTERRUPTED
    _summary(logbook, inspection_of(logbook, inspection.car.id, _now(), most))
    return None


def _asked(question: Question, number: int, of: int, read: Callable[[str], str]) -> str:
    click.echo(f"\n{number} of {of}: {question.text}")
    click.echo(f"  {question.look}")
    for caution in question.cautions:
        click.echo(f"  Take care: {caution}")
    while True:
        typed = read(ASK).strip().lower()
        if typed in ("b", "back", "q", "quit"):
            return "back" if typed.startswith("b") else "quit"
        if typed in KEYS:
            return KEYS[typed]
        click.echo("  Type y, n, c, b or q.")


def _summary(logbook: Logbook, inspection: Inspection) -> None:
    from obdwatch.explanations.naming import capital
    from obdwatch.explanations.part_names import part_name
    from obdwatch.inspecting import changes
    from obdwatch.parts.inspection_words import moved

    found = changes(logbook, inspection)
    if not inspection.walk.answers:
        return
    click.echo("\nWhat your answers changed:" if found else "\nYour answers changed no part's probability noticeably.")
    for change in found:
        click.echo(f"  {capital(part_name(change.part))}: {moved(change.before, change.after)}")
