"""Count what the detectors say of every fault alone and of sound cars, and write it as `parts/data/likelihoods.toml`.

Run on request: `pytest tests/benchmarks/likelihoods.py -s`; `OBDWATCH_LIKELIHOODS=FILE` also writes the data. The
seeds are those of `likelihood_drives`, which neither the accuracy measurement nor the calibration uses.
"""

from __future__ import annotations

import os
import subprocess
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from obdwatch.parts.code_evidence import causes_of
from obdwatch.parts.likelihoods import CODES, SOUND, key_of
from obdwatch.records import Verdict
from obdwatch.simulation.faults import FAULT_BY_NAME
from tests.benchmarks.judged_drives import JudgedDrive, Story, all_judged
from tests.benchmarks.likelihood_drives import FIRST_SEED, FIRST_SIGNS, faulty_stories, sound_stories

DRIVES = 4.0  # further drives that the usual share counts for: about as many as each fault had cars (assumption)
PER_FAULT, PER_LAYOUT = 6, 2
MOST_RANKS = 5

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(7200)]

Said = tuple[str, str, tuple[str, ...]]  # detector, key, parts listed
Found = dict[str, dict[str, Counter[str]]]


class Tally:
    """Counts over drives: answers by detector and part, and faults by detector, key and part."""

    def __init__(self) -> None:
        self.answered: dict[str, Counter[str]] = defaultdict(Counter)
        self.found: Found = defaultdict(lambda: defaultdict(Counter))
        self.listed: dict[tuple[str, str], tuple[str, ...]] = {}
        self.confidences: list[float] = []

    def add(self, drive: JudgedDrive, part: str) -> None:
        """Count one drive of a car on which only this part is degraded, or of a sound one."""
        for finding in drive.findings:
            if finding.verdict is not Verdict.NOT_ENOUGH_DATA:
                self.answered[finding.detector][part] += 1
                self.confidences.append(finding.confidence)
        self.answered[CODES][part] += 1
        for detector, key, parts in faults_of(drive):
            self.found[detector][key][part] += 1
            self.listed[detector, key] = parts

    def usual(self) -> tuple[tuple[float, ...], float, float]:
        """Return the usual shares: of a listed part by its place, of a detector on its parts, of a false alarm."""
        ranks: dict[int, list[float]] = defaultdict(list)
        covered: list[float] = []
        alarms: list[float] = []
        for detector, keys in self.found.items():
            of = self.answered[detector]
            alarms += [counts[SOUND] / of[SOUND] for counts in keys.values()]
            leads = {self.listed[detector, key][0] for key in keys if self.listed[detector, key]}
            for part in (each for each in of if each != SOUND):
                for key, counts in keys.items():
                    parts = self.listed[detector, key]
                    if part in parts:
                        ranks[parts.index(part)].append(counts[part] / of[part])
                if part in leads and detector != CODES:
                    covered.append(sum(counts[part] for counts in keys.values()) / of[part])
        by_rank = tuple(mean(ranks[rank]) for rank in range(MOST_RANKS) if ranks[rank])
        return tuple(sorted(by_rank, reverse=True)), mean(covered), mean(alarms)


def mean(shares: Sequence[float]) -> float:
    return sum(shares) / len(shares)


def faults_of(drive: JudgedDrive) -> Iterator[Said]:
    """Yield the faults of a drive and its codes, each as it is counted."""
    for finding in drive.findings:
        if finding.verdict is Verdict.FAULT:
            yield finding.detector, key_of(finding.signature, finding.parts), finding.parts
    causes = (causes_of(code) for code in sorted({code for _, code in drive.codes}))
    for family, one in {each.family: each for each in causes if each is not None}.items():
        yield CODES, key_of(family, one.parts), one.parts


def counted(stories: Sequence[Story], drives: Sequence[Sequence[JudgedDrive]]) -> Tally:
    """Count stories; drives of the past are sound, and shared ones count once."""
    tally, pasts = Tally(), set()
    for story, judged in zip(stories, drives, strict=True):
        part = FAULT_BY_NAME[story.wears[0].name].part if story.wears else SOUND
        before = len(story.past.trips)
        if story.past not in pasts:
            for drive in judged[:before]:
                tally.add(drive, SOUND)
        pasts.add(story.past)
        for drive in judged[before:]:
            tally.add(drive, part)
    return tally


def as_toml(tally: Tally, origin: str) -> str:
    """Write the counts as the data file of the package."""
    by_rank, covered, false_alarm = tally.usual()
    lines = [
        "# How often each detector said what, by the one part that was degraded, and for sound cars.",
        "# Written by tests/benchmarks/likelihoods.py; not meant to be edited by hand.",
        "",
        f'origin = "{origin}"',
        f"typical_confidence = {mean(tally.confidences):.3f}",
        "",
        "[shrinkage]",
        'origin = "the shares are pooled from the counts below; the weight of the drives is an assumption"',
        f"drives = {DRIVES}",
        f"by_rank = [{', '.join(f'{share:.4f}' for share in by_rank)}]",
        f"covered = {covered:.4f}",
        f"false_alarm = {false_alarm:.5f}",
        "",
        "[answered]",
        *(f"{detector} = {_row(counts)}" for detector, counts in sorted(tally.answered.items())),
    ]
    for detector, keys in sorted(tally.found.items()):
        lines += ["", f"[found.{detector}]", *(f'"{key}" = {_row(counts)}' for key, counts in sorted(keys.items()))]
    return "\n".join(lines) + "\n"


def _row(counts: Counter[str]) -> str:
    return "{ " + ", ".join(f"{part} = {counts[part]}" for part in sorted(counts) if counts[part]) + " }"


def test_likelihoods() -> None:
    stories = [*faulty_stories(PER_FAULT), *sound_stories(PER_LAYOUT)]
    tally = counted(stories, all_judged(stories))
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False, cwd=Path(__file__).parent
    ).stdout.strip()
    of = tally.answered[CODES]
    origin = (
        f"measured {datetime.now(UTC):%Y-%m-%d} at {commit or 'no commit'}: {sum(of.values()) - of[SOUND]} drives of"
        f" virtual cars with one fault and {of[SOUND]} of sound ones, seeds from {FIRST_SEED}, severities evenly from"
        f" {FIRST_SIGNS:g} to 1"
    )
    text = as_toml(tally, origin)
    print(f"\n{text}")
    if "OBDWATCH_LIKELIHOODS" in os.environ:
        Path(os.environ["OBDWATCH_LIKELIHOODS"]).write_text(text, encoding="utf-8")
    assert of[SOUND] > 100
    assert all(of[FAULT_BY_NAME[story.wears[0].name].part] > 0 for story in stories if story.wears)
