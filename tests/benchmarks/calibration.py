"""Does a part given 70 to 80 % turn out worn three times in four? Held-out histories against what was said of them.

Run on request: `pytest tests/benchmarks/calibration.py -s`; `OBDWATCH_CALIBRATION=full` drives more cars and
`OBDWATCH_CALIBRATION_REPORT=FILE` also writes the tables there. The seeds are others than those the likelihoods were
counted on. Several parts of a car are worn at once here, while the likelihoods were counted on one fault at a time.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from obdwatch.parts.catalogue import catalogue_for, read_catalogue
from obdwatch.parts.risk import risks_of
from tests.benchmarks.accuracy_table import Share, share
from tests.benchmarks.calibration_histories import ODOMETER_KM, Judged, as_said, draw, held_against, walked
from tests.benchmarks.judged_drives import all_judged

FIRST_SEED = 61_000
HISTORIES = {"quick": 60, "full": 240}
BANDS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(7200)]


def brier(rows: Sequence[Judged], given: Callable[[Judged], float]) -> float:
    """Return the mean squared difference between probability and truth (Brier 1950): 0 is perfect."""
    return sum((given(row) - row.degraded) ** 2 for row in rows) / len(rows)


def reliability_table(pairs: Sequence[tuple[float, bool]], what: str) -> str:
    """Return one line per band of probability: how many got it, their mean, and how many it was true of."""
    lines = [f"| given | parts | mean given | {what} |", "|---|---|---|---|"]
    for low, high in pairwise(BANDS):
        band = [(given, true) for given, true in pairs if low <= given < high or given == high == 1.0]
        if band:
            mean = sum(given for given, _ in band) / len(band)
            so = share(true for _, true in band)
            lines.append(f"| {100 * low:.0f} to {100 * high:.0f} % | {len(band)} | {100 * mean:.0f} % | {so} |")
    return "\n".join(lines)


def part_table(rows: Sequence[Judged]) -> str:
    """Return one line per part: how many were worn, and the Brier score by distance alone and with all evidence."""
    lines = ["| part | worn | Brier, distance alone | Brier, with the drives |", "|---|---|---|---|"]
    for part in sorted({row.part for row in rows}):
        own = [row for row in rows if row.part == part]
        worn = Share(sum(row.degraded for row in own), len(own))
        before, after = (brier(own, given) for given in (lambda row: row.prior, lambda row: row.given))
        lines.append(f"| {part} | {worn.count} of {worn.of} | {before:.3f} | {after:.3f} |")
    return "\n".join(lines)


def test_calibration() -> None:
    catalogue = read_catalogue()
    count = HISTORIES[os.environ.get("OBDWATCH_CALIBRATION", "quick")]
    hidden = [draw(number, FIRST_SEED, catalogue) for number in range(count)]
    drives = all_judged([one.story for one in hidden])
    rows: list[Judged] = []
    looked: list[Judged] = []
    for number, (one, judged) in enumerate(zip(hidden, drives, strict=True)):
        own, said = catalogue_for(one.car, catalogue), as_said(judged)
        risks = risks_of(one.car, ODOMETER_KM, said, (), own)
        rows += held_against(one, risks)
        walk = walked(one, risks, FIRST_SEED + number)
        looked += held_against(one, risks_of(one.car, ODOMETER_KM, said, walk, own))
    before, after = brier(rows, lambda row: row.prior), brier(rows, lambda row: row.given)
    with_walk = brier(looked, lambda row: row.given)
    summary = (
        f"{count} cars, {len(rows)} parts, {sum(row.degraded for row in rows)} of them worn. "
        f"Brier score by distance alone {before:.4f}, with the drives {after:.4f} ({after / before:.0%}), "
        f"with a walk round the car besides {with_walk:.4f} ({with_walk / before:.0%})."
    )
    worn = reliability_table([(row.given, row.degraded) for row in rows], "really worn")
    failing = reliability_table([(row.will_fail, row.failed) for row in rows], "failed within 5,000 miles")
    report = "\n\n".join((summary, worn, failing, part_table(rows)))
    print(f"\n{report}")
    if "OBDWATCH_CALIBRATION_REPORT" in os.environ:
        Path(os.environ["OBDWATCH_CALIBRATION_REPORT"]).write_text(report + "\n", encoding="utf-8")
    likely = [row for row in rows if row.given >= 0.7]
    assert share(row.degraded for row in likely).value >= 0.7
    assert after < before
