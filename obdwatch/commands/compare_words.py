"""The result of a comparison as lines on a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from obdwatch.comparing.proof_records import Change, Compared, Proof, Side
from obdwatch.comparing.wording import CHANGE_WORDS, DETECTOR_WORDS, part_words
from obdwatch.units import quantity, to_screen

if TYPE_CHECKING:
    from obdwatch.records import Session

SHOWN_UNTOUCHED = (Change.WORSE,)
DIGITS = {
    "V": 2,
    "K": 1,
    "degC": 0,
    "1/min": 0,
    "km": 0,
    "mm": 1,
    "s": 2,
    "kPa": 1,
    "deg": 1,
    "deg BTDC": 1,
    "ratio": 2,
}


def sides_line(proof: Proof, units: str) -> str:
    """Which drives were compared, and what was done between them."""
    done = ""
    if proof.repairs:
        first = proof.repairs[0]
        km = f" at {quantity(first.odometer_km, 'km', units, 0)}" if first.odometer_km is not None else ""
        what = " and ".join(dict.fromkeys(part_words(e.part) for e in proof.repairs if e.part))
        done = f"; between them, on {first.at.astimezone():%Y-%m-%d}{km}: {what}"
    return f"{_drives(proof.before)} before, {_drives(proof.after)} after{done}."


def _drives(sessions: Sequence[Session]) -> str:
    count = f"{len(sessions) or 'no'} drive{'' if len(sessions) == 1 else 's'}"
    days = [s.started_at.astimezone().strftime("%Y-%m-%d") for s in sessions if s.started_at is not None]
    if not days:
        return count
    return f"{count} ({days[0]})" if days[0] == days[-1] else f"{count} ({days[0]} to {days[-1]})"


def symptom_lines(proof: Proof) -> list[str]:
    """The faults that decide, the telling ones first; what was in order on both sides in one line."""
    quiet = [s for s in proof.symptoms if s.change is Change.UNCHANGED and "in order before" in s.why]
    loud = [s for s in proof.symptoms if s not in quiet]
    if len(quiet) + len(loud) > 3:
        loud = [s for s in loud if s.change is not Change.CANNOT_TELL]
    lines = [f"  {_capital(_detector(s.detector))}: {CHANGE_WORDS[s.change]}. {s.why}" for s in loud]
    if quiet:
        lines.append(f"  In order before and after: {', '.join(_detector(s.detector) for s in quiet)}.")
    silent = [s for s in proof.symptoms if s not in loud and s not in quiet]
    if silent:
        lines.append(f"  Not shown by these drives: {', '.join(_detector(s.detector) for s in silent)}.")
    return lines


def measure_lines(proof: Proof, units: str, full: bool) -> list[str]:
    """The numbers: those that the repair should move, and others that became worse; all of them if `full`."""
    both = [m for m in proof.measures if m.before is not None and m.after is not None and m.difference is not None]
    shown = both if full else [m for m in both if m.touched or m.change in SHOWN_UNTOUCHED]
    if not full and not proof.parts:
        shown = [m for m in shown if m.change is not Change.UNCHANGED] or shown[:0]
    order = list(Change)
    quiet = [] if full else [m for m in shown if m.change is Change.UNCHANGED and not m.why]
    loud = [m for m in shown if m not in quiet]
    lines = [line for m in sorted(loud, key=lambda m: order.index(m.change)) for line in _measure(m, units)]
    lines += [f"  Unchanged: {'; '.join(m.words for m in quiet)}."] if quiet else []
    left = len(both) - len(shown)
    if left and not full:
        more = "1 more number was" if left == 1 else f"{left} more numbers were"
        lines.append(f"  {more} compared; --full shows all with their values.")
    return ["The numbers, before and after:", *lines] if lines else []


def _measure(one: Compared, units: str) -> list[str]:
    before, after = _side(one, one.before, units), _side(one, one.after, units)
    plain = "better" if one.change is Change.BETTER and not _has_range(one) else CHANGE_WORDS[one.change]
    what = one.why.rstrip(".").replace("It moved", "moved") if one.why else plain
    lines = [f"  {_capital(one.words)}: {what}. Before {before}, after {after}{_limits(one, units)}."]
    if one.interval is not None and not _own_range(one):
        low, high = (_difference(end, one.unit, units) for end in one.interval)
        lines.append(f"    The difference lies between {low} and {high} (95 % sure).")
    return lines


def _side(one: Compared, side: Side | None, units: str) -> str:
    if side is None:
        return "unknown"
    text = quantity(side.value, one.unit, units, _digits(one))
    if _own_range(one) and side.expected is not None:
        low, high = (quantity(end, one.unit, units, _digits(one)) for end in side.expected)
        return f"{text} (of that drive expected: {low} to {high})"
    return text


def _has_range(one: Compared) -> bool:
    return one.limits != (None, None) or _own_range(one)


def _own_range(one: Compared) -> bool:
    """Whether each drive has its own expected range, so that the plain numbers do not compare."""
    return one.detector == "warm_up" and one.name == "coolant_at_telling_time"


def _limits(one: Compared, units: str) -> str:
    low, high = (None if end is None else quantity(end, one.unit, units, _digits(one)) for end in one.limits)
    if low is None and high is None:
        return ""
    if low is not None and high is not None:
        return f" (in order: {low} to {high})"
    return f" (in order: {low} or more)" if high is None else f" (in order: up to {high})"


def _digits(one: Compared) -> int:
    if one.detector == "misfire":
        return 2
    return DIGITS.get(one.unit, 1)


def _difference(value: float, unit: str, units: str) -> str:
    """A difference of two values: of temperatures no zero point is added."""
    if unit == "degC":
        return quantity(value, "K", units, 1)
    text = quantity(value, unit, units, DIGITS.get(unit, 1))
    return text if to_screen(value, unit, units) < 0.0 else f"+{text}"


def _detector(name: str) -> str:
    return DETECTOR_WORDS.get(name, name.replace("_", " "))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
