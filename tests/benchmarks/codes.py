"""What reading trouble codes costs: a cold start of the command, all codes, a search.

Run on request: `pytest tests/benchmarks/codes.py -s`. The cold start is compared with that of the interpreter alone.
"""

from __future__ import annotations

import subprocess
import sys
import time

from obdwatch.explanations.code_table import all_facts
from obdwatch.explanations.codes import explain, search

MOST_SECONDS = 0.3  # from the shell to the answer; what the command promises
RUNS = 7


def fastest(*arguments: str) -> float:
    """The best of some runs: the machine may be busy with other things, the code is not."""
    took = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
        took.append(time.perf_counter() - begun)
    return min(took)


def test_a_cold_start_answers_at_once() -> None:
    bare = fastest("-c", "pass")
    whole = fastest("-m", "obdwatch", "codes", "P0171", "P0300", "--json")
    print(
        f"\ntwo codes from a cold start: {whole:.3f} s, {whole / bare:.1f} times the interpreter alone ({bare:.3f} s)"
    )
    assert whole < MOST_SECONDS


def test_all_codes_and_a_search() -> None:
    begun = time.perf_counter()
    count = sum(1 for facts in all_facts() if explain(facts.code))
    explained = time.perf_counter() - begun
    begun = time.perf_counter()
    found = len(search("cam timing"))
    print(
        f"\n{count} codes explained in {explained:.1f} s; a search found {found} in {time.perf_counter() - begun:.2f} s"
    )
    assert count > 2700
    assert found > 0
