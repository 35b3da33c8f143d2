"""Which single test or drive would tell most about a part: the one with the largest expected gain of information.

A test is worth as much as its result would change what is known: nothing where the part is as good as sure, or where
the test answers alike either way. Tests are data (`data/tests.toml`); the shares of recorded drives are those that were
measured of the detectors.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from obdwatch.errors import InputError
from obdwatch.parts.likelihoods import SOUND, Likelihoods, read_likelihoods
from obdwatch.records import Car

SHIPPED = Path(__file__).parent / "data" / "tests.toml"
LEAST_GAIN = 0.02  # bit; below it no result would change what to do (assumption)
NEARLY_AS_GOOD = 0.9  # share of the best gain that a quicker test must reach to be named instead (assumption)
LEAST_SHOWN = 0.05  # a drive that shows fewer of the worn parts than this is no test for them


@dataclass(frozen=True, slots=True)
class Test:
    """A test: what to do, what it tells, how often it is positive on each part when degraded, and on a sound car."""

    __test__ = False  # for pytest: not a test of this program

    id: str
    do: str
    tells: str
    shows: Mapping[str, float]
    alarm: float
    minutes: float
    origin: str
    cautions: tuple[str, ...] = ()
    detector: str = ""
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    symptom: str = ""

    def suits(self, car: Car | None) -> bool:
        """Whether the car, as far as it is known, is one this test can be made on."""
        if car is None:
            return True
        known = ((getattr(car, name), wanted) for name, wanted in self.needs.items())
        return all(value is None or value in wanted for value, wanted in known)

    def sentence(self) -> str:
        """Return what to do, what it tells, and what to mind."""
        return " ".join((f"{self.do}: {self.tells}.", *self.cautions))


def deciding_sentence(
    part: str,
    degraded: Mapping[str, float],
    tests: Sequence[Test],
    car: Car | None = None,
    symptoms: Collection[str] = (),
) -> str:
    """Return what would decide most whether a part is worn, empty where nothing would.

    `degraded` are the probabilities of all parts now, `symptoms` those that were seen and speak for this part. Of tests
    that tell nearly as much as the best the quickest wins.
    """
    open_to = (test for test in tests if part in test.shows and (not test.symptom or test.symptom in symptoms))
    gains = [(information_gain(part, degraded, test), test) for test in open_to if test.suits(car)]
    best = max((gain for gain, _ in gains), default=0.0)
    if best < LEAST_GAIN:
        return ""
    good = [(test.minutes, -gain, test.id, test) for gain, test in gains if gain >= NEARLY_AS_GOOD * best]
    return min(good)[-1].sentence()


def information_gain(part: str, degraded: Mapping[str, float], test: Test) -> float:
    """Return how much the result of a test is expected to tell about a part [bit]: their mutual information.

    Other parts that the test shows too make its result say less about this one.

    >>> perfect = Test("example", "Look", "it shows", {"battery": 1.0}, 0.0, 1.0, "assumption: example")
    >>> information_gain("battery", {"battery": 0.5}, perfect), information_gain("battery", {"battery": 1.0}, perfect)
    (1.0, 0.0)
    """
    others = math.prod(1.0 - degraded.get(other, 0.0) * share for other, share in test.shows.items() if other != part)
    silent = (1.0 - test.alarm) * others
    worn = degraded[part]
    if_sound, if_worn = 1.0 - silent, 1.0 - silent * (1.0 - test.shows[part])
    positive = worn * if_worn + (1.0 - worn) * if_sound
    return max(0.0, _entropy(positive) - worn * _entropy(if_worn) - (1.0 - worn) * _entropy(if_sound))


def _entropy(probability: float) -> float:
    if not 0.0 < probability < 1.0:
        return 0.0
    return -probability * math.log2(probability) - (1.0 - probability) * math.log2(1.0 - probability)


@lru_cache(maxsize=4)
def read_tests(path: Path = SHIPPED) -> tuple[Test, ...]:
    """Read the table of tests. Raises InputError, naming file, test and key, for one that is not of its shape."""
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from None
    cautions = table.get("cautions", {})
    return tuple(_test(row, cautions, path) for row in table.get("test", ()))


def _test(row: Mapping[str, object], cautions: Mapping[str, str], path: Path) -> Test:
    where = f"{path} [{row.get('id', 'a test without an id')}]"
    try:
        detector = str(row.get("detector", ""))
        shows, alarm = (row["shows"], row["alarm"]) if not detector else _measured(detector, read_likelihoods())
        test = Test(
            id=str(row["id"]),
            do=str(row["do"]),
            tells=str(row["tells"]),
            shows=shows,  # type: ignore[arg-type]
            alarm=alarm,  # type: ignore[arg-type]
            minutes=float(row["minutes"]),  # type: ignore[arg-type]
            origin=str(row["origin"]),
            cautions=tuple(cautions[key] for key in row.get("cautions", ())),  # type: ignore[attr-defined]
            detector=detector,
            symptom=str(row.get("symptom", "")),
            needs={name: tuple(values) for name, values in row.get("needs", {}).items()},  # type: ignore[attr-defined]
        )
    except KeyError as missing:
        raise InputError(f"{where}: the key {missing} is missing") from None
    if not all(0.0 <= share <= 1.0 for share in (*test.shows.values(), test.alarm)):
        raise InputError(f"{where}: 'shows' and 'alarm' are shares from 0 to 1")
    return test


def _measured(detector: str, counts: Likelihoods) -> tuple[dict[str, float], float]:
    """How often a detector called each part's drives faulty, and those of sound cars."""
    answered = counts.answered.get(detector, {})
    alarms = sum(each.get(SOUND, 0) for each in counts.found.get(detector, {}).values())
    alarm = (alarms + 0.5) / (answered.get(SOUND, 0) + 1.0)
    shown = {part: 1.0 - (1.0 - alarm) * counts.of_silence(detector, part) for part in answered if part != SOUND}
    shows = {part: (share - alarm) / (1.0 - alarm) for part, share in shown.items()}
    return {part: share for part, share in shows.items() if share >= LEAST_SHOWN}, alarm
