"""`obdwatch codes`: trouble codes in plain language."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from obdwatch.commands.options import Settings, common_options, print_json
from obdwatch.errors import InputError
from obdwatch.explanations.wording import ORIGIN_NOTES, URGENCY_SENTENCES, cause_words

if TYPE_CHECKING:
    from obdwatch.analysis import KnownDrive
    from obdwatch.explanations.codes import Advice, CodeExplanation


@click.command("codes")
@click.argument("codes", nargs=-1)
@click.option("--search", "words", help='Find codes by words, such as "cam timing".')
@click.option("--life", is_flag=True, help="What stored, pending and permanent mean, and how a code goes away.")
@click.option(
    "--drive", "session", help="Read the codes together with this drive (a file, or an id); without CODES, its own."
)
@common_options
def command(settings: Settings, codes: tuple[str, ...], words: str | None, life: bool, session: str | None) -> None:
    """Explain trouble CODES such as P0171: what it means, whether to drive on, what to look at first.

    Several codes at once also say which to follow first.
    """
    if words is not None:
        _search(settings, words)
        return
    if life:
        _life(settings)
        return
    if not codes and session is None:
        raise InputError("name a code, as in 'obdwatch codes P0171', or search: obdwatch codes --search \"cam timing\"")
    from obdwatch.explanations.codes import explain, follow_first

    explained = list(dict.fromkeys(explain(code) for code in codes))
    known = _known_drive(settings, session) if session is not None else None
    if known is not None and not codes:
        explained = [explain(code) for code in dict.fromkeys(reading.code for reading in known.drive.codes)]
        if not explained and not settings.as_json:
            click.echo("This drive holds no trouble codes.")
            return
    banks = known.car.bank_cylinders or () if known is not None and known.car is not None else ()
    advice = follow_first([explanation.code for explanation in explained], banks)
    evidence = _evidence(settings, explained, known) if known is not None else {}
    if settings.as_json:
        print_json({"codes": explained, "follow_first": advice, "evidence": evidence})
        return
    blocks = [_lines(explanation, evidence.get(explanation.code, ())) for explanation in explained]
    if advice:
        blocks.append(_advice(advice))
    click.echo("\n\n".join("\n".join(block) for block in blocks))


def _known_drive(settings: Settings, session: str) -> KnownDrive:
    from obdwatch.commands.lookup import known_drive

    return known_drive(settings, session)


def _search(settings: Settings, words: str) -> None:
    from obdwatch.explanations.codes import search

    found = search(words)
    if settings.as_json:
        print_json({"search": words, "found": found})
        return
    if not found:
        click.echo(f"No code found for {words!r}; try other words, such as the part's name.")
    for item in found:
        click.echo(f"{item.code}  {item.title}")


def _life(settings: Settings) -> None:
    from obdwatch.explanations.code_life import STAGES, life_stage

    stages = [life_stage(stage) for stage in STAGES]
    if settings.as_json:
        print_json({"life": stages})
        return
    click.echo("\n\n".join(f"{stage.name}\n  {stage.meaning}\n  {stage.next}" for stage in stages))


def _evidence(settings: Settings, explained: list[CodeExplanation], known: KnownDrive) -> dict[str, tuple[str, ...]]:
    """What a drive says of each code."""
    from obdwatch.analysis import analyse_drive
    from obdwatch.explanations.code_evidence import evidence
    from obdwatch.explanations.findings import explain as word

    analysis = analyse_drive(known.drive, known.car, known.history)
    findings = tuple(word(finding, settings.units) for finding in analysis.findings)
    return {each.code: evidence(each, known.drive, findings, settings.units) for each in explained}


def _lines(code: CodeExplanation, evidence: tuple[str, ...]) -> list[str]:
    lines = [f"{code.code}  {code.title}", f"  {code.meaning}"]
    if code.purpose:
        lines.append(f"  {code.purpose}")
    if code.failure_type is not None:
        lines.append(f"  Detail {code.failure_type.byte:02X}: {code.failure_type.text}.")
    lines.append(f"  {URGENCY_SENTENCES[code.urgency]} May I drive on? {code.may_drive}")
    lines += [f"  Caution: {caution}" for caution in code.cautions]
    lines += [f"  What the car does: {code.car_does}"] if code.car_does else []
    lines += [f"  What you notice: {code.driver_notices}"] if code.driver_notices else []
    lines += _list("Usual causes, the most likely first", [cause_words(cause) for cause in code.causes])
    lines += _list("Check first", list(code.first_checks))
    lines += _list("In a recording", [f"{item.key.replace('_', ' ')}: {item.look_for}" for item in code.live_data])
    lines += _list("This drive says", list(evidence))
    lines += _list("Often confused with", list(code.confused_with))
    return [*lines, *([f"  {ORIGIN_NOTES[code.origin]}"] if code.origin in ORIGIN_NOTES else [])]


def _list(heading: str, entries: list[str]) -> list[str]:
    return [f"  {heading}:", *(f"    - {entry}" for entry in entries)] if entries else []


def _advice(advice: tuple[Advice, ...]) -> list[str]:
    from obdwatch.commands.words import advice_words

    return ["Which to follow first", *(f"  {advice_words(item)}" for item in advice)]
