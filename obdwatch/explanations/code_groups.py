"""Which of several codes to follow first, and why: the rules stand in `data/code_groups.toml`.

A rule compares two sets of codes; the first rule that fits leads. Where none fits, nothing is said. Where the car's
layout is known, misfires of neighbours and of a whole bank are recognised too.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

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


def follow_first(codes: Sequence[str], bank_cylinders: Sequence[Sequence[int]] = ()) -> tuple[Advice, ...]:
    """Return which of the codes to follow first and why, weightiest advice first.

    `bank_cylinders` are the cylinders of each bank in the order in which they stand, as a car profile names them.
    Empty for fewer than two different codes, and where no rule links them. Raises InputError for a malformed code.
    """
    known = tuple(dict.fromkeys(parse_code(code).code for code in codes))
    if len(known) < 2:
        return ()
    advice = [*(_advice(rule, known) for rule in _rules()), _misfires_by_place(known, bank_cylinders)]
    return tuple(item for item in advice if item is not None)


def _misfires_by_place(codes: tuple[str, ...], bank_cylinders: Sequence[Sequence[int]]) -> Advice | None:
    """What the places of the misfiring cylinders tell (common practice): a whole bank, or two neighbours."""
    by_cylinder = {int(code[3:]): code for code in codes if "P0301" <= code <= "P0312"}
    for number, bank in enumerate(bank_cylinders, 1):
        if len(bank_cylinders) > 1 and len(bank) > 1 and set(bank) == set(by_cylinder):
            reason = (
                f"All cylinders of bank {number} misfire and no other: look for mixture, exhaust or cam of that bank."
            )
            return Advice(tuple(by_cylinder[cylinder] for cylinder in bank), (), reason)
    for bank in bank_cylinders:
        for one, other in pairwise(bank):
            if set(by_cylinder) == {one, other}:
                reason = (
                    f"Cylinders {one} and {other} stand side by side: the head gasket may leak between them. "
                    "Measure compression and leakage before you change coils."
                )
                return Advice((by_cylinder[one], by_cylinder[other]), (), reason)
    return None


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
