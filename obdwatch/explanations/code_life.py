"""The life of a trouble code: how it matures, clears and disappears, and what erasing costs (40 CFR 86.010-18).

Texts stand in `data/code_life.toml`; the figures of the rule are constants here, so that tests hold them to the
source and sentences can count what is still to come.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from obdwatch.explanations.code_table import DATA
from obdwatch.explanations.toml_sections import table

if TYPE_CHECKING:
    from obdwatch.records import Readiness

LIFE = DATA / "code_life.toml"

# 40 CFR 86.010-18 (figures as collected in the project's reference notes; drives are "driving cycles" there).
FAULTY_DRIVES_TO_STORE = 2
CLEAN_DRIVES_TO_LAMP_OFF = 3
WARM_UPS_TO_DROP = 40
WARM_UP_RISE_K = 22.0
WARM_UP_REACHES_DEGC = 71.0

STAGES = ("pending", "stored", "permanent", "history", "erasing", "freeze_frame", "misfire_lamp")


@dataclass(frozen=True, slots=True)
class LifeStage:
    """One memory or event in the life of a code: what it means, what happens next, and where that is written."""

    name: str
    meaning: str
    next: str
    source: str


def life_stage(stage: str) -> LifeStage:
    """Return what is to be said of a stage (one of STAGES, which include the values of `CodeKind`)."""
    found = table(LIFE, stage)
    if found is None:
        raise KeyError(stage)
    return LifeStage(found["name"], found["meaning"], found["next"], found["source"])


def is_warm_up(start_degc: float, end_degc: float) -> bool:
    """Whether a drive counts as a warm-up: coolant up by at least 22 K to at least 71 degC (40 CFR 86.010-18).

    >>> is_warm_up(20.0, 71.0), is_warm_up(60.0, 80.0), is_warm_up(10.0, 65.0)
    (True, False, False)
    """
    return end_degc - start_degc >= WARM_UP_RISE_K and end_degc >= WARM_UP_REACHES_DEGC


def clears_after(kind: str, clean_drives: int = 0, warm_ups: int = 0) -> str:
    """Say what a code of this memory still needs before it disappears by itself, given clean drives and warm-ups."""
    if kind == "permanent":
        return "It goes only when the car's own self-check has run and passed."
    if kind == "pending":
        return "It goes after one clean drive in which the self-check runs."
    lamp = max(0, CLEAN_DRIVES_TO_LAMP_OFF - clean_drives)
    drop = max(0, WARM_UPS_TO_DROP - warm_ups)
    first = f"The lamp goes out after {_count(lamp, 'more clean drive')}." if lamp else "The lamp may be out by now."
    return f"{first} The code is dropped after {_count(drop, 'more warm-up')} without the fault."


def readiness_words(readiness: Readiness) -> tuple[str, ...]:
    """Say which self-checks have run and which are still to come since the codes were erased."""
    fitted = [name for name, (supported, _) in readiness.monitors.items() if supported]
    waiting = [name for name in fitted if not readiness.monitors[name][1]]
    if not fitted:
        return ("The car reports no self-checks.",)
    if not waiting:
        every = "Its one self-check has" if len(fitted) == 1 else f"All {len(fitted)} self-checks have"
        return (f"{every} run since the codes were last erased.",)
    return (
        f"{len(waiting)} of {len(fitted)} self-checks have not run yet since the codes were erased: {_names(waiting)}.",
        "Until they have run, a missing code proves nothing, and some inspections refuse the car.",
    )


def _names(names: Iterable[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
