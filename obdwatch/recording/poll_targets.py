"""How often each parameter of this car should be asked over a link of this speed.

The wishes are data (`poll_targets.toml`): an interval per poll class, and what each detector needs. Where the link
cannot keep up, what no detector needs is slowed down first, then a need that cannot be met at all is given up, then
everything is stretched alike.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, fields_of
from obdwatch.records import PollClass

NEEDED_SHARE = 0.9  # of the link, for what detectors need, when it cannot carry everything; common practice
SLOWEST = 120.0  # s; nothing waits longer than this because others need the link
_FILE = Path(__file__).with_suffix(".toml")
_ORDER = tuple(PollClass)  # most urgent first


@dataclass(frozen=True, slots=True)
class Need:
    """What one detector needs: intervals [s] by parameter id, and the `slowest` [s] at which its data still speak."""

    detector: str
    slowest: float
    intervals: Mapping[int, float]


@dataclass(frozen=True, slots=True)
class Wishes:
    """Intervals [s] by poll class, and the needs of the detectors."""

    classes: Mapping[PollClass, float]
    needs: tuple[Need, ...]


def read_wishes(path: Path = _FILE) -> Wishes:
    """Read the table of wishes."""
    table = tomllib.loads(path.read_text("utf-8"))
    needs = tuple(Need(row["detector"], row["slowest"], _by_pid(row["interval"])) for row in table["need"])
    return Wishes({PollClass(name): interval for name, interval in table["class"].items()}, needs)


def poll_class(pid: int) -> PollClass:
    """The class of a whole parameter id: that of its most urgent field; rare where its content is not public."""
    classes = [parameter.poll_class for parameter in fields_of(pid)]
    return min(classes, key=_ORDER.index, default=PollClass.RARE)


def intervals(pids: Iterable[int], capacity: float, wishes: Wishes) -> dict[int, float]:
    """How often to ask each of `pids` [s] over a link that carries `capacity` values per second.

    Parameters that are asked once or never are left out. Where the link suffices, the wishes come back unchanged.
    """
    usual = {pid: wishes.classes[group] for pid in pids if (group := poll_class(pid)) in wishes.classes}
    needs = [need for need in wishes.needs if need.intervals.keys() & usual.keys()]
    while True:
        needed = _tightest(needs, usual)
        others = {pid: interval for pid, interval in usual.items() if pid not in needed}
        if _demand(needed) + _demand(others) <= capacity:
            return needed | others
        stretch = max(1.0, _demand(needed) / (NEEDED_SHARE * capacity))
        hopeless = _hopeless(needs, usual, stretch)
        if hopeless is None:
            break
        needs.remove(hopeless)
    left = capacity - _demand(needed) / stretch
    return _stretched(needed, stretch) | _stretched(others, max(1.0, _demand(others) / left))


def _by_pid(by_key: Mapping[str, float]) -> dict[int, float]:
    return {PARAMETER_BY_KEY[key].pid: interval for key, interval in by_key.items()}


def _tightest(needs: Iterable[Need], supported: Mapping[int, float]) -> dict[int, float]:
    tightest: dict[int, float] = {}
    for need in needs:
        for pid in need.intervals.keys() & supported.keys():
            tightest[pid] = min(need.intervals[pid], tightest.get(pid, need.intervals[pid]))
    return tightest


def _hopeless(needs: Iterable[Need], supported: Mapping[int, float], stretch: float) -> Need | None:
    """The need that is furthest from being met, None where all are met well enough."""

    def excess(need: Need) -> float:
        return stretch * min(need.intervals[pid] for pid in need.intervals.keys() & supported.keys()) / need.slowest

    worst = max(needs, key=excess, default=None)
    return worst if worst is not None and excess(worst) > 1.0 else None


def _demand(wanted: Mapping[int, float]) -> float:
    return sum(1.0 / interval for interval in wanted.values())


def _stretched(wanted: Mapping[int, float], factor: float) -> dict[int, float]:
    return {pid: min(interval * factor, max(interval, SLOWEST)) for pid, interval in wanted.items()}
