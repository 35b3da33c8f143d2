"""The sections of a drive's page around its picture: facts, problems, the choice of signals, numbers, events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import dash_mantine_components as dmc
import numpy as np
from dash import html
from dash.development.base_component import Component

from dashboards import wording
from dashboards.components import labelled, notice
from dashboards.drawing import Picture
from dashboards.panels import ordered_keys, signal_name
from dashboards.pictures import flag_words
from dashboards.sessions import LoadedDrive
from dashboards.tables import row, table
from obdwatch.curves.states import Stretches
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.planning.words import sentence
from obdwatch.records import Drive, FloatArray, Mark, MarkKind
from obdwatch.signals.masks import WARM_COOLANT
from obdwatch.units import screen_unit, to_screen

MOST_EVENTS = 200
HEADS = ("Signal", "Lowest", "Middle", "Highest", "Samples")
# Around an event, as much as a reader needs to see what led to it [s].
AROUND_EVENT = 60.0


def driven(loaded: LoadedDrive, units: str) -> str:
    """How long and how far; empty where nothing was recorded."""
    seconds = wording.drive_length(loaded.drive)
    parts = (wording.length(seconds) if seconds > 0 else "", wording.distance(loaded.drive, units))
    return ", ".join(part for part in parts if part)


def about(loaded: LoadedDrive, units: str) -> str:
    """The facts of a recording in one line."""
    session = loaded.session
    signals = sum(1 for trace in loaded.traces.values() if trace.times.size)
    how = [part for part in (session.adapter, session.protocol) if part]
    facts = [
        f"odometer {wording.quantity(session.odometer_km, 'km', units)}" if session.odometer_km is not None else "",
        f"{wording.count(signals, 'signal')}, {wording.count(loaded.samples, 'sample')}",
        "imported" if session.origin == "imported" else f"recorded{' through ' + ', '.join(how) if how else ''}",
        f"note: {session.note}" if session.note.strip() else "",
    ]
    return " · ".join(fact for fact in facts if fact)


AFTER_DAMAGE = (
    "If the recording is still on the device that made it, copy it from there once more and take it in again; a memory"
    " card that has damaged a file is not to be trusted."
)


def problems(remarks: Sequence[str]) -> list[Component]:
    """What is wrong with the recording itself, and what to do where its file was damaged."""
    if not remarks:
        return []
    advice = [AFTER_DAMAGE] if any("damaged" in one or "its end is missing" in one for one in remarks) else []
    return [notice("About this recording", [*map(_remark, remarks), *advice])]


def _remark(text: str) -> str:
    """A remark as a sentence; where it is about a signal, with the name that the reader knows."""
    key, colon, rest = text.partition(": ")
    return sentence(f"{signal_name(key)}: {rest}" if colon and key.partition("@")[0] in PARAMETER_BY_KEY else text)


def chooser(loaded: LoadedDrive, chosen: Sequence[str]) -> Component:
    """Which signals are drawn."""
    keys = [key for key in ordered_keys(loaded.drive.signals) if loaded.traces[key].times.size]
    return html.Details(
        [
            html.Summary("Choose signals"),
            dmc.CheckboxGroup(
                html.Div([dmc.Checkbox(signal_name(key), value=key) for key in keys], className="chooser"),
                value=[key for key in keys if key in chosen],
                id="chosen",
                label="Signals to draw",
                classNames={"label": "unseen"},
            ),
        ]
    )


def shown_part(picture: Picture, length: float) -> str:
    """Which part of a drive of `length` [s] is drawn, for the eye and for the ear after a button was pressed."""
    window = picture.window
    if window.start <= 0.0 and window.end >= length:
        return "Shown: the whole drive"
    return f"Shown: {wording.clock_time(window.start)} to {wording.clock_time(window.end)}"


def view_buttons(shown: str) -> Component:
    """Moving along the drive without a mouse; a mouse drags over the part to see."""
    buttons = [
        ("whole", "Whole drive"),
        ("closer", "Closer"),
        ("wider", "Wider"),
        ("earlier", "Earlier"),
        ("later", "Later"),
    ]
    return html.Div(
        [
            *(html.Button(text, id={"type": "move", "way": way}, type="button") for way, text in buttons),
            html.Span("or drag over the part you want to see", className="quiet only-wide"),
            html.Span(shown, id="shown-part", role="status"),
        ],
        className="view-buttons",
        role="group",
        **labelled("Part of the drive"),
    )


STATE_WORDS = {
    "warm": "coolant at {} or more",
    "steady": "engine speed, road speed and load nearly the same for five seconds",
    "overrun": "the car drives the engine and no fuel is injected",
}


def states_choice(states: Sequence[Stretches], shown: bool, units: str) -> Component:
    """Whether the states of the engine are drawn below the signals, and what their names mean."""
    box: Component = dmc.Checkbox(
        "Show when the engine was warm, driven steadily, on overrun", id="states", checked=shown, disabled=not states
    )
    warm = wording.quantity(WARM_COOLANT, "degC", units)
    meant = [f"{one.name}: {STATE_WORDS[one.name].format(warm)}" for one in states]
    words = f"{'; '.join(meant)}." if meant else "This drive does not show such a state."
    return html.Div([box, html.P(words[0].upper() + words[1:], className="quiet")], className="states")


def values_table(loaded: LoadedDrive, picture: Picture) -> list[Component]:
    """The picture in numbers: what each signal did in the visible part; also for whoever cannot see the picture."""
    window = picture.window
    keys = [key for panel in picture.panels for key in panel.keys]
    if not keys:
        return [html.P("No signal is chosen.", className="quiet")]
    part = f"From {wording.clock_time(window.start)} to {wording.clock_time(window.end)}"
    return [table(HEADS, [_values_row(loaded, key, picture) for key in keys], "numbers in-line", part)]


def _values_row(loaded: LoadedDrive, key: str, picture: Picture) -> Component:
    trace, unit = loaded.traces[key], loaded.drive.signals[key].unit
    first = int(np.searchsorted(trace.times, picture.window.start, side="left"))
    values = trace.values[first : int(np.searchsorted(trace.times, picture.window.end, side="right"))]
    cells = _cells(values, unit, picture.states.get(key, {}), picture.screen.units)
    name = screen_unit(unit, picture.screen.units).name
    return row(HEADS, f"{signal_name(key)}{f', {name}' if name else ''}", [*cells, f"{values.size:,}"])


def _cells(values: FloatArray, unit: str, named: Mapping[int, str], units: str) -> list[str]:
    """Lowest, middle and highest; of states, which have no order, only the one that was there most."""
    if not values.size:
        return ["–", "–", "–"]
    if named:
        states, counts = np.unique(values, return_counts=True)
        most = states[counts.argmax()]
        return ["–", f"mostly {named.get(int(most), wording.number(float(most)))}", "–"]
    points = (float(values.min()), float(np.median(values)), float(values.max()))
    return [wording.number(to_screen(point, unit, units)) for point in points]


def happened(drive: Drive) -> list[Mark]:
    """What happened during the recording, in order; that it ended is no event."""
    return sorted((mark for mark in drive.marks if mark.kind is not MarkKind.END), key=lambda mark: mark.t)


def events(drive: Drive) -> list[Component]:
    """What happened during the recording, each with a way to see it in the picture."""
    marks = happened(drive)
    if not marks:
        return []
    rows: list[Component] = []
    for number, mark in enumerate(marks[:MOST_EVENTS]):
        place = {
            "type": "place",
            "finding": f"event {number}",
            "start": max(mark.t - AROUND_EVENT, 0.0),
            "end": mark.t + mark.duration + AROUND_EVENT,
        }
        at = html.Button(wording.clock_time(mark.t), id=place, type="button", className="place")
        detail = f": {mark.text}" if mark.text and mark.kind is not MarkKind.NOTE else ""
        rows.append(html.Li([at, f" {flag_words(mark)}{detail}"]))
    if len(marks) > MOST_EVENTS:
        rows.append(html.Li(f"and {len(marks) - MOST_EVENTS:,} more"))
    return [
        html.Section(
            [html.H2("What happened on the way", id="events-heading", tabIndex=-1), html.Ul(rows, className="events")]
        )
    ]
