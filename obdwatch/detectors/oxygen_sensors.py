"""Does the sensor before the catalyst still answer quickly? The detector of slow, weak and stuck oxygen sensors.

Only what the sampling supports is claimed. The strongest witness needs no fast sampling: when fuel comes back after a
cut on overrun, the front sensor must say so at once, and never after the rear one.
"""

from __future__ import annotations

from dataclasses import replace

from obdwatch.detectors.heat_input import burns_lean
from obdwatch.detectors.oxygen_sensors_answer import SIGMAS, Answers
from obdwatch.detectors.oxygen_sensors_baseline import baseline
from obdwatch.detectors.oxygen_sensors_judgement import (
    BEHIND,
    FEW_EVENTS,
    SLOW_ANSWER,
    SLOW_COMMAND,
    SLOW_SWITCH,
    VERY_SLOW_ANSWER,
    WEAK_LEAN,
    WEAK_RICH,
    BankView,
    judge_bank,
    mixture_off,
)
from obdwatch.detectors.oxygen_sensors_record import banks, fuel_cuts, states
from obdwatch.detectors.oxygen_sensors_switching import Swing
from obdwatch.records import Car, Drive, Finding, History, Measure, Span, Urgency, Verdict

NAME = "oxygen_sensors"

USES = frozenset(
    {
        "fuel_system_status",
        "engine_speed",
        "calculated_load",
        "commanded_equivalence_ratio",
        *(f"oxygen_sensor_voltage_bank_{bank}_sensor_{place}" for bank in (1, 2) for place in (1, 2)),
        *(f"oxygen_sensor_equivalence_ratio_bank_{bank}_sensor_1" for bank in (1, 2)),
        *(f"oxygen_sensor_equivalence_ratio_by_current_bank_{bank}_sensor_1" for bank in (1, 2)),
    }
)
"""Signals the verdict rests on."""

PART = "oxygen_sensor_upstream"

SERVICE_ANSWER = (SLOW_ANSWER + VERY_SLOW_ANSWER) / 2.0
"""An answer [s] that need not be watched any longer: halfway to where it is beyond doubt."""

SLOWER_BY = 0.5
"""Slower than the car's own earlier drives by this much is worth watching [s]: the length of two samples at the usual
rate, and as long as a sound sensor needs altogether."""

DRIVE_TO_GET = {
    "diesel": "Nothing: diesel engines are not judged here.",
    "no_sensor": "Record the oxygen sensors (parameters 14 to 1B, 24 to 2B or 34 to 3B), if the car reports them.",
    "sampling_too_slow": "Record with fewer parameters, so that each oxygen sensor is read at least once a second;"
    " fuel system status, engine speed and load with them.",
    "too_few_cuts": "Drive warm for 20 minutes with a few long roll-outs in gear, foot off the pedal, from 80 to 40"
    " km/h when nobody is close behind, then pull away gently; and five minutes at a steady 60 to 100 km/h.",
    "no_swing": "Record at a steady 60 to 100 km/h with fewer parameters, and look up whether the car has wide-range"
    " sensors: on some cars their voltage is only a computed one.",
    "undecided": "Drive warm with ten or more long roll-outs in gear, foot off the pedal, when nobody is close behind,"
    " and few parameters recorded: oxygen sensors, fuel system status, engine speed, load.",
}
"""What to drive or do, by what was missing."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the upstream oxygen sensors of one drive; pure.

    The finding's `signature` is `slow_response`, `slow_after_cuts`, `weak_swing`, `stuck_lean`, `stuck_rich` or
    `slower_than_before` for a fault; with not_enough_data it names what was missing, one of `DRIVE_TO_GET`.
    """
    if burns_lean(drive, car):
        return _not_enough("diesel")
    found = banks(drive)
    if not found:
        return _not_enough("no_sensor")
    cuts, where = fuel_cuts(drive), states(drive)
    views = [_against_past(judge_bank(drive, bank, cuts, where), history) for bank in found]
    faulty = [view for view in views if view.signature]
    if faulty:
        return _fault(max(faulty, key=_gravity), views)
    if all(view.cleared for view in views):
        worst = max(views, key=_typical)
        return Finding(NAME, Verdict.HEALTHY, confidence=0.9, measures=_measures(worst, views), learnt=_learnt(views))
    unclear = next(view for view in views if not view.cleared)
    return replace(_not_enough(unclear.missing), measures=_measures(unclear, views), learnt=_learnt(views))


def _not_enough(missing: str) -> Finding:
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, missing, drive_to_get=DRIVE_TO_GET[missing])


def _fault(view: BankView, views: list[BankView]) -> Finding:
    return Finding(
        detector=NAME,
        verdict=Verdict.FAULT,
        signature=view.signature,
        urgency=_urgency(view),
        confidence=view.confidence,
        parts=(PART,),
        measures=_measures(view, views),
        spans=_spans(view),
        learnt=_learnt(views),
    )


def _urgency(view: BankView) -> Urgency:
    if view.signature in ("stuck_lean", "stuck_rich"):
        return Urgency.SOON
    if view.signature == "slow_response" and _typical(view) >= SERVICE_ANSWER:
        return Urgency.NEXT_SERVICE
    return Urgency.WATCH


def _against_past(view: BankView, history: History) -> BankView:
    past = baseline(history, NAME, f"answer_bank_{view.bank.number}", (PART,))
    if view.signature or past is None or not _tells_the_sensor(view):
        return view
    typical, error = view.answers.middle()
    if past.beyond(typical - SIGMAS * error, SLOWER_BY):
        return replace(view, signature="slower_than_before", cleared=False, confidence=0.7)
    return view


def _tells_the_sensor(view: BankView) -> bool:
    """Whether its answers are enough, and the sensor's own: a mixture that strays far needs time to come back."""
    return len(view.answers) >= FEW_EVENTS and not view.lean_after_cuts and not mixture_off(view.trim)


def _typical(view: BankView) -> float:
    return view.answers.middle()[0] if len(view.answers) else 0.0


def _gravity(view: BankView) -> tuple[bool, float, float]:
    return view.signature.startswith("stuck"), view.confidence, _typical(view)


def _measures(view: BankView, views: list[BankView]) -> tuple[Measure, ...]:
    measures = [Measure("bank", float(view.bank.number), ""), Measure("banks_seen", float(len(views)), "")]
    if len(view.answers) and (answer := _answer("answer_after_cut", view.answers, SLOW_ANSWER)):
        measures += [*answer, Measure("cuts_used", float(len(view.answers)), "")]
    if len(view.behind):
        measures.append(_behind(view.behind))
    if len(view.commands) >= FEW_EVENTS:
        measures += _answer("answer_to_command", view.commands, SLOW_COMMAND)
    if view.swing is not None:
        measures += _swing_measures(view.swing)
    if view.trim is not None:
        measures.append(Measure("total_trim", view.trim, "%"))
    others = [other for other in views if other is not view and len(other.answers)]
    if others and len(view.answers):
        measures += _answer("answer_other_bank", others[0].answers, SLOW_ANSWER)
    if view.lean_after_cuts:
        measures.append(Measure("lean_after_cuts", 1.0, ""))
    return tuple(measures)


def _swing_measures(seen: Swing) -> list[Measure]:
    measures = [
        Measure("rich_end", seen.rich, "V", None, (WEAK_RICH, 1.0)),
        Measure("lean_end", seen.lean, "V", None, (0.0, WEAK_LEAN)),
        Measure("visible_crossings", seen.visible, "1/s"),
    ]
    if seen.switch_time is not None:
        measures.append(Measure("switch_time", seen.switch_time, "s", (0.0, seen.switch_time), (0.0, SLOW_SWITCH)))
    if seen.rate is not None:
        measures.append(Measure("crossings", seen.rate, "1/s", None, (0.5, 5.0)))
    return measures


def _answer(name: str, answers: Answers, limit: float | None) -> list[Measure]:
    """The typical answer as a measure; none where it would come before its cause."""
    possible = answers.possible()
    expected = None if limit is None else (0.0, limit)
    return [] if possible is None else [Measure(name, possible[0], "s", possible[1], expected)]


def _behind(behind: Answers) -> Measure:
    """By how much the front sensor comes after the rear one: not at all, where it comes first."""
    typical, error = behind.middle()
    interval = (max(0.0, typical - SIGMAS * error), max(0.0, typical + SIGMAS * error))
    return Measure("behind_rear_sensor", max(0.0, typical), "s", interval, (0.0, BEHIND))


def _learnt(views: list[BankView]) -> tuple[Measure, ...]:
    telling = [view for view in views if _tells_the_sensor(view)]
    return tuple(
        measure for view in telling for measure in _answer(f"answer_bank_{view.bank.number}", view.answers, None)
    )


def _spans(view: BankView) -> tuple[Span, ...]:
    """The cut after which the sensor took longest, and where it came after the rear one by most."""
    spans = []
    for answers, text in ((view.answers, "slow answer after a fuel cut"), (view.behind, "rear sensor first")):
        if len(answers):
            worst = int(answers.low.argmax())
            at = float(answers.at[worst])
            spans.append(Span(at - 5.0, at + float(answers.high[worst]) + 5.0, text))
    return tuple(spans)
