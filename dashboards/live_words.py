"""What the page of a running recording says: values, what the drive has shown, what is left to drive, dangers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards import wording
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.explanations.coverage_words import NO_SCREEN, next_drive_words
from obdwatch.explanations.findings import HOT_COOLING, explain
from obdwatch.live_recording import Warned
from obdwatch.records import Finding, PollClass, Urgency
from obdwatch.reporting.holding import held
from obdwatch.signals.coverage import Coverage
from obdwatch.signals.next_drive import CRUISE_WANTED, IDLE_WANTED, OVERRUN_WANTED, NextDrive, Step, next_drive
from obdwatch.signals.remaining_drive import EVERYTHING, for_another_day, remaining
from obdwatch.units import quantity, screen_unit

LAMP = "The engine lamp has come on."
LAMP_TOLD = "The car has stored a trouble code. A lamp that flashes means misfire: ease off and stop where it is safe."
HOTTEST = "hottest_coolant"  # as the warning of the cooling detector calls it
WATCHED = frozenset({PollClass.FAST, PollClass.MEDIUM, PollClass.SLOW})
WHOLE = frozenset({"1/min", "count", "km", "s", "min"})  # nobody reads fractions of these
VOLTS = 2  # digits of a voltage that no parameter table describes

# A line is never drawn higher than this stretch of its unit (J1979), so that a steady value looks steady.
LEAST_STRETCH = {
    "degC": 10.0,
    "%": 10.0,
    "1/min": 500.0,
    "km/h": 20.0,
    "V": 1.0,
    "kPa": 10.0,
    "g/s": 5.0,
    "deg BTDC": 10.0,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """One thing that a drive can show: its name, how much of it was seen, and whether that is enough."""

    name: str
    words: str
    enough: bool


def digits(key: str) -> int:
    """How many digits after the point a value of this signal has; steady, so that a changing number does not jump."""
    parameter = PARAMETER_BY_KEY.get(key.partition("@")[0])
    if parameter is None:
        return VOLTS
    if parameter.unit in WHOLE:
        return 0
    return 0 if parameter.scale >= 1 else 1 if parameter.scale >= 0.05 else 2


def states_of(key: str) -> bool:
    """Whether the values of a signal are names of states, which no line can show."""
    parameter = PARAMETER_BY_KEY.get(key.partition("@")[0])
    return parameter is not None and bool(parameter.states)


def moves(key: str) -> bool:
    """Whether a signal is one to watch: read often, of the engine's own control unit, and no name of a state."""
    base, _, other = key.partition("@")
    parameter = PARAMETER_BY_KEY.get(base)
    if parameter is None:
        return not other
    return not other and not parameter.states and parameter.poll_class in WATCHED


def value_words(key: str, unit: str, value: float, units: str) -> str:
    """A value with its unit; an enumeration by the name of its state."""
    parameter = PARAMETER_BY_KEY.get(key.partition("@")[0])
    if parameter is not None and parameter.states:
        return parameter.states.get(int(value), f"state {value:g}, not defined")
    text = quantity(value, "" if unit == "count" else unit, units, digits(key))
    return text.replace("-", "−", 1) if text.startswith("-") else text


def least_stretch(unit: str, units: str) -> float:
    """The least height of a line's picture, in the unit on the screen."""
    return LEAST_STRETCH.get(unit, 1.0) * screen_unit(unit, units).factor


def seen_words(seen: Coverage) -> tuple[Seen, ...]:
    """What the drive has shown so far, against what is usually asked for."""
    cold = {True: "yes", False: "no: the engine was still warm", None: "not known"}[seen.soaked_cold_start]
    return (
        Seen("Cold start", cold, seen.soaked_cold_start is True),
        Seen("The starter turning", "recorded" if seen.cranking_captured else "not recorded", seen.cranking_captured),
        Seen("Warming up", "seen to the end" if seen.warm_up_reached else "not seen yet", seen.warm_up_reached),
        _timed("Steady driving", seen.steady_cruise, 60.0 * CRUISE_WANTED),
        _timed("Rolling with the foot off", seen.overrun, OVERRUN_WANTED),
        _timed("Idling warm", seen.idle_warm, 60.0 * IDLE_WANTED),
    )


def _timed(name: str, seconds: float, wanted: float) -> Seen:
    enough = seconds >= wanted
    if seconds < 1.0:
        return Seen(name, "not seen yet", False)
    if enough:
        return Seen(name, wording.length(seconds), True)
    done = int(seconds / 60.0) if wanted >= 120.0 else int(seconds)
    return Seen(name, f"{done} of {wording.length(wanted)}", False)


def wanted_drive(findings: Sequence[Finding], units: str) -> NextDrive:
    """What earlier drives left open, or what is worth driving with a car of which nothing is known yet."""
    return next_drive(wording.explained(findings, units)) if findings else EVERYTHING


def left_to_drive(wanted: NextDrive, seen: Coverage, units: str) -> tuple[str, ...]:
    """What is left of the wanted drive, a sentence each."""
    left = remaining(wanted, seen)
    minutes = next((wish.minutes for wish in left.wishes if wish.step is Step.DRIVE_WARM), None)
    rest = NextDrive(wishes=tuple(w for w in left.wishes if w.step is not Step.DRIVE_WARM), others=left.others)
    first = [f"Drive on for {wording.length(60.0 * minutes)}."] if minutes else []
    return (*first, *_sentences(rest, units))


def later_words(wanted: NextDrive, seen: Coverage, units: str) -> tuple[str, ...]:
    """What this drive cannot give any more."""
    return _sentences(for_another_day(wanted, seen), units)


def _sentences(drive: NextDrive, units: str) -> tuple[str, ...]:
    said = next_drive_words(drive, units)
    return tuple(held(one.replace(" for 1 minutes", " for 1 minute")) for one in said if one != NO_SCREEN)


def danger_words(found: Finding, units: str) -> tuple[str, tuple[str, ...]]:
    """A danger in the fewest words: what it is; what to do, and what not to do afterwards."""
    words = explain(found, units)
    return words.headline, tuple(dict.fromkeys((*words.cautions[:1], HOT_COOLING)))


def warned_words(warned: Warned, units: str) -> str:
    """One line of the list of warnings."""
    at = wording.clock_time(warned.t)
    if warned.finding is None:
        return f"{at}: {LAMP} {LAMP_TOLD}"
    title = danger_words(warned.finding, units)[0].rstrip(".")
    hottest = [one for one in warned.finding.measures if one.name == HOTTEST]
    how = f" (coolant {wording.quantity(hottest[0].value, hottest[0].unit, units)})" if hottest else ""
    return held(f"{at}: {title}{how}.")


def urgency_of(warned: Warned) -> str:
    """How urgent a warning is, as the browser knows it: stop or soon."""
    return "stop" if warned.finding is not None and warned.finding.urgency is Urgency.STOP else "soon"
