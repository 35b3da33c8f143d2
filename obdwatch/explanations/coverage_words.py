"""The next drive in words: a few steps in the order in which they are driven, for someone who has the key in hand."""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.explanations.wording import in_units
from obdwatch.signals.next_drive import NextDrive, Step
from obdwatch.units import quantity

USUAL_DRIVE, USUAL_STEADY, USUAL_IDLE = 20.0, 5.0, 2.0  # min, where nobody asks for a time
NO_SCREEN = "Let it record, and look afterwards: never watch or touch a screen while driving."
DRIVEN = frozenset({Step.DRIVE_WARM, Step.STEADY, Step.ROLL_OUTS, Step.BRISK, Step.FULL_THROTTLE, Step.STAND_OVERNIGHT})


def next_drive_words(drive: NextDrive, units: str = "metric") -> tuple[str, ...]:
    """Return the steps of the next drive as sentences in order, in `units` (metric, us); empty where none is needed."""
    steps = {wish.step: wish.minutes for wish in drive.wishes}
    said = [_sentence(in_units(text, units)) for text in drive.first]
    if drive.signals:
        said.append(f"See that these are recorded: {', '.join(drive.signals)}.")
    for step in sorted(steps):
        text = _step(step, steps, units)
        said += [text] if text else []
    said += [_sentence(in_units(text, units)) for text in drive.others]
    return (*said, NO_SCREEN) if DRIVEN & set(steps) else tuple(said)


def _step(step: Step, steps: Mapping[Step, float | None], units: str) -> str:
    """One step; a step that another one covers is silent."""
    minutes = steps[step]
    if step is Step.STAND_OVERNIGHT:
        return _cold(steps)
    if step is Step.IDLE:
        return "" if Step.UNTIL_FAN in steps else _idle(minutes or USUAL_IDLE)
    fast, slow = quantity(80.0, "km/h", units, 0), quantity(40.0, "km/h", units, 0)
    long = max(minutes or 0.0, USUAL_DRIVE)
    steady = f"{quantity(60.0, 'km/h', units, 0).split()[0]} to {quantity(100.0, 'km/h', units, 0)}"
    return {
        Step.FEWER_SIGNALS: "Record few signals besides those asked for, so that each is read more often.",
        Step.IGNITION_FIRST: ""
        if Step.STAND_OVERNIGHT in steps
        else "Start the recording with the ignition on, ten seconds before you start the engine.",
        Step.WITHOUT_LOAD: "Go without a trailer and without long climbs.",
        Step.DRIVE_WARM: f"Drive for {long:.0f} minutes, until the gauge has long stood still.",
        Step.STEADY: f"Hold a steady {steady} for {minutes or USUAL_STEADY:.0f} minutes, where it is legal.",
        Step.ROLL_OUTS: f"Roll out in gear a few times, foot off the pedal, from {fast} to {slow}, when nobody is close"
        " behind.",
        Step.BRISK: "Accelerate briskly a few times, or take some hills.",
        Step.FULL_THROTTLE: "Only where it is legal and safe: twice full throttle in one gear, from 2,000 rpm to near"
        " the red line, within the speed limit.",
        Step.CONSUMERS_OFF: "Stand in the open air, switch off heaters, blower and lights, and hold 2,000 rpm for two"
        " minutes.",
        Step.UNTIL_FAN: "Stand in the open air and let the hot engine idle until the radiator fan has started and"
        f" stopped. Switch off at once if the coolant passes {quantity(110.0, 'degC', units, 0)}.",
        Step.READ_RESULTS: "At the end read the car's own test results ('obdwatch check').",
        Step.READ_CODES: "" if Step.READ_RESULTS in steps else "At the end read the trouble codes ('obdwatch check').",
        Step.AGAIN: "Record such a drive again from time to time, with the odometer reading: a trend needs many.",
    }[step]


def _cold(steps: Mapping[Step, float | None]) -> str:
    wait = ", ten seconds before you start the engine" if Step.IGNITION_FIRST in steps else " before you start"
    return f"Let the car stand overnight, without a block heater. Start the recording with the ignition on{wait}."


def _idle(minutes: float) -> str:
    return (
        f"Stand in the open air and let the warm engine idle for {minutes:.0f} minutes in neutral, with lamps and air"
        " conditioning off."
    )


def _sentence(text: str) -> str:
    text = text.strip().rstrip(".;:")
    return f"{text[0].upper()}{text[1:]}."
