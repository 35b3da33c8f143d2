"""Honest answers for codes whose meaning is not ours to give: makers' own, reserved, and not in our table."""

from __future__ import annotations

from obdwatch.explanations.code_structure import CodeStructure
from obdwatch.explanations.explanation import Cause, CodeExplanation, LiveData, Origin
from obdwatch.urgency import Urgency

_MAY_DRIVE = (
    "That depends on what it means. Go by the car: a red or flashing lamp, smoke, heat, or bad brakes or steering "
    "mean stop. If it drives normally, drive gently and have the code looked up."
)
_CHECKS = (
    "Note the code, the lamps that are on, and what the car does.",
    "Look for standard codes set at the same time. Those can be explained.",
    "Look the code up in the maker's repair manual, or ask a workshop that has it.",
)
_FREEZE_FRAME = LiveData(
    "freeze_frame_code", "Shows whose values are stored. They tell at what speed, load and heat it happened."
)


def maker_code(structure: CodeStructure) -> CodeExplanation:
    """Return what can be said of a code that the car's maker defines: its structure, and where its meaning stands."""
    # Only in P1 codes does the third character follow the groups of the standard, and not on every car.
    usually = f"; by its third character usually {structure.group}" if structure.code.startswith("P1") else ""
    return _unknown(
        structure,
        Origin.MAKER,
        title="Code defined by the car's maker",
        meaning=(
            f"The maker of the car gives this code its meaning. Its number only tells the area: "
            f"{structure.area}{usually}."
        ),
        cause="not known: the same number means different things on different makes",
        confused="Lists that give one meaning for a maker's code are often wrong for your car.",
    )


def reserved_code(structure: CodeStructure) -> CodeExplanation:
    """Return what can be said of a number that the standard keeps for later."""
    return _unknown(
        structure,
        Origin.RESERVED,
        title="Reserved number",
        meaning=f"The standard keeps this number for later use ({structure.area}). It has no public meaning yet.",
        cause="not known: perhaps misread, or used by the maker in its own way",
        confused="A code that was misread or mistyped. Read it again.",
    )


def unlisted_code(structure: CodeStructure) -> CodeExplanation:
    """Return what can be said of a standard number that our table does not hold."""
    return _unknown(
        structure,
        Origin.UNLISTED,
        title="Standard code, meaning not in our table",
        meaning=(
            f"This number belongs to the standard, not to the maker. Our table does not hold it. By its number it "
            f"belongs to: {structure.area}; {structure.group}."
        ),
        cause="not known to us",
        confused="A code that was misread or mistyped. Read it again.",
    )


def _unknown(
    structure: CodeStructure, origin: Origin, title: str, meaning: str, cause: str, confused: str
) -> CodeExplanation:
    return CodeExplanation(
        code=structure.code,
        title=title,
        meaning=meaning,
        purpose="",
        car_does="Unknown without the meaning. Many such codes switch a warning lamp on.",
        driver_notices="Unknown too. Note down what made you read the codes.",
        urgency=Urgency.SOON,  # not known, so rather too soon than too late
        may_drive=_MAY_DRIVE,
        cautions=(),
        causes=(Cause(cause),),
        first_checks=_CHECKS,
        live_data=(_FREEZE_FRAME,),
        confused_with=(confused,),
        standard=origin is not Origin.MAKER,
        origin=origin,
        system=structure.group,
    )
