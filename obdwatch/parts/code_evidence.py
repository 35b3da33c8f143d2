"""From trouble codes to evidence for parts: the usual causes of a code, the likeliest first.

The engine computer says what it saw, not which part it was. A code that only waits for its confirmation weighs less,
and one that only remembers a part renewed since says nothing of the new one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from obdwatch.errors import InputError
from obdwatch.explanations.codes import explain
from obdwatch.explanations.knowledge import entry_for
from obdwatch.parts.drive_evidence import JudgedDrive, newest_first, suspects, symptom_of
from obdwatch.parts.likelihoods import CODES, Likelihoods
from obdwatch.parts.renewals import Renewals
from obdwatch.records import CodeKind, Evidence

PENDING = 0.7  # weight of a code seen in one drive cycle so far (assumption)
GONE = 0.5  # weight by how many newer drives read codes and no longer found it (assumption)


def evidence_of_codes(
    drives: Sequence[JudgedDrive], parts: Sequence[str], renewals: Renewals, likelihoods: Likelihoods
) -> Iterator[Evidence]:
    """Yield what the codes of one car's drives say about `parts`; each code counts once, as last read."""
    ordered = [drive for drive in newest_first(drives) if drive.codes is not None]
    seen: set[str] = set()
    for rank, drive in enumerate(ordered):
        found = {code: kinds for code, kinds in _by_code(drive).items() if code not in seen}
        seen |= set(found)
        for family, codes in _families(found).items():
            causes = causes_of(codes[0])
            if causes is None:
                continue
            kinds = frozenset(kind for code in codes for kind in found[code])
            weight = GONE**rank * (PENDING if kinds == {CodeKind.PENDING} else 1.0)
            before = [one.session for one in ordered[rank + 1 :] if set(_by_code(one)) & set(codes)]

            def ratio(part: str, family: str = family, listed: tuple[str, ...] = causes.parts) -> float:
                return likelihoods.of_fault(CODES, family, listed, part)

            place = causes.place if len(codes) == 1 else None
            for part, strength in suspects(drive.session, parts, place, renewals, ratio, weight):
                if CodeKind.PENDING not in kinds and renewals.old_code(part, drive.session, before):
                    continue
                reason = f"{_said(codes, kinds, causes, rank > 0)}. This part is {_order(part, causes)}."
                yield Evidence(
                    part, strength, reason, f"code:{drive.session.id}:{codes[0]}", symptom_of(CODES, causes.parts)
                )


def _by_code(drive: JudgedDrive) -> dict[str, set[CodeKind]]:
    found: dict[str, set[CodeKind]] = {}
    for reading in drive.codes or ():
        found.setdefault(reading.code, set()).add(reading.kind)
    return found


def _families(codes: Iterable[str]) -> dict[str, list[str]]:
    """Sort codes into those that say the same of different places: all cylinders' misfires, either bank's mixture."""
    families: dict[str, list[str]] = {}
    for code in sorted(codes):
        causes = causes_of(code)
        families.setdefault(causes.family if causes is not None else code, []).append(code)
    return families


def _said(codes: Sequence[str], kinds: frozenset[CodeKind], causes: Causes, gone: bool) -> str:
    several = len(codes) > 1
    if gone:
        state = "were set earlier" if several else "was set earlier"
    elif kinds == {CodeKind.PENDING}:
        state = "wait to be confirmed" if several else "waits to be confirmed"
    else:
        state = "are set" if several else "is set"
    title = causes.title if not several else f"the first: {causes.title}"
    return f"{'Codes' if several else 'Code'} {', '.join(codes)} {state}: {title}"


def _order(part: str, causes: Causes) -> str:
    if part not in causes.parts:
        return "known to cause it too"
    return "the usual cause" if part == causes.parts[0] else "a possible cause"


@dataclass(frozen=True, slots=True)
class Causes:
    """What a code usually comes from: parts, likeliest first; the cylinder or bank it names; its title.

    `family` is the first of the codes that say the same of other places (P0301 for every cylinder's misfire).
    """

    family: str
    parts: tuple[str, ...]
    place: tuple[str, int] | None
    title: str


@lru_cache(maxsize=512)
def causes_of(code: str) -> Causes | None:
    """Return the usual causes of a code, None where no wear part is among them or the code is none."""
    try:
        known = explain(code)
    except InputError:
        return None
    parts = tuple(dict.fromkeys(cause.part for cause in known.causes if cause.part))
    named = (("cylinder", known.place.cylinder), ("bank", known.place.bank))
    place = next(((name, number) for name, number in named if number is not None), None)
    entry = entry_for(known.code)
    return Causes(entry.codes[0] if entry is not None else known.code, parts, place, known.title) if parts else None
