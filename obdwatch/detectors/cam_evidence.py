"""What the car itself says of its cams: results of the cam timing monitors (service 06) and trouble codes.

Which test of a monitor is the intake cam is not published: the car's description, then the codes, then the order of
tests decide (`monitor_results_parts`). Trouble codes are those of SAE J2012.
"""

from __future__ import annotations

from dataclasses import dataclass

from obdwatch.detectors.monitor_results_margin import Judged, sort_results
from obdwatch.detectors.monitor_results_parts import CAMS, bank_of_monitor, parts_of
from obdwatch.records import Car, CodeKind, Drive

INTAKE, EXHAUST = "cam_timing_solenoid_intake", "cam_timing_solenoid_exhaust"

NEAR = 15.0
"""Margin [% of the allowed span] below which a cam is close to its limit; it is 50 in the middle, so 15 stands for 70 %
of the way (common practice: a share of the limit of 0.7 is worth watching)."""

_PLACES = ((INTAKE, 1), (EXHAUST, 1), (INTAKE, 2), (EXHAUST, 2))
_KINDS = {
    "circuit": ("P0010", "P0013", "P0020", "P0023"),
    "advanced": ("P0011", "P0014", "P0021", "P0024"),
    "retarded": ("P0012", "P0015", "P0022", "P0025"),
    "chain": ("P0016", "P0017", "P0018", "P0019"),
    "off_target": ("P0026", "P0027", "P0028", "P0029"),
    "slow": ("P000A", "P000B", "P000C", "P000D"),
}
CODES: dict[str, tuple[str, int, str]] = {
    code: (*place, what) for what, codes in _KINDS.items() for code, place in zip(codes, _PLACES, strict=True)
}
"""Solenoid, bank and kind of each trouble code of a cam (SAE J2012)."""

CURRENT = (CodeKind.STORED, CodeKind.PENDING)
"""Memories whose codes are of now; a permanent code stays until the monitor has passed again (40 CFR 86.010-18)."""


@dataclass(frozen=True, slots=True)
class CamResult:
    """A cam's own test result: `part` is the solenoid it points to, `margin` [%] as in `Judged`, negative = failed."""

    judged: Judged
    part: str
    bank: int

    @property
    def failed(self) -> bool:
        """Whether it lies beyond its limit."""
        return self.judged.failed


@dataclass(frozen=True, slots=True)
class CamCode:
    """A trouble code of a cam; `stored` where it is confirmed, not only pending."""

    code: str
    part: str
    bank: int
    what: str
    stored: bool


@dataclass(frozen=True, slots=True)
class CamEvidence:
    """All results (worst first) and codes (likeliest first); `waiting` where monitors are there but have not run."""

    results: tuple[CamResult, ...]
    codes: tuple[CamCode, ...]
    waiting: bool

    @property
    def part(self) -> str | None:
        """The solenoid that the car itself accuses, by failed result, else by code."""
        failed = [one for one in self.results if one.failed]
        if failed:
            return failed[0].part
        return None if self.results or not self.codes else self.codes[0].part

    @property
    def cleared(self) -> bool:
        """Whether the monitors have run and every result is well within its limits."""
        return bool(self.results) and all(one.judged.margin >= NEAR for one in self.results)


def evidence_of(drive: Drive, car: Car | None) -> CamEvidence:
    """Collect what the control unit says of its cams."""
    codes = codes_of(drive)
    names = frozenset(one.code for one in codes)
    found = sort_results(drive)
    judged = [one for one in found.judged if one.result.monitor in CAMS]
    results = [
        CamResult(one, parts_of(one, car, names, judged)[0], bank_of_monitor(one.result.monitor) or 1) for one in judged
    ]
    results.sort(key=lambda one: one.judged.margin)
    return CamEvidence(tuple(results), codes, any(one.monitor in CAMS for one in found.not_run))


def codes_of(drive: Drive) -> tuple[CamCode, ...]:
    """Return the cam codes of a drive, stored ones and chain codes first, each once."""
    kinds: dict[str, set[CodeKind]] = {}
    for reading in drive.codes:
        if reading.code in CODES and reading.kind in CURRENT:
            kinds.setdefault(reading.code, set()).add(reading.kind)
    found = [CamCode(code, *CODES[code], stored=CodeKind.STORED in seen) for code, seen in kinds.items()]
    return tuple(sorted(found, key=lambda one: (not one.stored, one.what != "chain", one.code)))
