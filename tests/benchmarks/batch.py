"""What judging many drives of one car costs: whether it grows with the drives before, and whether both workers work.

Run on request: `pytest tests/benchmarks/batch.py -s`. Processor time, so that other work on the machine does not count;
both figures are ratios within one run. Needs /proc for the second.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from pathlib import Path

import pytest

from obdwatch import batch
from obdwatch.logbook.logbook import Logbook
from tests.many_sessions import add_drives

DRIVES = 40
MOST_GROWTH = 2.0  # of the last quarter of the drives over the first: a history is looked at, its signals are not
LEAST_SHARE = 0.5  # of the work of the busier worker that the other one does: drives of one car wait for each other

pytestmark = pytest.mark.benchmark


def shelf(folder: Path) -> Logbook:
    book = Logbook(folder)
    add_drives(book, "fern", DRIVES)
    return book


def test_the_last_drives_cost_little_more_than_the_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "FEWEST_FOR_WORKERS", DRIVES + 1)
    book = shelf(tmp_path)
    ends = [time.process_time()]
    for outcome in batch.run(batch.jobs_for(book, [], [], None, every=True), book):
        assert outcome.problem is None
        ends.append(time.process_time())
    quarter = DRIVES // 4
    first, last = ends[quarter] - ends[0], ends[-1] - ends[-1 - quarter]
    print(f"\n{DRIVES} drives: first quarter {first:.2f} s, last quarter {last:.2f} s, {last / first:.2f} times")
    assert last / first < MOST_GROWTH


def processor_time(pid: int | None) -> float:
    """Seconds a process has computed (proc(5): user and system time in clock ticks)."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii", errors="replace").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")
def test_both_workers_do_their_share(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "cores", lambda: 2)
    book = shelf(tmp_path)
    used: dict[int | None, float] = {}
    for _ in batch.run(batch.jobs_for(book, [], [], None, every=True), book):
        used |= {child.pid: processor_time(child.pid) for child in multiprocessing.active_children()}
    print(f"\nseconds of each worker: {', '.join(f'{seconds:.2f}' for seconds in used.values())}")
    assert len(used) == 2
    assert min(used.values()) > LEAST_SHARE * max(used.values())
