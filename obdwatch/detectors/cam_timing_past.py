"""Whether a cam's own test result has moved away from where it was on earlier drives."""

from __future__ import annotations

from obdwatch.detectors.air_filling_past import surface
from obdwatch.detectors.cam_evidence import EXHAUST, INTAKE, CamResult
from obdwatch.records import History

DRIFT = 20.0
"""Fall of the margin [% of the allowed span] that counts: 40 % of the way from the middle to a limit (common
practice)."""

LEFT = 30.0
"""Margin [%] above which a cam is still well within, however far it has moved: 40 % of the way (common practice)."""

SIGMAS = 4.0
"""The car's own scatter, in robust standard deviations, that the fall must exceed."""


def margin_name(one: CamResult) -> str:
    """Return the name of a result's margin in the car's history, by monitor and test."""
    return f"cam_margin_{one.judged.result.monitor:02X}_{one.judged.result.test:02X}"


def drifted(one: CamResult, history: History) -> bool:
    """Whether a result has come nearer to its limit than it was on at least three earlier drives."""
    if one.judged.margin > LEFT:
        return False
    past = surface(history, "cam_timing", "cam_margin_", (INTAKE, EXHAUST)).get(margin_name(one))
    return past is not None and past.middle - one.judged.margin > max(DRIFT, SIGMAS * past.spread)
