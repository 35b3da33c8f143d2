"""Numbers are held to what they count or measure, so that no line ends between them; for pages and for reports."""

from __future__ import annotations

import calendar
import re

from obdwatch.units import METRIC, US

_SPACE = "\N{NO-BREAK SPACE}"
_NAMES = {shown.name for table in (METRIC, US) for shown in table.values()} | set(METRIC) | set(US)
_PLAIN = {"A", "Hz", "K/MJ", "L", "MJ", "V", "W/K", "mV", "mm", "ms", "mpg", "s", "°", "°C"}
_COUNTED = {
    f"{one}{s}" for one in ("second", "minute", "hour", "day", "week", "month", "year", "job") for s in ("", "s")
}
_MONTHS = {name for name in (*calendar.month_name, *calendar.month_abbr) if name}
_NO_UNITS = {"% a minute", "1/h", "1/min", "ratio", "us", "°"}  # not written behind a number, or words themselves
_BEHIND = "|".join(
    sorted(map(re.escape, ({"miles"} | _NAMES | _PLAIN | _COUNTED | _MONTHS) - _NO_UNITS - {""}), key=len, reverse=True)
)
_BEFORE = "about|for|over|part|pieces|under|visit"  # the amounts and chances of a plan, which have no unit behind them
_BREAKS = re.compile(
    rf"(?<=\d) (?=(?:{_BEHIND}|[A-Z]{{3}})(?![\w/]))"  # three capitals: the code of a currency (ISO 4217)
    r"|(?<=[\d%]) (?=→)|(?<=→) (?=\S)"
    rf"|(?i:(?<!\w)({_BEFORE})) (?=\d)"
)


def held(text: str) -> str:
    """Return `text` with each number held to its unit, to what it counts, or to the word before an amount.

    >>> held("At 1,784 rpm and 52 mph the 2 metal clips held, 4 mm apart").replace("\N{NO-BREAK SPACE}", "_")
    'At 1,784_rpm and 52_mph the 2 metal clips held, 4_mm apart'
    >>> held("Visit 1: 20 minutes, for 2 jobs, about 872 to pay, 11% → 62%").replace("\N{NO-BREAK SPACE}", "_")
    'Visit_1: 20_minutes, for_2_jobs, about_872 to pay, 11%_→_62%'
    """
    return _BREAKS.sub(lambda found: f"{found[1] or ''}{_SPACE}", text)
