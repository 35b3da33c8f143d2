"""The car's own test results (service 06) of a drive, put together by test; several detectors read them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from operator import attrgetter

from obdwatch.detectors.sampled import once
from obdwatch.records import Drive, MonitorResult

Test = tuple[int | None, int, int]
"""Control unit, monitor, test."""


def tests_of(drive: Drive) -> Mapping[Test, Sequence[MonitorResult]]:
    """Return the results of each test in the order of time, the test first that was read first; once per drive."""
    return once(drive, "results by test", lambda: _by_test(drive.monitors))


def _by_test(results: Sequence[MonitorResult]) -> dict[Test, list[MonitorResult]]:
    tests: dict[Test, list[MonitorResult]] = defaultdict(list)
    for result in sorted(results, key=attrgetter("t")):
        tests[result.ecu, result.monitor, result.test].append(result)
    return dict(tests)
