"""Does the engine start as it should? Battery, starter and the time to the first firing, from key-on until it runs.

Slow with the voltage up is the starter or its cables, slow with the voltage deep the battery, a battery that rests low
is discharged. An unknown car is judged against wide physical limits, a known one against its own starts at equal engine
temperature.
"""

from __future__ import annotations

from obdwatch.detectors.cranking_past import FROM_ADAPTER, KEY_ON_DROP, NOTHING_FOUND, Own, Past, compare
from obdwatch.detectors.cranking_record import FEWEST, Start, prepare
from obdwatch.detectors.judgement import Judgement
from obdwatch.physics.cranking import WELL_CHARGED, load_test_floor, resting_charge, sag_ratio
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Urgency, Verdict

NAME = "cranking"

USES: frozenset[str] = frozenset({"engine_speed", "control_module_voltage", "adapter_voltage", "coolant_temperature"})
"""Signals the verdict rests on."""

UNKNOWN_TEMPERATURE = -18.0
"""Taken where the coolant is unknown [degC]: the mildest row of the table, so that no cold start is blamed."""

MODULE_DROP = 0.3
"""The control unit's own voltage is 0.2 to 0.5 V below the battery while the starter turns (common practice) [V]."""

MODULE_REST_DROP = 0.1
"""With the key on a control unit reads so much [V] less than the battery has, in its wiring (common practice)."""

HALF, EMPTY = 12.24, 11.89
"""Resting voltage of a half and of an empty battery [V] (published trade table)."""

GOOD_CRANKING = 10.5
"""A warm engine's starter leaves so much on a good battery [V]; 9.6 to 10.5 V is doubtful (common practice)."""

SLOWEST, SLOWEST_COLD = 150.0, 100.0
"""Slowest speed of a healthy starter [1/min]: 150 to 300 is typical (trade reference), 100 in hard frost (common
practice)."""

COLD, HARD_FROST = 20.0, -18.0
"""Between these coolant temperatures [degC] the slowest speed falls from the one to the other."""

LONG_CRANK, HARD_FROST_CRANK = 3.0, 8.0
"""Cranking at normal speed for longer [s] is long: petrol engines fire within one or two (common practice); frost and
fuel with much ethanol take more."""

DRIVE_TO_GET = {
    "speed_missing": "Record again with engine speed and voltage among the values, and start the recording before you"
    " turn the key.",
    "started_running": "Start the recording before you turn the key: ignition on, wait until values come, then start"
    " the engine.",
    "never_started": "Start the recording with the ignition on, then start the engine.",
    "asleep": "Use an adapter that measures the voltage itself (start the recording before you turn the key), or hold a"
    " voltmeter to the battery during a start.",
    "too_few_readings": "Start the recording before you turn the key, with few values chosen (engine speed and"
    " voltage), so that both come several times a second.",
    "voltage_missing": "Record with control module voltage or with an adapter that measures the voltage itself, and"
    " start the recording before you turn the key.",
}
"""What to do where the start was not seen, by signature."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge how the engine of this drive was started."""
    start = prepare(drive)
    if isinstance(start, str):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, start, drive_to_get=DRIVE_TO_GET[start])
    past = compare(start, history)
    judgement = _judge(start, past, car)
    return Finding(
        NAME,
        judgement.verdict,
        judgement.signature,
        judgement.urgency,
        judgement.confidence,
        parts=judgement.parts,
        measures=_measures(start, past),
        spans=(Span(start.begin, start.end, "starter turning"),),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
        learnt=_learnt(start, judgement),
    )


def _judge(start: Start, past: Past, car: Car | None) -> Judgement:
    diesel = car is not None and car.fuel == "diesel"
    for fault in (_deep(start), _slow(start, past), _weaker(start, past), _slower(start, past), _low(start, past)):
        if fault is not None:
            return fault
    late = None if diesel else _late(start, past)
    if late is not None:
        return late
    if start.complete:
        return Judgement(Verdict.HEALTHY, confidence=0.95 if past.speed is not None else 0.8)
    if start.asleep:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "asleep")
    missing = start.source == ""
    return Judgement(Verdict.NOT_ENOUGH_DATA, "voltage_missing" if missing else "too_few_readings")


def floor(start: Start) -> float:
    """Lowest cranking voltage [V] of a sound battery at this temperature, as the source of the voltage shows it."""
    lowest = load_test_floor(UNKNOWN_TEMPERATURE if start.coolant is None else start.coolant)
    return lowest if start.source == "adapter_voltage" else lowest - MODULE_DROP


def doubtful(start: Start) -> float:
    """Cranking voltage [V] below which a battery is doubtful at this temperature."""
    return floor(start) + GOOD_CRANKING - load_test_floor(20.0)


def slowest(coolant: float | None) -> float:
    """Slowest crank speed of a healthy starter at a coolant temperature [1/min]."""
    if coolant is None:
        return SLOWEST_COLD
    share = min(1.0, max(0.0, (coolant - HARD_FROST) / (COLD - HARD_FROST)))
    return SLOWEST_COLD + share * (SLOWEST - SLOWEST_COLD)


def _deep(start: Start) -> Judgement | None:
    """The voltage collapses, or it is doubtful both at rest and under the starter: the battery."""
    if start.volts < FEWEST or start.cranking is None:
        return None
    if start.cranking < floor(start):
        slow = start.speed is not None and start.speed < slowest(start.coolant)
        confidence = 0.9 if start.resting is not None else 0.8
        parts = ("battery", "starter_motor") if slow else ("battery",)
        return Judgement(Verdict.FAULT, "voltage_collapses", Urgency.SOON, confidence, parts)
    if start.resting is not None and start.resting < HALF and start.cranking < doubtful(start):
        return Judgement(Verdict.FAULT, "battery_weak", Urgency.NEXT_SERVICE, 0.8, ("battery",))
    return None


def _slow(start: Start, past: Past) -> Judgement | None:
    """Slow by the standard of any car, and not usual for this one; the voltage tells starter from battery."""
    if not start.complete or start.speed is None or start.speed * (1.0 + start.speed_error) >= slowest(start.coolant):
        return None
    if past.speed is not None and start.speed >= past.speed.limit:
        return None
    assert start.cranking is not None
    if start.cranking >= doubtful(start):
        return Judgement(Verdict.FAULT, "slow_with_voltage_up", Urgency.SOON, 0.85, ("starter_motor",))
    return Judgement(Verdict.FAULT, "slow", Urgency.SOON, 0.7, ("battery", "starter_motor"))


def _weaker(start: Start, past: Past) -> Judgement | None:
    """The voltage falls deeper than this car's own past: the battery's inner resistance has grown."""
    sag = _sag(start)
    if start.volts < FEWEST or past.sag is None or sag is None or sag <= past.sag.limit:
        return None
    urgency = (
        Urgency.WATCH if start.cranking is not None and start.cranking >= doubtful(start) else Urgency.NEXT_SERVICE
    )
    return Judgement(Verdict.FAULT, "battery_weaker", urgency, 0.85, ("battery",))


def _slower(start: Start, past: Past) -> Judgement | None:
    """Slower than this car's own past at the same temperature, and than the voltage explains: starter or cables."""
    if not start.complete or past.speed is None or start.speed is None or start.speed >= past.speed.limit:
        return None
    return Judgement(Verdict.FAULT, "slower_at_equal_voltage", Urgency.NEXT_SERVICE, 0.85, ("starter_motor",))


def _low(start: Start, past: Past) -> Judgement | None:
    """The battery rests low: discharged, whatever the reason."""
    if start.resting is None:
        return None
    drop = KEY_ON_DROP + (MODULE_REST_DROP if start.source != "adapter_voltage" else 0.0)
    parts = ("battery", "alternator")
    if start.resting < EMPTY - drop:
        return Judgement(Verdict.FAULT, "discharged", Urgency.SOON, 0.85, parts)
    if start.resting < HALF - drop:
        return Judgement(Verdict.FAULT, "discharged", Urgency.NEXT_SERVICE, 0.75, parts)
    if past.resting is not None and start.resting < past.resting.limit:
        return Judgement(Verdict.FAULT, "rests_lower", Urgency.WATCH, 0.8, parts)
    return None


def _late(start: Start, past: Past) -> Judgement | None:
    """A long time to fire although the starter turns well: fuel pressure or ignition, as a hint."""
    if start.to_fire is None or start.speed is None or start.speeds < FEWEST or start.speed < slowest(start.coolant):
        return None
    coolant = start.coolant
    frost = 1.0 if coolant is None else min(1.0, max(0.0, (COLD - coolant) / (COLD - HARD_FROST)))
    limit = LONG_CRANK + frost * (HARD_FROST_CRANK - LONG_CRANK)
    own = past.to_fire
    if start.to_fire <= (limit if own is None else min(limit, own.limit)):
        return None
    signature = "long_time_to_fire" if start.fired else "does_not_fire"
    urgency = Urgency.WATCH if start.fired else Urgency.NEXT_SERVICE
    return Judgement(Verdict.FAULT, signature, urgency, 0.7, ("fuel_pump", "spark_plugs", "ignition_coil"))


def _sag(start: Start) -> float | None:
    return None if start.resting is None or start.cranking is None else start.resting - start.cranking


def _measures(start: Start, past: Past) -> tuple[Measure, ...]:
    """The numbers of the start; `expected` is the car's own past where there is one, else the physical limits."""
    sag = _sag(start)
    charge = None if start.resting is None else resting_charge(start.resting + KEY_ON_DROP)
    ratio = sag_ratio(start.resting, start.cranking) if start.resting and start.cranking is not None else None
    enough = start.volts >= FEWEST
    rows: list[tuple[str, float | None, str, tuple[float, float] | None]] = [
        ("coolant_at_start", start.coolant, "degC", None),
        ("resting_voltage", start.resting, "V", _above(past.resting) or (HALF, 12.9)),
        ("charge_at_rest", charge, "%", (WELL_CHARGED, 100.0)),
        ("cranking_voltage", start.cranking if enough else None, "V", (floor(start), 12.0)),
        ("lowest_voltage", start.lowest, "V", None),
        ("voltage_sag", sag if enough else None, "V", _below(past.sag)),
        ("sag_share", None if ratio is None or not enough else 100.0 * ratio, "%", None),
        (
            "crank_speed",
            start.speed if start.speeds >= FEWEST else None,
            "1/min",
            _above(past.speed) or (slowest(start.coolant), 300.0),
        ),
        ("speed_ripple", None if start.ripple is None else 100.0 * start.ripple, "%", None),
        ("time_to_fire", start.to_fire if start.fired else None, "s", None),
        ("cranked_for", None if start.fired else start.to_fire, "s", None),
        ("start_within", start.within, "s", None),
        ("speed_readings", float(start.speeds), "", None),
        ("voltage_readings", float(start.volts), "", None),
        ("earlier_starts", None if past.speed is None else float(past.speed.drives), "", None),
    ]
    return tuple(Measure(n, v, u, None, expected) for n, v, u, expected in rows if v is not None)


def _learnt(start: Start, judgement: Judgement) -> tuple[Measure, ...]:
    learnt = (Measure(FROM_ADAPTER, float(start.source == "adapter_voltage"), ""),)
    return learnt if judgement.verdict is Verdict.FAULT else (*learnt, Measure(NOTHING_FOUND, 1.0, ""))


def _above(own: Own | None) -> tuple[float, float] | None:
    return None if own is None else (own.limit, 2.0 * own.value - own.limit)


def _below(own: Own | None) -> tuple[float, float] | None:
    return None if own is None else (max(0.0, 2.0 * own.value - own.limit), own.limit)
