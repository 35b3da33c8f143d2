"""The evidence: the place in the drive of each fault, how suspicion grew, and the numbers that are followed."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from obdwatch.car_risks import known_over_time
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.explanations.part_names import part_name
from obdwatch.explanations.wording import URGENCY_SENTENCES, pointing_words
from obdwatch.parts.risk_words import percent
from obdwatch.records import Drive, EventKind, Finding, MarkKind, PartRisk, Signal, Span
from obdwatch.reporting.document import Block, Bullets, Paragraph, Section, Subheading, Tone
from obdwatch.reporting.facts import CarFacts, Place
from obdwatch.reporting.followed_numbers import followed_blocks
from obdwatch.reporting.plots import (
    ROOM,
    Axis,
    Band,
    Curve,
    Mark,
    Plot,
    Stroke,
    date_axis,
    days_of,
    minutes_axis,
    number_axis,
    percent_axis,
    reach,
)
from obdwatch.reporting.thinning import thinned
from obdwatch.reporting.words import capital, drive_of, odometer
from obdwatch.units import screen_unit, to_screen

MOST_GROWN = 4
CLOSE_UP = 0.1  # of a drive; a place shorter than this is drawn with its surroundings and not in the whole drive
AROUND = 3.0  # times the length of a place, before and after it
SHORTEST_VIEW = 60.0  # s
HOLES = frozenset({MarkKind.GAP, MarkKind.LINK_LOST, MarkKind.RECONNECT, MarkKind.ASLEEP})
TRIMS = ("long_term_fuel_trim_bank_1", "short_term_fuel_trim_bank_1")
VOLTAGES = ("control_module_voltage", "adapter_voltage")

# What a mechanic would look at for each question, the most telling first; the first that was recorded is drawn.
SHOWN: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "air_filling": ("absolute_load", "air_flow", "intake_manifold_pressure"),
        "cam_timing": ("engine_speed",),
        "catalyst": ("oxygen_sensor_voltage_bank_1_sensor_2", "oxygen_sensor_voltage_bank_2_sensor_2"),
        "charging": VOLTAGES,
        "cooling": ("coolant_temperature", "coolant_temperature_sensor_1"),
        "cranking": VOLTAGES,
        "fuel_trims": TRIMS,
        "idle_quality": ("engine_speed", "intake_manifold_pressure"),
        "ignition_timing": ("timing_advance",),
        "misfire": ("engine_speed",),
        "oxygen_sensors": (
            "oxygen_sensor_voltage_bank_1_sensor_1",
            "oxygen_sensor_equivalence_ratio_bank_1_sensor_1",
        ),
        "rationality": ("coolant_temperature", "intake_manifold_pressure", "air_flow"),
        "warm_up": ("coolant_temperature",),
    }
)


def evidence_section(facts: CarFacts) -> Section:
    """Word the faults with their places, how suspicion grew, and the followed numbers."""
    blocks: list[Block] = []
    shown = {(id(place.finding)) for place in facts.places}
    for place in facts.places:
        blocks += _fault(facts, place)
    for finding in facts.faults:
        if id(finding) not in shown and facts.latest is not None:
            blocks += _fault(facts, Place(facts.latest, finding, None))
    if not blocks:
        blocks.append(Paragraph("No fault was found in a drive, so there is no place to show."))
    grown = [plot for risk in facts.suspected[:MOST_GROWN] if (plot := growth_plot(facts, risk)) is not None]
    if grown:
        blocks += [Subheading("How the suspicion grew"), *grown]
    return Section("The evidence", (*blocks, *followed_blocks(facts)))


def _fault(facts: CarFacts, place: Place) -> list[Block]:
    finding = place.finding
    urgency = f" {URGENCY_SENTENCES[finding.urgency]}" if finding.urgency is not None else ""
    blocks: list[Block] = [
        Subheading(finding.headline),
        Paragraph(f"Found in {drive_of(place.session, facts.units)}. {pointing_words(finding)}{urgency}", Tone.QUIET),
        Bullets(finding.reasons),
    ]
    plot = place_plot(place, facts.units)
    return [*blocks, plot] if plot is not None else blocks


def place_plot(place: Place, units: str) -> Plot | None:
    """Draw the signal a fault shows in, with its places marked; None without a place, a recording or the signal."""
    drive = place.drive
    signal = _signal(drive, place.finding) if drive is not None else None
    if drive is None or signal is None or not place.finding.spans:
        return None
    start, end = view(drive, place.finding.spans)
    times, values = thinned(signal, start, end, _holes(drive))
    shown = np.array([to_screen(value, signal.unit, units) for value in values])
    unit = screen_unit(signal.unit, units).name
    name = signal_name(signal.key)
    spans = [span for span in place.finding.spans if span.end > start and span.start < end]
    said = "; ".join(f"{_minutes(span)}{f' ({span.text})' if span.text else ''}" for span in spans)
    return Plot(
        title=f"{name} in {drive_of(place.session, units)}",
        words=f"{name} over time. Marked: {said}.",
        x=minutes_axis(start, end),
        y=number_axis(f"{name}, {unit}" if unit else name, *reach(shown), room=ROOM),
        curves=(Curve(times, shown),),
        bands=tuple(Band(max(span.start, start), min(span.end, end), span.text) for span in spans),
    )


def _minutes(span: Span) -> str:
    return f"{_clock(span.start)} to {_clock(span.end)}"


def _clock(seconds: float) -> str:
    whole = round(max(seconds, 0.0))
    return f"{whole // 60}:{whole % 60:02d}"


def view(drive: Drive, spans: tuple[Span, ...]) -> tuple[float, float]:
    """Return what to draw [s]: the whole drive, or the surroundings of places that would be a hair's breadth in it."""
    ends = [float(one.times[-1]) for one in drive.signals.values() if len(one.times)]
    whole = (0.0, max([*ends, 1.0]))
    first, last = min(span.start for span in spans), max(span.end for span in spans)
    if last - first >= CLOSE_UP * whole[1]:
        return whole
    around = max(AROUND * (last - first), (SHORTEST_VIEW - (last - first)) / 2.0)
    return max(first - around, 0.0), min(last + around, whole[1])


def _signal(drive: Drive, finding: Finding) -> Signal | None:
    keys = SHOWN.get(finding.detector, ())
    return next(
        (drive.signals[key] for key in keys if key in drive.signals and len(drive.signals[key].times) > 1), None
    )


def _holes(drive: Drive) -> list[tuple[float, float]]:
    return [(mark.t, mark.t + mark.duration) for mark in drive.marks if mark.kind in HOLES]


def signal_name(key: str) -> str:
    """Return the name of a signal, that of SAE J1979 where it has one."""
    parameter = PARAMETER_BY_KEY.get(key)
    return capital(parameter.name if parameter is not None else key.replace("_", " "))


def growth_plot(facts: CarFacts, risk: PartRisk) -> Plot | None:
    """Draw how likely a part was worn after each drive, with its renewals; None with fewer than two drives.

    Today is a further point where something was learnt after the last drive.
    """
    part = risk.part
    dated = known_over_time(facts.grown, part, risk.degraded, facts.made_at, facts.events)
    if not dated:
        return None
    by_distance = all(km is not None for _, km, _ in dated)
    unit = screen_unit("km", facts.units).name

    def place(at: float, km: float | None) -> float:
        return to_screen(km, "km", facts.units) if by_distance and km is not None else at

    xs = np.array([place(days_of(at), km) for at, km, _ in dated])
    ys = np.array([share for _, _, share in dated])
    low, high = float(xs.min()), float(xs.max())
    x: Axis = number_axis(f"odometer, {unit}", low, high, 0.02) if by_distance else date_axis(low, high, 0.02)
    renewed = [
        Mark(at, "renewed")
        for event in facts.events
        if event.kind is EventKind.REPAIR
        and (event.part or "").partition(":")[0] == part
        and not (by_distance and event.odometer_km is None)
        and x.low <= (at := place(days_of(event.at), event.odometer_km)) <= x.high
    ]
    name = capital(part_name(part))
    return Plot(
        title=f"{name}: probability of being worn, by what was known after each drive, and today",
        words=f"{name}: from {percent(float(ys[0]))} after the first drive, at "
        f"{odometer(dated[0][1], facts.units)}, to {percent(float(ys[-1]))} today.",
        x=x,
        y=percent_axis("probability of being worn"),
        curves=(Curve(xs, ys, Stroke.STEPS), Curve(xs, ys, Stroke.POINTS)),
        places=tuple(renewed),
    )
