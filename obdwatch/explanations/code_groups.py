"""Which of several codes to follow first, and why: the rules stand in `data/code_groups.toml`.

A rule compares two sets of codes; the first rule that fits leads. Where none fits, the most urgent code does.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from obdwatch.explanations.code_structure import parse_code
from obdwatch.explanations.code_table import DATA

RULES = DATA / "code_groups.toml"
EVERYTHING = "*"


@dataclass(frozen=True, slots=True)
class Advice:
    """Follow the codes `follow` before the codes `before`, because of `reason`; `before` may be empty."""

    follow: tuple[str, ...]
    before: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class _Rule:
    follow: tuple[str, ...]
    before: tuple[str, ...]
    all_of: tuple[str, ...]
    reason: str


def follow_first(codes: Sequence[str]) -> tuple[Advice, ...]:
    """Return which of the codes to follow first and why, weightiest advice first.

    Empty for fewer than two different codes, and where no rule links them. Raises InputError for a malformed code.
    """
    known = tuple(dict.fromkeys(parse_code(code).code for code in codes))
    if len(known) < 2:
        return ()
    advice = (_advice(rule, known) for rule in _rules())
    return tuple(item for item in advice if item is not None)


def _advice(rule: _Rule, codes: tuple[str, ...]) -> Advice | None:
    if rule.all_of:
        return Advice(rule.follow, (), rule.reason) if set(rule.all_of) <= set(codes) else None
    follow = tuple(code for code in codes if _among(code, rule.follow))
    before = tuple(code for code in codes if code not in follow and _among(code, rule.before))
    return Advice(follow, before, rule.reason) if follow and before else None


def _among(code: str, ranges: Iterable[str]) -> bool:
    for item in ranges:
        first, _, last = item.partition("-")
        if item == EVERYTHING or first <= code <= (last or first):
            return True
    return False


@lru_cache(maxsize=1)
def _rules() -> tuple[_Rule, ...]:
    tables = tomllib.loads(RULES.read_text("utf-8")).values()
    return tuple(
        _Rule(tuple(row["follow"]), tuple(row["before"]), tuple(row.get("all_of", ())), row["reason"]) for row in tables
    )
