"""A proof in words, number by number, for a terminal, a page or a report alike."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from obdwatch.comparing.proof_records import Change, Compared, Proof, Side
from obdwatch.comparing.wording import CHANGE_WORDS, DETECTOR_WORDS, parts_words
from obdwatch.records import Session
from obdwatch.units import odometer_text, quantity, to_screen

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
        km = f" at {odometer_text(first.odometer_km, units)}" if first.odometer_km is not None else ""
        what = parts_words(e.part for e in proof.repairs if e.part)
        done = f"; between them, on {_day(first.at)}{km}: {what}"
    return f"{_drives(proof.before)} before, {_drives(proof.after)} after{done}."


def _drives(sessions: Sequence[Session]) -> str:
    count = f"{len(sessions) or 'no'} drive{'' if len(sessions) == 1 else 's'}"
    days = [_day(s.started_at) for s in sessions if s.started_at is not None]
    if not days:
        return count
    return f"{count} ({days[0]})" if days[0] == days[-1] else f"{count} ({days[0]} to {days[-1]})"


def _day(at: datetime) -> str:
    local = at.astimezone()
    return f"{local.day} {local:%B %Y}"


def symptom_lines(proof: Proof) -> list[str]:
    """The faults that decide, the telling ones first; what was in order on both sides in one line."""
    quiet = [s for s in proof.symptoms if s.change is Change.UNCHANGED and "in order before" in s.why]
    loud = [s for s in proof.symptoms if s not in quiet]
    if len(quiet) + len(loud) > 3:
        loud = [s for s in loud if s.change is not Change.CANNOT_TELL]
    lines = [f"{capital(detector_words(s.detector))}: {CHANGE_WORDS[s.change]}. {s.why}" for s in loud]
    if quiet:
        lines.append(f"In order before and after: {', '.join(detector_words(s.detector) for s in quiet)}.")
    silent = [s for s in proof.symptoms if s not in loud and s not in quiet]
    if silent:
        lines.append(f"Not shown by these drives: {', '.join(detector_words(s.detector) for s in silent)}.")
    return lines


def compared_both(proof: Proof) -> tuple[Compared, ...]:
    """Return the numbers that both sides have, those that moved first."""
    order = list(Change)
    both = [m for m in proof.measures if m.before is not None and m.after is not None and m.difference is not None]
    return tuple(sorted(both, key=lambda m: order.index(m.change)))


def verdict_words(one: Compared) -> str:
    """Return what became of a number."""
    if one.why:
        return one.why.rstrip(".").replace("It moved", "moved")
    return "better" if one.change is Change.BETTER and not _has_range(one) else CHANGE_WORDS[one.change]


def side_words(one: Compared, side: Side | None, units: str) -> str:
    """Return the number on one side; with its own expected range where every drive has another."""
    if side is None:
        return "unknown"
    text = quantity(side.value, one.unit, units, _digits(one))
    if has_own_range(one) and side.expected is not None:
        low, high = (quantity(end, one.unit, units, _digits(one)) for end in side.expected)
        return f"{text} (of that drive expected: {low} to {high})"
    return text


def limits_words(one: Compared, units: str) -> str:
    """Return what is in order, empty where nothing says so."""
    low, high = (None if end is None else quantity(end, one.unit, units, _digits(one)) for end in one.limits)
    if low is None and high is None:
        return ""
    if low is not None and high is not None:
        return _range(low, high)
    return f"{low} or more" if high is None else f"up to {high}"


def interval_words(one: Compared, units: str) -> tuple[str, str] | None:
    """Return the ends of the 95 % interval of the difference, None where there is none that compares."""
    if one.interval is None or has_own_range(one):
        return None
    low, high = (_difference(end, one.unit, units) for end in one.interval)
    return low, high


def difference_words(one: Compared, units: str) -> str:
    """Return between what the difference lies (95 %), empty where there is none that compares."""
    ends = interval_words(one, units)
    return _range(*(end.replace("-", "−") for end in ends)) if ends is not None else ""


def _range(low: str, high: str) -> str:
    """Two quantities with the unit said once.

    >>> _range("550 rpm", "1,000 rpm"), _range("0.4%", "0.9%")
    ('550 to 1,000 rpm', '0.4 to 0.9%')
    """
    unit = high.lstrip("+−-0123456789.,")
    return f"{low.removesuffix(unit)} to {high}"


def has_own_range(one: Compared) -> bool:
    """Whether each drive has its own expected range, so that the plain numbers do not compare."""
    return one.detector == "warm_up" and one.name == "coolant_at_telling_time"


def _has_range(one: Compared) -> bool:
    return one.limits != (None, None) or has_own_range(one)


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


def detector_words(name: str) -> str:
    """Return what a detector looks at."""
    return DETECTOR_WORDS.get(name, name.replace("_", " "))


def capital(text: str) -> str:
    """Return a text with its first letter large."""
    return text[:1].upper() + text[1:]
