"""The numbers a cam timing finding rests on; their names are also those of the car's history."""

from __future__ import annotations

from collections.abc import Sequence

from obdwatch.detectors.air_filling_judgement import Filling
from obdwatch.detectors.cam_evidence import CamCode, CamResult
from obdwatch.detectors.cam_timing_past import margin_name
from obdwatch.records import Measure


def result_measures(results: Sequence[CamResult], first: CamResult | None = None) -> tuple[Measure, ...]:
    """Return the result in question (the worst, where none is named) with its limits, then all margins by bank."""
    if not results:
        return ()
    one = first or results[0]
    judged = one.judged
    low = judged.low if judged.low is not None else judged.bottom
    high = judged.high
    limits = (low, high) if low is not None and high is not None else None
    shown = [
        Measure("cam_result", judged.value, judged.result.unit, None, limits),
        Measure("cam_result_margin", judged.margin, "%", None, (0.0, 50.0)),
        Measure("results_read", float(judged.readings), ""),
        Measure("results_beyond_limit", float(judged.failing), ""),
        Measure("bank", float(one.bank), ""),
        Measure("banks_seen", float(len({each.bank for each in results})), ""),
        Measure("cams_beyond_limit", float(sum(each.failed for each in results)), ""),
    ]
    return tuple(shown)


def learnt_of(results: Sequence[CamResult]) -> tuple[Measure, ...]:
    """Return the margin of every result for the car's history; a faulty drive leaves none."""
    return tuple(Measure(margin_name(one), one.judged.margin, "%") for one in results)


def code_measures(codes: Sequence[CamCode]) -> tuple[Measure, ...]:
    """Return how many cam codes there are, confirmed and in all."""
    if not codes:
        return ()
    return (
        Measure("cam_codes", float(len(codes)), ""),
        Measure("cam_codes_stored", float(sum(one.stored for one in codes)), ""),
        Measure("code_bank", float(codes[0].bank), ""),
    )


def filling_measures(filling: Filling) -> tuple[Measure, ...]:
    """Return what the air says, in the words of the filling detector."""
    shown = []
    if filling.place is not None and filling.losses is not None:
        shown.append(Measure("air_missing", filling.place.overall, "%"))
        shown.append(Measure("own_history_drives", float(filling.losses.drives), ""))
        if filling.place.split is not None:
            shown.append(Measure("air_missing_high", filling.place.high, "%"))
            shown.append(Measure("split_speed", filling.place.split, "1/min"))
    if filling.pressure_rise is not None:
        shown.append(Measure("idle_pressure_rise", filling.pressure_rise, "kPa"))
    if filling.breathing_change is not None:
        shown.append(Measure("idle_breathing_change", 100.0 * filling.breathing_change, "%"))
    return tuple(shown)
