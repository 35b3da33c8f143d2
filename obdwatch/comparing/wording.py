"""The result of a comparison in plain words: the verdict in one line, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from obdwatch.comparing.proof_records import Change, Compared, DriveRecord, Symptom
from obdwatch.comparing.readings import Pairing
from obdwatch.explanations.findings import explain
from obdwatch.explanations.part_names import PART_NAMES
from obdwatch.records import Finding, Verdict

CHANGE_WORDS: Mapping[Change, str] = MappingProxyType(
    {
        Change.PROVEN: "proven",
        Change.BETTER: "better, not proven",
        Change.UNCHANGED: "unchanged",
        Change.WORSE: "worse",
        Change.CANNOT_TELL: "cannot tell yet",
    }
)

DETECTOR_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "warm_up": "the warm-up of the engine",
        "cooling": "the cooling",
        "fuel_trims": "the fuel mixture",
        "air_filling": "how the engine fills with air",
        "ignition_timing": "the ignition timing",
        "cam_timing": "the cam timing",
        "misfire": "misfires",
        "cranking": "the start of the engine",
        "charging": "the charging of the battery",
        "oxygen_sensors": "the oxygen sensors",
        "catalyst": "the catalyst",
        "idle_quality": "the idle",
        "monitor_results": "the car's own test results",
        "rationality": "the sensors' agreement",
    }
)
"""What a detector looks at, as a reader would say it."""

ONE_EACH = (
    "One drive on {} cannot show how much the numbers scatter from day to day: a usual scatter is assumed."
    " A second drive {} makes it surer."
)


def parts_words(parts: Iterable[str]) -> str:
    """Return several parts as a sentence lists them, each once.

    >>> parts_words(["thermostat", "coolant_pump", "drive_belt", "thermostat"])
    'thermostat, coolant pump and drive belt'
    """
    *others, last = dict.fromkeys(part_words(part) for part in parts) or [""]
    return f"{', '.join(others)} and {last}" if others else last


def part_words(part: str) -> str:
    """Return a part by the name a reader knows, with its place.

    >>> part_words("ignition_coil:3"), part_words("thermostat")
    ('ignition coil 3', 'thermostat')
    """
    base, _, place = part.partition(":")
    name = PART_NAMES.get(base, base.replace("_", " "))
    return f"{name} {place}" if place else name


def out_of_sight(parts: Sequence[str]) -> str:
    """Return the verdict on parts that no number of a drive depends on."""
    done = parts_words(parts)
    return (
        f"Cannot be told from drives ({done}): nothing the car reports depends on it. Look at it: 'obdwatch inspect'."
    )


def headline(
    change: Change, symptoms: Sequence[Symptom], parts: Sequence[str], had_before: bool, had_after: bool
) -> str:
    """Return the verdict in one line."""
    done = parts_words(parts)
    about = f" ({done})" if done else ""
    if not had_after:
        return f"Not proven yet{about}: no drive after the repair is there to compare."
    if not had_before:
        return f"Cannot be told{about}: no drive before the repair is there to compare with."
    still = any(Verdict.FAULT in one.after for one in symptoms)
    return {
        Change.PROVEN: f"Proven: what was wrong is in order now{about}.",
        Change.BETTER: f"Better, but not proven yet{about}.",
        Change.UNCHANGED: f"Unchanged: the fault is still there{about}."
        if still
        else f"Unchanged: nothing was wrong before or after, as far as these drives show{about}.",
        Change.WORSE: f"Worse than before{about}.",
        Change.CANNOT_TELL: f"Cannot be told yet{about}: the drives do not show it. That no fault is seen is no proof.",
    }[change]


def remarks(
    before: Sequence[DriveRecord],
    after: Sequence[DriveRecord],
    measures: Sequence[Compared],
    pairs: Sequence[Pairing],
    deciding: Sequence[str],
    again: Sequence[str],
) -> tuple[str, ...]:
    """Return how far the result can be trusted, and what else was seen."""
    said = []
    if before and after:
        said += _few(len(before), len(after))
    if again:
        said.append(
            f"The car itself still suspects {', '.join(again)}: as long as it does, the repair does not count as"
            " proven."
        )
    said += _worse(measures)
    others = [text[:1].lower() + text[1:].rstrip(".") for text in _other_faults(before, after, deciding)]
    said += [f"What shows after the repair and did not before: {'; '.join(others)}."] if others else []
    said += _unknown(pairs, deciding)
    return tuple(said)


def _few(before: int, after: int) -> list[str]:
    if before > 1 and after > 1:
        return []
    which = (
        "each side" if before == after == 1 else "the side before the repair" if before == 1 else "the side after it"
    )
    return [ONE_EACH.format(which, "after the repair" if after == 1 else "from before it, if there is one,")]


def _worse(measures: Sequence[Compared]) -> list[str]:
    moved = [m for m in measures if m.change is Change.WORSE and not m.touched]
    return [f"Worse after the repair, though it should not be touched by it: {m.words}." for m in moved]


def _other_faults(
    before: Sequence[DriveRecord], after: Sequence[DriveRecord], deciding: Sequence[str]
) -> dict[str, None]:
    """Headlines of faults of other detectors after the repair that were not there before."""
    known = {f.detector for drive in before for f in drive.findings if f.verdict is Verdict.FAULT}
    new: list[Finding] = [
        f
        for drive in after
        for f in drive.findings
        if f.verdict is Verdict.FAULT and f.detector not in known and f.detector not in deciding
    ]
    return dict.fromkeys(explain(finding).headline for finding in new)


def _unknown(pairs: Sequence[Pairing], deciding: Sequence[str]) -> list[str]:
    named = dict.fromkeys(c.replace("_", " ") for p in pairs if p.detector in deciding for c in p.unknown)
    if not named:
        return []
    return [f"Not known of every drive: {', '.join(named)}. Whether they were driven alike is taken on trust."]
