"""Does the engine misfire, in which cylinder, and when? The car's own counters judged as shares of its firings.

Without counters the codes of the car and the evenness of its warm idle say a little; the confidence says how little.
A few misfires are normal in every engine; below the thresholds of the regulations nothing is raised unless a cylinder
stands out from its neighbours and from its own past.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.misfire_evidence import LOW_FUEL, Evidence, gather
from obdwatch.detectors.misfire_fuel import DRIVE_TO_GET as NEW_FUEL
from obdwatch.detectors.misfire_fuel import is_new_fuel, lean_alike
from obdwatch.detectors.misfire_idle import DEAD_CYLINDER, ROUGH
from obdwatch.detectors.misfire_measures import learnt_of, measures_of, spans_of
from obdwatch.detectors.misfire_past import REPAIRS, has_grown
from obdwatch.detectors.misfire_pattern import STANDS_OUT, Pattern, guilty, pattern_of, stands_out
from obdwatch.part_ages import repairs
from obdwatch.physics.misfire import (
    CATALYST_PERCENT,
    CATALYST_WINDOW,
    EMISSION_PERCENT,
    EMISSION_WINDOW,
    misfire_percent,
)
from obdwatch.records import Car, Drive, Finding, FloatArray, History, Urgency, Verdict

NAME = "misfire"
USES: frozenset[str] = frozenset({"engine_speed"})

FEWEST = 20.0
"""Misfires from which anything is raised: what 1 % of 1,000 revolutions is with four cylinders."""

SUSTAINED = 5
"""Windows of 200 revolutions with catalyst-damaging misfire, together the 1,000 of the other window, from which the car
must not be driven on while it lasts."""

CERTAIN = 100.0
"""Misfires that a code for a cylinder stands for: so many that no chance names it; the code tells no number."""

OCCASIONS = 3.0
"""Fewer occasions than these are chance events, a rough road or a stumble, and no condition can be read from them."""

FEWEST_ROUNDS = 10
"""Readings from which "between two readings" means a short time: five minutes at one in half a minute."""

OWN_PERCENT = EMISSION_PERCENT
"""Share of its own firings [%] that a cylinder must miss over a whole drive to be more than something to watch."""

EXCEEDANCES = 4
"""Windows of 1,000 revolutions above the threshold in one drive from which a car itself must note misfire that began
after the start (13 CCR 1968.2, from memory)."""

HALF_FLOOR = EMISSION_PERCENT / 2.0
"""Misfire [%] in the worst 1,000 revolutions which readings too far apart may have thinned out from the floor."""

COARSE = 5.0 * EMISSION_WINDOW
"""Revolutions between readings from which the worst window says little more than the mean."""

MEAN_FLOOR = EMISSION_PERCENT / 10.0
"""Mean misfire [%] between readings so far apart: what is confined to a tenth of the turns (idle, full load) then
reaches the floor there."""

ROUGHER = 2.0
"""Scatter of idle over the car's own highest healthy one, beyond the 15 % by which a scatter is known."""

DRIVES_KNOWN = 3
"""Earlier drives that make a past of idle scatter: fewer do not show how it varies."""

SEVERAL_CYLINDERS = "P0300"
"""The car's own code for misfires in several cylinders by turns (SAE J2012)."""

DRIVE_TO_GET = {
    "diesel": "Nothing: this check is for petrol engines.",
    "engine_missing": "Record engine speed (parameter 0C) and the misfire counters with the engine running.",
    "too_short": "Record a drive of at least ten minutes with idling, steady driving and some full acceleration.",
    "not_run": "Drive 20 minutes from a cold start, with idling and acceleration, and read the counters at the end.",
    "no_counters": "Read the trouble codes too, and record ten minutes of warm idle with few parameters.",
    "read_once": "Read the misfire counters again and again during one drive, from the start of the engine on.",
    "new_fuel": NEW_FUEL,
    "speed_missing": "Record engine speed (parameter 0C) together with the misfire counters.",
}
"""What to drive or do, by what was missing."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict before its numbers are attached; `pattern` names cylinders and parts where it is a fault."""

    verdict: Verdict
    signature: str = ""
    urgency: Urgency | None = None
    confidence: float = 0.0
    pattern: Pattern | None = None


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the misfires of one drive; pure.

    The finding's `signature` is the name of a pattern (`one_cylinder`, `coil_pair`, `two_neighbours`, `one_bank`,
    `two_cold`, `two_cylinders`, `all_under_load`, `all_at_idle`, `all_at_light_load`, `all_cold`, `all_cylinders`,
    `unknown_cylinders`), `low_fuel`, `earlier_drives`, `rough_idle`, or `code_` and a pattern where only a code tells;
    `one_burst` on a healthy drive; with not_enough_data one of `DRIVE_TO_GET`: `new_fuel` where it does misfire.
    """
    if burns_lean(drive, car):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, "diesel", drive_to_get=DRIVE_TO_GET["diesel"])
    seen = gather(drive, car, history, NAME)
    judgement = _judge(seen, car, history)
    if _is_the_fuel(judgement, seen, drive, car, history):
        judgement = Judgement(Verdict.NOT_ENOUGH_DATA, "new_fuel")
    return Finding(
        detector=NAME,
        verdict=judgement.verdict,
        signature=judgement.signature,
        urgency=judgement.urgency,
        confidence=round(judgement.confidence, 3),
        parts=judgement.pattern.parts if judgement.pattern is not None else (),
        measures=measures_of(drive, seen, judgement.pattern),
        spans=spans_of(seen) if judgement.verdict is Verdict.FAULT else (),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
        learnt=learnt_of(seen),
    )


def _judge(seen: Evidence, car: Car | None, history: History) -> Judgement:
    counted = seen.counters is not None and seen.counters.ran
    return (
        (_by_counts(seen, car) if counted else None)
        or _by_code(seen, car)
        or (_by_earlier(seen, car, history) if counted else _by_idle(seen))
        or _cleared(seen)
    )


def _is_the_fuel(judgement: Judgement, seen: Evidence, drive: Drive, car: Car | None, history: History) -> bool:
    """Whether what misfires, cylinder by cylinder alike, does so since another fuel was filled in.

    A cylinder that stands out has a fault of its own on any fuel, and what ruins the catalyst is never held back.
    """
    if judgement.verdict is not Verdict.FAULT or judgement.urgency is Urgency.STOP or judgement.pattern is None:
        return False
    by_turns = judgement.signature.startswith("code_") and SEVERAL_CYLINDERS in seen.codes
    if judgement.pattern.cylinders and not by_turns:
        return False
    trims = tuple(measure.value for measure in learnt_of(seen))
    return is_new_fuel(drive, car, history, trims, seen.scene.trim_growth)


def _by_counts(seen: Evidence, car: Car | None) -> Judgement | None:
    """What the counters of this drive say, None where they say nothing wrong."""
    counters, counts = seen.counters, seen.by_cylinder
    assert counters is not None
    total = float(counts.sum())
    pattern = _pattern(seen, counts, car)
    apart = stands_out(counts, pattern.cylinders, seen.scene.dispersions) < STANDS_OUT
    enough = total >= FEWEST
    burst = enough and not apart and _is_burst(seen)
    if enough and not burst and seen.catalyst is not None and seen.catalyst.value >= CATALYST_PERCENT:
        lasting = seen.ongoing and seen.blocks(CATALYST_WINDOW, CATALYST_PERCENT) >= SUSTAINED
        lasting &= not seen.scene.loads.mostly("idle")  # little fuel passes at idle: the catalyst bears more
        sure = 0.8 if seen.whole else 0.97
        # A mixture that is lean alike on every bank and at every load is the fuel's doing first: the tank is looked at
        # before any part.
        lean = lean_alike(seen.scene.trims, seen.scene.trim_growth, seen.percent or 0.0)
        fuel = not pattern.cylinders and lean
        urgency = Urgency.STOP if lasting else Urgency.NEXT_SERVICE if fuel else Urgency.SOON
        return Judgement(Verdict.FAULT, pattern.name, urgency, sure, pattern)
    if enough and (_reaches_emission_floor(seen) or counters.failed):
        return _emission(seen, pattern, apart=apart, burst=burst)
    if counters.failed:
        return Judgement(Verdict.FAULT, pattern.name, Urgency.NEXT_SERVICE, 0.8, pattern)
    grown = has_grown(counts, seen.seen_turns, pattern.cylinders, seen.past, counters.averages)
    named = sum(float(counts[one - 1]) for one in pattern.cylinders)
    if named >= FEWEST and apart and grown is not False:
        # The law counts all cylinders; one that misses so much of its own firings over a whole drive is no trifle.
        often = seen.seen_turns > 0.0 and misfire_percent(named, seen.seen_turns, len(pattern.cylinders)) >= OWN_PERCENT
        urgency = Urgency.NEXT_SERVICE if often else Urgency.WATCH
        return Judgement(Verdict.FAULT, pattern.name, urgency, 0.85 if grown else 0.7, pattern)
    window = seen.emission
    coarse = window is not None and window.seen >= COARSE
    least = MEAN_FLOOR if coarse else HALF_FLOOR
    near = window is not None and window.high >= EMISSION_PERCENT and window.value >= least
    if enough and near and grown and (coarse or seen.occasions >= OCCASIONS):
        return Judgement(Verdict.FAULT, pattern.name, Urgency.WATCH, 0.6, pattern)
    return None


def _is_burst(seen: Evidence) -> bool:
    """Whether nearly all misfires came at once, in a warm engine, and the car itself did not object."""
    assert seen.counters is not None
    if seen.codes or seen.counters.failed or seen.whole or len(seen.times) < FEWEST_ROUNDS:
        return False
    short = seen.blocks(CATALYST_WINDOW, CATALYST_PERCENT) <= 2
    return short and seen.occasions < OCCASIONS and not seen.scene.temperatures.mostly("cold_start")


def _emission(seen: Evidence, pattern: Pattern, *, apart: bool, burst: bool) -> Judgement:
    """Misfire above the emission threshold, or above the limit that the car itself has set."""
    assert seen.counters is not None
    objects = bool(seen.codes) or bool(seen.counters.failed)
    if burst:
        return Judgement(Verdict.HEALTHY, "one_burst", confidence=0.6)
    if not apart and not objects and seen.fuel_level is not None and seen.fuel_level <= LOW_FUEL:
        starved = Pattern("low_fuel", (), None, ("fuel_pump", "spark_plugs"))
        return Judgement(Verdict.FAULT, "low_fuel", Urgency.WATCH, 0.5, starved)
    blocks = seen.blocks(EMISSION_WINDOW, EMISSION_PERCENT)
    repeated = objects or blocks > 1
    # All cylinders alike, in no condition that explains it: a rough road shakes the crank like that.
    vague = pattern.name == "all_cylinders" and not objects
    if vague and blocks < EXCEEDANCES and seen.seen_turns >= EXCEEDANCES * EMISSION_WINDOW:
        return Judgement(Verdict.HEALTHY, "one_burst", confidence=0.5)
    urgency = Urgency.NEXT_SERVICE if (repeated or apart) and not vague else Urgency.WATCH
    if pattern.parts[:1] == ("head_gasket",) and seen.scene.temperatures.mostly("cold_start"):
        urgency = Urgency.SOON  # coolant in a cylinder ruins bearings and catalyst, and can lock the engine
    confidence = (0.93 if repeated and not vague else 0.6 if vague else 0.75) - (0.15 if seen.whole else 0.0)
    return Judgement(Verdict.FAULT, pattern.name, urgency, confidence, pattern)


def _reaches_emission_floor(seen: Evidence) -> bool:
    if seen.emission is not None:
        return seen.emission.value >= EMISSION_PERCENT
    return seen.percent is not None and seen.percent >= EMISSION_PERCENT


def _pattern(seen: Evidence, counts: FloatArray, car: Car | None) -> Pattern:
    if seen.counters is not None and not seen.counters.by_cylinder:
        found = pattern_of(np.ones(1), car, seen.scene)
        return Pattern("unknown_cylinders", (), None, found.parts)
    return pattern_of(counts, car, seen.scene)


def _by_code(seen: Evidence, car: Car | None) -> Judgement | None:
    """A misfire code of the car itself, where counters tell nothing or nothing more."""
    if not seen.codes:
        return None
    cylinders = max(seen.cylinders, *(int(code[3:]) for code in seen.codes))
    named = [CERTAIN * (f"P03{place:02d}" in seen.codes) for place in range(1, cylinders + 1)]
    pattern = pattern_of(np.array(named if any(named) else [1.0] * cylinders), car, seen.scene)
    urgency = Urgency.NEXT_SERVICE if seen.stored else Urgency.WATCH
    counted = seen.counters is not None and seen.counters.ran
    return Judgement(Verdict.FAULT, f"code_{pattern.name}", urgency, 0.6 if counted else 0.75, pattern)


def _by_earlier(seen: Evidence, car: Car | None, history: History) -> Judgement | None:
    """Cylinders that stood out in the car's own average over ten driving cycles, or before the recording began."""
    assert seen.counters is not None
    if repairs(history.events, REPAIRS):
        return None  # the average forgets a tenth per cycle: it may well be that of the part which was replaced
    standing = seen.counters.standing if len(seen.counts) == len(seen.counters.counts) else np.zeros(0)
    for counts in (np.nan_to_num(seen.counters.averages), standing):
        named = guilty(counts)
        inside = float(counts[[one - 1 for one in named]].sum()) if named else 0.0
        if inside >= FEWEST and stands_out(counts, named) < STANDS_OUT:
            found = pattern_of(counts, car, seen.scene)
            pattern = Pattern("earlier_drives", found.cylinders, found.bank, found.parts)
            return Judgement(Verdict.FAULT, "earlier_drives", Urgency.WATCH, 0.6, pattern)
    return None


def _by_idle(seen: Evidence) -> Judgement | None:
    """An idle that no sound engine has, or far rougher than this car's own."""
    idle, own = seen.idle, seen.past.scatter
    if idle is None or idle.hunts:
        return None
    rough = idle.scatter >= ROUGH
    rougher = len(own) >= DRIVES_KNOWN and idle.scatter > ROUGHER * max(own) and idle.scatter > DEAD_CYLINDER
    if not rough and not rougher:
        return None
    parts = ("ignition_coil", "spark_plugs", "fuel_injector", "intake_leak")
    return Judgement(
        Verdict.FAULT, "rough_idle", Urgency.WATCH, 0.6 if rougher else 0.4, Pattern("rough_idle", (), None, parts)
    )


def _cleared(seen: Evidence) -> Judgement:
    if seen.turned is None or float(seen.turned.revolutions.sum()) <= 0.0:
        missing = "engine_missing" if seen.counters is None or seen.turned is not None else "speed_missing"
        return Judgement(Verdict.NOT_ENOUGH_DATA, missing)
    if seen.counters is not None and seen.counters.ran:
        if seen.seen_turns >= EMISSION_WINDOW:
            loaded = seen.scene.loads.revolutions.get("loaded", 0.0) if seen.scene.loads.revolutions else None
            tried = seen.seen_turns >= 10.0 * EMISSION_WINDOW and loaded != 0.0
            return Judgement(Verdict.HEALTHY, confidence=(0.95 if tried else 0.8) - (0.2 if seen.whole else 0.0))
        once = len(seen.counters.times) < 2
        return Judgement(Verdict.NOT_ENOUGH_DATA, "read_once" if once else "too_short")
    if seen.codes_seen and float(seen.turned.revolutions.sum()) >= EMISSION_WINDOW:
        return Judgement(Verdict.HEALTHY, "no_codes", confidence=0.5)
    return Judgement(Verdict.NOT_ENOUGH_DATA, "not_run" if seen.counters is not None else "no_counters")
