"""Does the engine get the fuel that its air needs? The detector of air leaks, weak fuel delivery, wrong air sensors and
wrong injectors, from the corrections the oxygen sensor makes.

The trims are judged by where they are wrong: at idle only, with air flowing only, everywhere, or on one bank.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from obdwatch.detectors.fuel_trims_evidence import Evidence, gather
from obdwatch.detectors.fuel_trims_fit import Regimes, TrimFit, fit_bank, regimes
from obdwatch.detectors.fuel_trims_judgement import judge
from obdwatch.detectors.fuel_trims_limits import Apart, Judgement
from obdwatch.detectors.fuel_trims_measures import learnt_of, measures_of
from obdwatch.detectors.fuel_trims_past import Past
from obdwatch.detectors.fuel_trims_record import Missing, TrimRecord, prepare
from obdwatch.detectors.leak_order import leaks_by_age
from obdwatch.records import BoolArray, Car, Drive, Finding, FloatArray, History, Span, Verdict

NAME = "fuel_trims"

USES = frozenset(
    {
        "air_flow",
        "intake_manifold_pressure",
        "coolant_temperature",
        "short_term_fuel_trim_bank_1",
        "long_term_fuel_trim_bank_1",
        "short_term_fuel_trim_bank_2",
        "long_term_fuel_trim_bank_2",
    }
)
"""Signals the verdict rests on."""

FEWEST_SECONDS = 30
"""Usable seconds below which nothing is said: about fifteen swings of the short trim."""

DRIVE_TO_GET = {
    "diesel": "Nothing to drive: a diesel engine has no fuel trims of this kind.",
    "trims_missing": "Record short and long fuel trim of each bank; if the car does not offer them, this cannot be"
    " judged.",
    "signals_missing": "Record engine speed and coolant temperature together with the fuel trims.",
    "air_missing": "Record air flow, manifold pressure or engine load together with the fuel trims.",
    "never_hot": "Drive until the engine is warm, then let it idle for two minutes and drive ten minutes at a steady"
    " 60 to 100 km/h.",
    "never_steady": "Once warm, let it idle for two minutes and drive ten minutes at a steady 60 to 100 km/h; if the"
    " oxygen sensor never takes over, look at the trouble codes first.",
    "misfire_first": "Cure the misfire first; then record two minutes of warm idle and ten minutes at a steady 60 to"
    " 100 km/h.",
    "fuel_or_fault": "Note in the log what was filled in last, and enter the car's fuel in its profile. Fill up with"
    " the usual fuel, use up most of the tank and record again: if the numbers stay, have fuel pressure and air sensor"
    " checked.",
    "too_little": "Once warm, let it idle for two minutes and drive ten minutes at a steady 60 to 100 km/h.",
    "idle_missing": "Once warm, stand and let the engine idle for two minutes while recording.",
    "flow_missing": "Once warm, drive ten minutes at a steady 60 to 100 km/h while recording, where it is legal.",
}
"""What to drive for each thing that was missing."""

LONGEST_SPANS = 3
"""Pieces of the drive shown for each regime."""


def detect(drive: Drive, car: Car | None, history: History) -> Finding:
    """Judge the fuel trims of one drive."""
    record = prepare(drive, car)
    if isinstance(record, Missing):
        return _nothing(record.signature)
    if len(record.times) < FEWEST_SECONDS:
        return _nothing("too_little")
    split, past = regimes(record), Past(history, NAME)
    single = len(record.banks) == 1
    banks = {bank: fit_bank(record, record.trim[row], split, single) for row, bank in enumerate(record.banks)}
    whole = next(iter(banks.values())) if single else fit_bank(record, record.trim.mean(axis=0), split)
    seen = gather(drive, car, record, split, whole, banks, past)
    judgement = judge(whole, banks, _apart(record, split), seen, past)
    judgement = replace(judgement, parts=leaks_by_age(judgement.parts, drive, car, history))
    return _finding(record, split, whole, banks, seen, past, judgement)


def _nothing(signature: str) -> Finding:
    return Finding(NAME, Verdict.NOT_ENOUGH_DATA, signature, drive_to_get=DRIVE_TO_GET[signature])


def _finding(
    record: TrimRecord,
    split: Regimes,
    whole: TrimFit,
    banks: dict[int, TrimFit],
    seen: Evidence,
    past: Past,
    judgement: Judgement,
) -> Finding:
    return Finding(
        NAME,
        judgement.verdict,
        judgement.signature,
        judgement.urgency,
        judgement.confidence,
        parts=judgement.parts,
        measures=measures_of(record, whole, banks, seen, past, judgement),
        spans=(*_spans(record.times, split.idle, "idle"), *_spans(record.times, split.flow, "air flowing")),
        drive_to_get=DRIVE_TO_GET.get(judgement.signature, ""),
        learnt=learnt_of(record, whole, seen),
    )


def _apart(record: TrimRecord, split: Regimes) -> Apart | None:
    """How far the banks are apart; the swings of both are alike, so that the difference is surer than either."""
    if len(record.banks) < 2:
        return None
    fit = fit_bank(record, record.trim[0] - record.trim[1], split, rivals=False)
    idle = None if fit.idle is None else (fit.idle.value, fit.idle.sigma)
    flow = None if fit.flow is None else (fit.flow.value, fit.flow.sigma)
    return Apart((fit.whole.value, fit.whole.sigma), idle, flow)


def _spans(times: FloatArray, here: BoolArray, text: str) -> tuple[Span, ...]:
    """The longest unbroken pieces, in the order of time."""
    chosen = times[here]
    if not len(chosen):
        return ()
    edges = np.flatnonzero(np.diff(chosen) > 2.5)
    starts, ends = chosen[np.r_[0, edges + 1]], chosen[np.r_[edges, len(chosen) - 1]]
    longest = np.sort(np.argsort(starts - ends, kind="stable")[:LONGEST_SPANS])
    return tuple(Span(float(starts[one]), float(ends[one]), text) for one in longest)
