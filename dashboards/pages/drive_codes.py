"""The trouble codes of one drive: what each means, what this drive says of it, and what was not read.

A memory that was read and held nothing is told from one that nobody read; the second is said as unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dash import html
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import cautions_box, urgency_state
from dashboards.pages.code_sections import advice, codes_link, may_drive
from dashboards.panels import signal_name
from dashboards.sessions import LoadedDrive
from dashboards.text_tables import text_table
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.errors import InputError
from obdwatch.explanations.code_evidence import evidence
from obdwatch.explanations.code_life import readiness_words
from obdwatch.explanations.codes import CodeExplanation, explain, follow_first
from obdwatch.records import CodeKind, Drive, Finding, FreezeFrame, Readiness


@dataclass(frozen=True, slots=True)
class FoundCode:
    """A code of a drive with the memories it was in; `explanation` is None where what was read is no code."""

    code: str
    kinds: tuple[CodeKind, ...]
    explanation: CodeExplanation | None


def codes_section(loaded: LoadedDrive, findings: Sequence[Finding], units: str) -> Component:
    """Everything a drive says of trouble codes; `findings` already have their words."""
    drive = loaded.drive
    found = found_codes(drive)
    known = [one.explanation for one in found if one.explanation is not None]
    return html.Section(
        [
            html.H2("Trouble codes", id="codes-heading", tabIndex=-1),
            html.Ul([html.Li(sentence) for sentence in memory_words(drive)]),
            *_together(known),
            html.Div([_card(one, drive, findings, units) for one in found], className="findings"),
            *_other_frames(drive, found, units),
        ]
    )


def found_codes(drive: Drive) -> tuple[FoundCode, ...]:
    """Each code once, those stored or permanent before those only pending, otherwise as they were read."""
    kinds: dict[str, dict[CodeKind, None]] = {}
    for reading in drive.codes:
        kinds.setdefault(reading.code, {})[reading.kind] = None
    found = [FoundCode(code, tuple(where), _explained(code)) for code, where in kinds.items()]
    return tuple(sorted(found, key=lambda one: one.kinds == (CodeKind.PENDING,)))


def _explained(code: str) -> CodeExplanation | None:
    try:
        return explain(code)
    except InputError:
        return None


def memory_words(drive: Drive) -> tuple[str, ...]:
    """What is known of each code memory, of the lamp, and of the self-checks."""
    sentences = list(_memories(drive, _counts(latest_readiness(drive))))
    units = latest_readiness(drive)
    for readiness in units:
        sentences += _unit_words(readiness, alone=len(units) < 2)
    return tuple(sentences)


def latest_readiness(drive: Drive) -> tuple[Readiness, ...]:
    """The last readiness since erasing that each control unit told."""
    latest = {one.ecu: one for one in sorted(drive.readiness, key=lambda r: r.t) if not one.this_cycle}
    return tuple(latest.values())


def _counts(readiness: Sequence[Readiness]) -> int | None:
    told = [one.code_count for one in readiness if one.code_count is not None]
    return sum(told) if told else None


def _memories(drive: Drive, told: int | None) -> tuple[str, ...]:
    """A sentence for each memory; one for those of which the same holds."""
    if not drive.codes and drive.codes_read == frozenset(CodeKind):
        return ("None: the stored, pending and permanent codes were read, and there are none.",)
    if not drive.codes and not drive.codes_read and told is None:
        return ("Unknown: no trouble codes were read in this recording.",)
    said: dict[str, list[str]] = {}
    for kind in CodeKind:
        said.setdefault(_memory(drive, kind, told), []).append(str(kind))
    return tuple(f"{wording.joined(kinds).capitalize()}: {words}" for words, kinds in said.items())


def _memory(drive: Drive, kind: CodeKind, told: int | None) -> str:
    codes = dict.fromkeys(reading.code for reading in drive.codes if reading.kind is kind)
    if codes:
        return f"{wording.joined(sorted(codes))}."
    if kind in drive.codes_read:
        return "none. This was read, and it is empty."
    unread = "unknown. These codes were not read in this recording"
    if kind is not CodeKind.STORED or told is None:
        return f"{unread}."
    if told == 0:
        return f"{unread}, but the car counts none."
    return f"{unread}, and the car counts {told}. Read them before anything is erased."


def _unit_words(readiness: Readiness, alone: bool) -> list[str]:
    """Lamp and self-checks of a control unit; beside another one, that it leaves the lamp off does not mean it is."""
    unit = "" if readiness.ecu is None else f"Control unit {readiness.ecu:X}: "
    off = "the engine lamp is off. " if alone else "it does not ask for the engine lamp. "
    lamp = {True: "the engine lamp is switched on. ", False: off, None: ""}[readiness.lamp_on]
    told = " ".join(readiness_words(readiness))
    sentence = f"{unit}{lamp}{told}"
    return [sentence[:1].upper() + sentence[1:]]


def _together(known: Sequence[CodeExplanation]) -> list[Component]:
    if len(known) < 2:
        return []
    codes = [code.code for code in known]
    return [
        advice(follow_first(codes), known, level=3),
        html.P(codes_link(codes, "Read their explanations together")),
    ]


def _card(one: FoundCode, drive: Drive, findings: Sequence[Finding], units: str) -> Component:
    where = wording.joined([str(kind) for kind in one.kinds])
    if one.explanation is None:
        told = "What was read has not the shape of a trouble code, so nothing can be said of it."
        return html.Article([html.H3(one.code), html.P(f"{where.capitalize()}. {told}")], className="found-code")
    code = one.explanation
    said = evidence(code, drive, findings, units)
    return html.Article(
        [
            html.P(urgency_state(code.urgency)),
            html.H3(codes_link([code.code], f"{code.code}: {code.title}")),
            html.P(code.meaning),
            may_drive(code),
            html.Ul([html.Li(sentence) for sentence in said]) if said else None,
            cautions_box(code.cautions),
            *(_frame(frame, units) for frame in _different(drive.freeze_frames) if frame.code == code.code),
        ],
        className="found-code",
    )


def _other_frames(drive: Drive, found: Sequence[FoundCode], units: str) -> list[Component]:
    """Frames that belong to none of the codes shown; they may outlive the reading of their code."""
    shown = {one.code for one in found if one.explanation is not None}
    return [_frame(frame, units) for frame in _different(drive.freeze_frames) if frame.code not in shown]


def _different(frames: Sequence[FreezeFrame]) -> list[FreezeFrame]:
    """Each frame once; one drive often reads the same frame several times."""
    found: list[FreezeFrame] = []
    for frame in frames:
        if not any((one.ecu, one.code, one.values) == (frame.ecu, frame.code, frame.values) for one in found):
            found.append(frame)
    return found


def _frame(frame: FreezeFrame, units: str) -> Component:
    whose = frame.code or "a code that was not told"
    rows = [(signal_name(key), _value(key, value, units)) for key, value in frame.values.items()]
    table = text_table(("Value of that moment", "It was"), rows)
    return html.Details([html.Summary(f"Freeze frame of {whose}"), table if rows else html.P("It holds no values.")])


def _value(key: str, value: float, units: str) -> str:
    parameter = PARAMETER_BY_KEY.get(key)
    if parameter is None:
        return wording.number(value)
    if parameter.states:
        return parameter.states.get(int(value), f"state {value:g}, not defined")
    return wording.quantity(value, parameter.unit, units)
