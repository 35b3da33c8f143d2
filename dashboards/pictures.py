"""From a loaded drive to what is drawn of it: the views of its signals, its findings as bands, its events as lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dashboards.downsampling import view_of
from dashboards.drawing import Band, Flag, Picture, Screen, Window
from dashboards.panels import Panel
from dashboards.sessions import LoadedDrive
from dashboards.wording import MARK_WORDS, explained, length, shortened
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.records import Drive, Finding, Mark, MarkKind, Verdict

# Which place of a finding the reader asked to see: index of the finding, start of the span [s]. A browser says it.
Asked = tuple[Any, Any] | None


def picture_of(
    loaded: LoadedDrive, panels: Sequence[Panel], window: Window, asked: Asked, screen: Screen, states: bool = False
) -> Picture:
    """Cut the picture of `window`, with the place `asked` for brought out; `states` adds those of the engine."""
    keys = [key for panel in panels for key in panel.keys]
    return Picture(
        panels=tuple(panels),
        views={key: view_of(loaded.traces[key], window.start, window.end, screen.points) for key in keys},
        states=states_of(keys),
        window=window,
        bands=bands_of(explained(loaded.findings, screen.units), asked),
        flags=flags_of(loaded.drive),
        lane=bool(loaded.drive.marks) or any(finding.spans for finding in loaded.findings),
        screen=screen,
        states_shown=loaded.states if states else (),
    )


def states_of(keys: Sequence[str]) -> dict[str, Mapping[int, str]]:
    """Names of the values of those signals that are states and not quantities."""
    named = {key: PARAMETER_BY_KEY.get(key.partition("@")[0]) for key in keys}
    return {key: parameter.states for key, parameter in named.items() if parameter is not None and parameter.states}


def bands_of(findings: Sequence[Finding], asked: Asked) -> tuple[Band, ...]:
    """The places of faults, and the one place that the reader asked to see, of whatever finding."""
    return tuple(
        Band(span.start, span.end, shortened(span.text or finding.headline, 60), chosen=(index, span.start) == asked)
        for index, finding in enumerate(findings)
        for span in finding.spans
        if finding.verdict is Verdict.FAULT or (index, span.start) == asked
    )


def flags_of(drive: Drive) -> tuple[Flag, ...]:
    """What happened during the recording, in order of time; its end needs no line."""
    ordered = sorted((mark for mark in drive.marks if mark.kind is not MarkKind.END), key=lambda mark: mark.t)
    return tuple(Flag(mark.t, flag_words(mark)) for mark in ordered)


def flag_words(mark: Mark) -> str:
    """A mark in a few words, with how long it lasted."""
    words = mark.text if mark.kind is MarkKind.NOTE and mark.text else MARK_WORDS[mark.kind]
    return f"{words}, {length(mark.duration)}" if mark.duration >= 1.0 else words
