"""Does the alternator charge as it should? Regulation, output, and the belt that drives it.

The voltage of a sound system holds its level whatever the engine speed does. Too high or too low at speed is the
alternator with its regulator, dips while the speed rises are a slipping belt; systems that charge only on overrun or in
steps are known and not blamed, and neither is an idle that heaters or a fan ask too much of.
"""

from __future__ import annotations

from obdwatch.detectors.charging_past import DELAY, FROM_ADAPTER, Past, compare, from_adapter
from obdwatch.detectors.charging_record import ChargingRecord, Level, prepare
from obdwatch.detectors.judgement import Judgement
from obdwatch.physics.charging import FULL_BATTERY, LOW, OVER, USUAL, highest_regulated
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Urgency, Verdict

NAME = "charging"

USES: frozenset[str] = frozenset({"engine_speed", "control_module_voltage", "adapter_voltage", "vehicle_speed"})
"""Signals the verdict rests on."""

ACCURACY = 0.1
"""Readings of voltage agree with a meter within so much [V] (common practice)."""

SMARTEST_LOW = 12.2
"""Systems that charge only now and then let the voltage fall so far [V], not farther (from memory)."""

SMART_STEP = 0.3
"""Higher on overrun than while cruising at the same engine speed by so much [V]: a regulator that stores braking
energy; a belt or a weak alternator does not gain from a closed throttle."""

NO_RISE = 0.25
"""From idle to 1,500 1/min and more an alternator gains 25 A and more (common practice), over 10 milliohm of battery
[V]; a dead one gains nothing."""

MILD = (5.0, 22.0)
"""Outside air [degC] in which neither window heaters nor the air conditioner need be on (common practice)."""

DIP, DIP_T, DIP_CHANCE, FEWEST_RISES = 0.25, 3.0, 0.01, 8
"""A slipping belt: the voltage falls by so much [V] while the engine speed rises, as a mean of so many rises with such
a t, and so seldom by chance. A regulator corrects within tenths of a second (common practice), so that a sound system
shows next to nothing at this rate."""

RISES_TO_CLEAR = 2 * FEWEST_RISES
"""Rises from which a belt is cleared: to miss what comes now and then takes more of them than to see it."""

DEEP_DIP, DEEP_T = 0.5, 2.0
"""A belt that slips now and then drops the voltage deep in some rises and not at all in others: where the mean is twice
as deep, a smaller t will do, as the chance (which counts whole patterns) is small all the same."""

STILL_SHORT = 0.3
"""Below the level at speed by so much [V] just above idle: three times what a regulator moves (common practice)."""

FAN_FREE = 95.0
"""Coolant up to which no radiator fan runs [degC] (common practice: fans start at 95 to 105); a fan alone draws 20 to
40 A, which an idling alternator need not have to spare."""

DRIVE_TO_GET = {
    "speed_missing": "Record a drive of 15 minutes with engine speed and control module voltage among the values.",
    "voltage_missing": "Record with control module voltage, or with an adapter that measures the voltage itself.",
    "too_short": "Record ten minutes or more, of which two above 1,500 rpm after the first five minutes.",
    "idle_only": "After five minutes of running drive for some minutes, or hold 2,000 rpm for a minute in the open.",
    "heavy_load": "Switch off window heaters, seat heaters, blower and lights, and hold 2,000 rpm for two minutes in"
    " the open, or record a drive like that.",
    "perhaps_smart": "Record a drive of 20 minutes with some long rolling stops: systems that save fuel charge while"
    " the car slows down.",
}
"""What to drive, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge how the battery was charged on this drive."""
    record = prepare(drive)
    if isinstance(record, str):
        return Finding(NAME, Verdict.NOT_ENOUGH_DATA, record, drive_to_get=DRIVE_TO_GET[record])
    past = compare(record, history)
    judgement = _judge(record, past)
    return Finding(
        NAME,
        judgement.verdict,
        judgement.signature,
        judgement.urgency,
        judgement.confidence,
        parts=judgement.parts,
        measures=_measures(record, past, car),
        spans=_spans(record, judgement),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
        learnt=(Measure(FROM_ADAPTER, from_adapter(record.source), ""),),
    )


def _judge(record: ChargingRecord, past: Past) -> Judgement:
    over = _over(record)
    if over is not None:
        return over
    if record.driving is None:
        return _idle_only(record)
    if is_smart(record):
        return Judgement(Verdict.HEALTHY, confidence=0.8)
    for answer in (
        _belt(record),
        _low(record, record.driving),
        _idle(record, record.driving, past),
        _own(record, past),
        _late(record, past),
    ):
        if answer is not None:
            return answer
    return Judgement(Verdict.HEALTHY, confidence=0.95 if record.driving.middle >= USUAL[0] else 0.75)


def is_smart(record: ChargingRecord) -> bool:
    """Whether the voltage is led on purpose: higher on overrun, or in regulated steps."""
    if record.driving is None or record.driving.low < SMARTEST_LOW - ACCURACY:
        return False
    stores = record.overrun is not None and record.overrun.middle >= USUAL[0] - ACCURACY
    if stores and record.overrun_gain is not None and record.overrun_gain >= SMART_STEP:
        return True
    return record.steps


def _over(record: ChargingRecord) -> Judgement | None:
    """The regulator lets the voltage run too high; it is certain only as far as the temperature is known."""
    level = record.driving or record.running
    if level is None:
        return None
    if record.air is None:
        high = too_high = OVER + ACCURACY
    else:
        high = highest_regulated(record.air) + ACCURACY
        too_high = highest_regulated(record.air, OVER) + ACCURACY
    if level.middle <= high:
        return None
    urgency = Urgency.SOON if level.middle > too_high else Urgency.NEXT_SERVICE
    return Judgement(Verdict.FAULT, "overcharges", urgency, 0.9, ("alternator",))


def _idle_only(record: ChargingRecord) -> Judgement:
    if record.idle is None:
        if record.running is not None and record.running.middle >= USUAL[0]:
            return Judgement(Verdict.HEALTHY, confidence=0.7)
        return Judgement(Verdict.NOT_ENOUGH_DATA, "too_short")
    if record.idle.middle >= LOW:
        return Judgement(Verdict.HEALTHY, confidence=0.8)
    if record.idle.high < SMARTEST_LOW and _mild(record):
        return Judgement(Verdict.FAULT, "not_charging", Urgency.SOON, 0.75, ("alternator", "drive_belt"))
    return Judgement(Verdict.NOT_ENOUGH_DATA, "idle_only")


def _belt(record: ChargingRecord) -> Judgement | None:
    """The voltage dips while the engine speed rises, and not while it falls."""
    if record.answers is None:
        return None
    rising, falling = record.answers.rising, record.answers.falling
    least_t = DEEP_T if rising.mean <= -DEEP_DIP else DIP_T
    if rising.events < FEWEST_RISES or rising.mean > -DIP or rising.t > -least_t or rising.chance > DIP_CHANCE:
        return None
    if falling.events and falling.mean < rising.mean / 2.0:
        return None
    if record.answers.brief > rising.mean / 2.0:
        return None
    weak = record.idle is not None and record.idle.middle < LOW
    urgency = Urgency.SOON if weak else Urgency.NEXT_SERVICE
    return Judgement(Verdict.FAULT, "belt_slips", urgency, 0.85, ("drive_belt", "alternator"))


def _low(record: ChargingRecord, driving: Level) -> Judgement | None:
    """Too low above 1,500 1/min: no output at all, too little, or more asked for than any alternator gives."""
    drains = driving.middle < USUAL[0] and driving.low < FULL_BATTERY
    if driving.middle >= LOW and not drains:
        return None
    flat = record.idle is not None and driving.middle - record.idle.middle < NO_RISE
    if driving.high < SMARTEST_LOW and (flat or _mild(record) or _warm(record)):
        return Judgement(Verdict.FAULT, "not_charging", Urgency.SOON, 0.95, ("alternator", "drive_belt"))
    if not _warm(record) and not flat:
        return Judgement(Verdict.NOT_ENOUGH_DATA, "heavy_load")
    unmatched = record.overrun_gain is None and record.overrun is not None and record.overrun.middle >= LOW
    if driving.low >= SMARTEST_LOW and (record.overrun is None or unmatched):
        return Judgement(Verdict.NOT_ENOUGH_DATA, "perhaps_smart")
    urgency = Urgency.SOON if driving.middle < FULL_BATTERY else Urgency.NEXT_SERVICE
    return Judgement(Verdict.FAULT, "undercharges", urgency, 0.85, ("alternator", "drive_belt"))


def _idle(record: ChargingRecord, driving: Level, past: Past) -> Judgement | None:
    """At speed all is well, but a warm idle with nothing much switched on runs the battery down."""
    if record.idle is None or not _mild(record) or driving.middle < USUAL[0]:
        return None
    if record.idle_coolant is None or record.idle_coolant > FAN_FREE:
        return None
    # Any idle can be asked for too much; one that is weak is still short a little above it.
    if record.above_idle is None or driving.middle - record.above_idle.middle < STILL_SHORT:
        return None
    limit = FULL_BATTERY if past.idle is None else max(FULL_BATTERY, min(LOW, past.idle.low))
    if record.idle.middle >= limit:
        return None
    parts = ("alternator", "drive_belt") if _belt_holds(record) else ("drive_belt", "alternator")
    return Judgement(Verdict.FAULT, "weak_at_idle", Urgency.WATCH, 0.7, parts)


def _belt_holds(record: ChargingRecord) -> bool:
    """Whether the engine speed was seen to rise often, and the voltage held: a belt that slips at idle slips there too.

    Where it was not seen, the belt is looked at first (common practice: it costs a glance).
    """
    if record.answers is None or record.answers.rising.events < RISES_TO_CLEAR:
        return False
    mean = record.answers.rising.mean
    return mean > -DIP / 2.0 or record.answers.brief > mean / 2.0  # a slip is over within seconds


def _own(record: ChargingRecord, past: Past) -> Judgement | None:
    """Within the limits of any car, but away from where this car's regulator used to be."""
    if record.driving is None or past.driving is None:
        return None
    level = record.driving.middle
    if level < past.driving.low and (_warm(record) or record.driving.high < past.driving.low):
        return Judgement(Verdict.FAULT, "lower_than_before", Urgency.WATCH, 0.8, ("alternator", "drive_belt"))
    if level > past.driving.high:
        return Judgement(Verdict.FAULT, "higher_than_before", Urgency.WATCH, 0.8, ("alternator",))
    return None


def _late(record: ChargingRecord, past: Past) -> Judgement | None:
    """All levels are right, but after the start the alternator took over later than it used to: a belt that slips."""
    if record.delay is None or past.delay is None or record.delay <= past.delay.high:
        return None
    return Judgement(Verdict.FAULT, "charges_late", Urgency.WATCH, 0.75, ("drive_belt", "alternator"))


def _mild(record: ChargingRecord) -> bool:
    return record.air is not None and MILD[0] <= record.air <= MILD[1]


def _warm(record: ChargingRecord) -> bool:
    """Whether it is warm enough that nothing need be heated."""
    return record.air is not None and record.air >= MILD[0]


def _spans(record: ChargingRecord, judgement: Judgement) -> tuple[Span, ...]:
    whole = Span(record.begin, record.end, "engine running")
    if judgement.signature != "belt_slips":
        return (whole,)
    dips = record.answers.dips if record.answers is not None else ()
    return (whole, *(Span(start, end, "dip while the speed rises") for start, end in dips[:10]))


def _measures(record: ChargingRecord, past: Past, car: Car | None) -> tuple[Measure, ...]:
    high = OVER if record.air is None else highest_regulated(record.air)
    rising = record.answers.rising if record.answers is not None and record.answers.rising.events else None
    usual = (past.driving.low, past.driving.high) if past.driving is not None else (USUAL[0], high)
    rows: list[tuple[str, float | None, str, tuple[float, float] | None, Level | None]] = [
        ("outside_air", record.air, "degC", None, None),
        ("charging_voltage", None, "V", usual, record.driving),
        ("idle_voltage", None, "V", (LOW, high), record.idle),
        ("running_voltage", None, "V", (LOW, high), record.running if record.driving is None else None),
        ("voltage_above_idle", None, "V", (LOW, high), record.above_idle),
        ("overrun_voltage", None, "V", None, record.overrun),
        ("gain_on_overrun", record.overrun_gain, "V", None, None),
        ("answer_to_rising_speed", rising.mean if rising else None, "V", (-DIP, DIP), None),
        ("speed_rises", float(rising.events) if rising else None, "", None, None),
        (DELAY, record.delay, "s", (past.delay.low, past.delay.high) if past.delay is not None else None, None),
        ("led_charging", 1.0 if is_smart(record) else None, "", None, None),
        ("belt_drives_pump", 1.0 if car is not None and car.coolant_pump == "belt" else None, "", None, None),
        ("earlier_drives", float(past.driving.drives) if past.driving is not None else None, "", None, None),
    ]
    found = []
    for name, value, unit, expected, level in rows:
        if level is not None:
            found.append(Measure(name, level.middle, unit, (level.low, level.high), expected))
        elif value is not None:
            found.append(Measure(name, value, unit, None, expected))
    return tuple(found)
