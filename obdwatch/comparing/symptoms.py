"""What became of the faults: the verdicts of a detector on both sides, with what its numbers say beyond chance.

A fault that is not seen any more because its conditions were not driven is not proven gone: "cannot tell" of a detector
and conditions that do not match keep it open.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from obdwatch.comparing.judging import CHANCE, CLUSTERS
from obdwatch.comparing.proof_records import Change, Compared, DriveRecord, Symptom
from obdwatch.comparing.readings import Pairing
from obdwatch.comparing.wanted import LIKE_BEFORE, MISFIRE_LIKE
from obdwatch.physics.two_samples import shares_differ
from obdwatch.records import Finding, Verdict

NOT_ASKED = frozenset({"trends"})
"""It reads many drives at once, so it has no before and after."""

FAULT, HEALTHY, OPEN = Verdict.FAULT, Verdict.HEALTHY, Verdict.NOT_ENOUGH_DATA

EXPECTED_EVENTS = 3.0
"""So many events expected and none seen leave 5 % for chance (rule of three; Poisson)."""

FEWEST_FOR_DEGREE = 2
"""Drives on each side before a fault that is still there is called less or more: it shows by the road, too."""

MOSTLY = 50.0
"""Share of the misfires [%] from which a condition is theirs, where it is also twice that of the turns."""

LIFT = 2.0


def verdicts(side: Sequence[DriveRecord], detector: str) -> tuple[Verdict, ...]:
    """Return what a detector said of each drive."""
    return tuple(f.verdict for drive in side for f in drive.findings if f.detector == detector)


def state(said: Collection[Verdict]) -> Verdict:
    """Return one verdict for a side: a fault seen once is seen; a healthy drive tells more than one that cannot."""
    return FAULT if FAULT in said else HEALTHY if HEALTHY in said else OPEN


def detectors_that_decide(
    before: Sequence[DriveRecord], after: Sequence[DriveRecord], parts: Collection[str], touched: Collection[str]
) -> tuple[str, ...]:
    """Return the detectors whose fault the repair was for.

    Those that named a repaired part on either side; else those of the parts that saw any fault; else those of the
    parts. Without a known repair: those that saw a fault on either side, else all.
    """
    every: Mapping[str, list[Finding]] = _by_detector((*before, *after))
    known = [name for name in every if name not in NOT_ASKED and (not parts or name in touched)]
    faulty = [name for name in known if any(f.verdict is FAULT for f in every[name])]
    bases = {part.partition(":")[0] for part in parts}
    named = [
        name
        for name in every
        if name not in NOT_ASKED
        and any(f.verdict is FAULT and bases & {p.partition(":")[0] for p in f.parts} for f in every[name])
    ]
    return tuple(named or faulty or known)


def _by_detector(drives: Sequence[DriveRecord]) -> dict[str, list[Finding]]:
    found: dict[str, list[Finding]] = {}
    for drive in drives:
        for finding in drive.findings:
            found.setdefault(finding.detector, []).append(finding)
    return found


def symptom(
    detector: str,
    before: Sequence[DriveRecord],
    after: Sequence[DriveRecord],
    measures: Sequence[Compared],
    pairs: Sequence[Pairing],
) -> Symptom:
    """Return what became of one detector's fault."""
    one, other = verdicts(before, detector), verdicts(after, detector)
    own = [m for m in measures if m.detector == detector]
    better = [m for m in own if m.change in (Change.PROVEN, Change.BETTER)]
    worse = [m for m in own if m.change is Change.WORSE]
    unlike = unlike_conditions(detector, one, other, pairs, before, after)
    change, why = _outcome(one, other, bool(better), bool(worse), unlike)
    wishes = _wishes(detector, change, one, other, after)
    return Symptom(detector, change, one, other, why, wishes)


def unlike_conditions(
    detector: str,
    one: Sequence[Verdict],
    other: Sequence[Verdict],
    pairs: Sequence[Pairing],
    before: Sequence[DriveRecord],
    after: Sequence[DriveRecord],
) -> str:
    """Return in words which conditions of the fault the other side did not meet, empty where they agree."""
    if detector == "misfire" and {state(one), state(other)} == {FAULT, HEALTHY}:
        faulty, sound = (before, after) if state(one) is FAULT else (after, before)
        missing = misfire_condition_missing(faulty, sound)
        if missing:
            return missing
    own = [pair for pair in pairs if pair.detector == detector and pair.had_before and pair.had_after]
    open_ones = [pair for pair in own if pair.unlike and pair.rule.alike]
    if own and not any(pair.before for pair in own):
        open_ones = own
    named = dict.fromkeys(condition for pair in open_ones for condition in pair.unlike)
    return " and ".join(name.replace("_", " ") for name in named)


def misfire_condition_missing(faulty: Sequence[DriveRecord], sound: Sequence[DriveRecord]) -> str:
    """Return the condition in which most misfires came and which the sound drives met too little, in words."""
    total = _misfires(faulty, None)
    for condition, words in MISFIRE_LIKE.items():
        count, ran = _misfires(faulty, condition), _turns(faulty, condition)
        if total <= 0.0 or ran <= 0.0 or 100.0 * count / total < MOSTLY:
            continue
        if count / total < LIFT * ran / max(_turns(faulty, None), ran):
            continue
        if count / ran * _turns(sound, condition) / CLUSTERS < EXPECTED_EVENTS:
            return words
    return ""


def _turns(side: Sequence[DriveRecord], condition: str | None) -> float:
    """Revolutions in a condition, in all states of load for None."""
    names = ("idle", "light", "loaded") if condition is None else (condition,)
    return sum(drive.turns.get(name, 0.0) for drive in side for name in names)


def _misfires(side: Sequence[DriveRecord], condition: str | None) -> float:
    """Misfires in a condition, all of them for None."""
    found = 0.0
    for finding in (f for drive in side for f in drive.findings if f.detector == "misfire"):
        known = {m.name: m.value for m in (*finding.measures, *finding.learnt)}
        count = sum(value for name, value in known.items() if name.startswith("count_cylinder_"))
        found += count if condition is None else count * known.get(f"share_{condition}", 0.0) / 100.0
    return found


def _outcome(
    one: Sequence[Verdict], other: Sequence[Verdict], better: bool, worse: bool, unlike: str
) -> tuple[Change, str]:
    was, now = state(one), state(other)
    if was is FAULT and now is HEALTHY:
        return _gone(one, other, better and not worse, unlike)
    if was is HEALTHY and now is FAULT:
        return Change.WORSE, "It was in order before and is not now."
    if was is FAULT and now is FAULT:
        still = "The fault is still there after the repair"
        if better != worse and min(len(one), len(other)) >= FEWEST_FOR_DEGREE:
            return (Change.BETTER, f"{still}, but less.") if better else (Change.WORSE, f"{still}, and more.")
        return Change.UNCHANGED, f"{still}."
    if was is HEALTHY and now is HEALTHY:
        return Change.UNCHANGED, "It was in order before and is in order now."
    if better != worse and min(len(one), len(other)) >= FEWEST_FOR_DEGREE:
        said = (
            "The numbers that can be compared are {} beyond chance, but the drives do not show whether all is in order."
        )
        return (Change.BETTER, said.format("better")) if better else (Change.WORSE, said.format("worse"))
    if was is OPEN and now is HEALTHY:
        return Change.CANNOT_TELL, "It is in order now; whether it was before, those drives could not show."
    which = "after" if now is OPEN and was is not OPEN else "before" if now is not OPEN else "before and after"
    seen = " The fault was not seen again, but it could not have been seen." if was is FAULT else ""
    return Change.CANNOT_TELL, f"The drives {which} the repair could not show it.{seen}"


def _gone(one: Sequence[Verdict], other: Sequence[Verdict], better: bool, unlike: str) -> tuple[Change, str]:
    gone = "The fault was there before; the drives after the repair could have shown it and are in order"
    if unlike:
        return Change.BETTER, f"{gone}, but they were not driven alike ({unlike})."
    if better:
        return Change.PROVEN, f"{gone}. The numbers agree, beyond chance."
    judged = [[v for v in side if v is not OPEN] for side in (one, other)]
    chance = shares_differ(judged[0].count(FAULT), len(judged[0]), 0, len(judged[1]))
    if chance <= CHANCE:
        return Change.PROVEN, f"{gone}, in too many drives for chance."
    return Change.BETTER, f"{gone}, but with so few drives and no number that moved beyond chance it stays open."


def _wishes(
    detector: str, change: Change, one: Sequence[Verdict], other: Sequence[Verdict], after: Sequence[DriveRecord]
) -> tuple[str, ...]:
    if change not in (Change.BETTER, Change.CANNOT_TELL) or (state(one) is OPEN and state(other) is HEALTHY):
        return ()  # a drive before the repair cannot be made up for
    findings = [f for drive in after for f in drive.findings if f.detector == detector]
    asked = [f.drive_to_get for f in findings if f.verdict is OPEN and f.drive_to_get]
    if asked and state(other) is OPEN:
        return (asked[-1],)
    return (LIKE_BEFORE[detector],) if detector in LIKE_BEFORE else ()
