"""How likely a detector's answer, or a code, is when one part is degraded and when nothing is: counts, kept as data.

`data/likelihoods.toml` holds counts of judged drives; its `origin` says which. A count of a few drives is no
probability yet, so each is shrunk towards what is usual for a part that stands at that place in a detector's list.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from obdwatch.errors import InputError

SHIPPED = Path(__file__).parent / "data" / "likelihoods.toml"
SOUND = "sound"  # the column for drives of cars with nothing degraded
CODES = "codes"  # the row for trouble codes, which are counted as a detector's answers are
HALF = 0.5
"""How many false alarms the usual rate of all signatures counts for: one that has never been a false alarm in some
hundred drives is not free of them, but it is no worse than the others (a gamma prior with their mean)."""

SUREST = 0.95  # no detector is taken to show more of the worn parts than this (assumption)
UNMEASURED = 0.5
"""Weight of a fault or code that no counted drive has shown: how often it is a false alarm has not been seen either
(assumption)."""

Counts = Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Likelihoods:
    """Counts of judged drives, and how they are shrunk.

    `answered[detector][part]` counts drives, with only that part degraded, on which the detector gave a verdict;
    `found[detector][signature][part]` those on which it was this fault, the signature with the part it named first.
    `by_rank` and `covered` are the usual shares, and count like `drives` further drives; `false_alarm` is the usual
    share of sound drives on which one signature comes.
    """

    origin: str
    typical_confidence: float
    drives: float
    by_rank: tuple[float, ...]
    covered: float
    false_alarm: float
    answered: Mapping[str, Counts]
    found: Mapping[str, Mapping[str, Counts]]
    # What was reckoned of silence: asked again for every drive of a car, and for every point of a part's growth.
    _silences: dict[tuple[str, str], float] = field(default_factory=dict, repr=False, compare=False)

    def of_fault(self, detector: str, signature: str, listed: Sequence[str], part: str) -> float:
        """Return P(this fault | only this part degraded) / P(this fault | nothing degraded), at least 1.

        `listed` are the parts the finding names, likeliest first.
        """
        counts = self.found.get(detector, {}).get(key_of(signature, listed))
        weight = UNMEASURED if counts is None else 1.0
        counts = counts or {}
        alarm = self._false_alarm(detector, counts.get(SOUND, 0))
        usual = self.by_rank[min(listed.index(part), len(self.by_rank) - 1)] if part in listed else 0.0
        of = self.answered.get(detector, {}).get(part, 0)
        shown = (counts.get(part, 0) + self.drives * usual) / (of + self.drives)
        return float((1.0 + (1.0 - alarm) * shown / alarm) ** weight)

    def of_silence(self, detector: str, part: str) -> float:
        """Return P(healthy | only this part degraded) / P(healthy | nothing degraded), at most 1."""
        asked = (detector, part)
        if asked not in self._silences:
            self._silences[asked] = self._of_silence(detector, part)
        return self._silences[asked]

    def _of_silence(self, detector: str, part: str) -> float:
        of = self.answered.get(detector, {})
        found = self.found.get(detector, {})
        seen = sum(counts.get(part, 0) for counts in found.values())
        covers = any(key.rpartition("/")[2] == part for key in found)
        shown = (seen + self.drives * (self.covered if covers else 0.0)) / (of.get(part, 0) + self.drives)
        alarms = sum(counts.get(SOUND, 0) for counts in found.values()) / max(1, of.get(SOUND, 0))
        return min(1.0, (1.0 - min(shown, SUREST)) / (1.0 - alarms))

    def _false_alarm(self, detector: str, count: int) -> float:
        return (count + HALF) / (self.answered.get(detector, {}).get(SOUND, 0) + HALF / self.false_alarm)


def key_of(signature: str, listed: Sequence[str]) -> str:
    """Return under which name a fault is counted.

    >>> key_of("one_cylinder", ("ignition_coil", "spark_plugs"))
    'one_cylinder/ignition_coil'
    >>> key_of("unmetered_air", ("crankcase_ventilation", "intake_leak"))
    'unmetered_air/intake_leak'
    """
    # No drive tells these two leaks apart: the car's age orders them, and they are counted as one answer.
    if listed and listed[0] == "crankcase_ventilation" and "intake_leak" in listed:
        return f"{signature}/intake_leak"
    return f"{signature}/{listed[0]}" if listed else signature


@lru_cache(maxsize=4)
def read_likelihoods(path: Path = SHIPPED) -> Likelihoods:
    """Read the counts. Raises InputError, naming file and key, for a file that is not of this shape."""
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        shrinkage = table["shrinkage"]
        read = Likelihoods(
            origin=table["origin"],
            typical_confidence=float(table["typical_confidence"]),
            drives=float(shrinkage["drives"]),
            by_rank=tuple(float(share) for share in shrinkage["by_rank"]),
            covered=float(shrinkage["covered"]),
            false_alarm=float(shrinkage["false_alarm"]),
            answered=table["answered"],
            found=table["found"],
        )
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from None
    except KeyError as missing:
        raise InputError(f"{path}: the key {missing} is missing") from None
    _check(read, path)
    return read


def _check(read: Likelihoods, path: Path) -> None:
    shares = (*read.by_rank, read.covered, read.false_alarm)
    if not read.by_rank or not all(0.0 <= share < 1.0 for share in shares):
        raise InputError(f"{path}: the shares under 'shrinkage' lie from 0 to below 1")
    if read.drives <= 0.0 or read.false_alarm <= 0.0:
        raise InputError(f"{path}: 'drives' and 'false_alarm' under 'shrinkage' lie above 0")
    for detector, signatures in read.found.items():
        answered = read.answered.get(detector, {})
        for signature, counts in signatures.items():
            wrong = [part for part, count in counts.items() if not 0 <= count <= answered.get(part, 0)]
            if wrong:
                raise InputError(
                    f"{path}: found.{detector}.'{signature}' counts more drives of '{wrong[0]}' than were answered"
                )
