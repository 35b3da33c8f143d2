"""The numbers of a comparison as lines on a terminal."""

from __future__ import annotations

from obdwatch.comparing.proof_records import Change, Compared, Proof
from obdwatch.comparing.proof_words import (
    capital,
    compared_both,
    interval_words,
    limits_words,
    side_words,
    verdict_words,
)

SHOWN_UNTOUCHED = (Change.WORSE,)


def measure_lines(proof: Proof, units: str, full: bool) -> list[str]:
    """The numbers: those that the repair should move, and others that became worse; all of them if `full`."""
    both = compared_both(proof)
    shown = [m for m in both if full or m.touched or m.change in SHOWN_UNTOUCHED]
    if not full and not proof.parts:
        shown = [m for m in shown if m.change is not Change.UNCHANGED]
    quiet = [] if full else [m for m in shown if m.change is Change.UNCHANGED and not m.why]
    lines = [line for m in shown if m not in quiet for line in _measure(m, units)]
    lines += [f"  Unchanged: {'; '.join(m.words for m in quiet)}."] if quiet else []
    left = len(both) - len(shown)
    if left and not full:
        more = "1 more number was" if left == 1 else f"{left} more numbers were"
        lines.append(f"  {more} compared; --full shows all with their values.")
    return ["The numbers, before and after:", *lines] if lines else []


def _measure(one: Compared, units: str) -> list[str]:
    before, after = side_words(one, one.before, units), side_words(one, one.after, units)
    in_order = f" (in order: {limits})" if (limits := limits_words(one, units)) else ""
    lines = [f"  {capital(one.words)}: {verdict_words(one)}. Before {before}, after {after}{in_order}."]
    between = interval_words(one, units)
    if between is None:
        return lines
    return [*lines, f"    The difference lies between {between[0]} and {between[1]} (95 % sure)."]
