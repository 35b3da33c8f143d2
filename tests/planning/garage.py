"""An invented car's parts and steps for planning: prices and hours are made up, round, and easy to add in the head."""

from __future__ import annotations

from collections.abc import Mapping

from obdwatch.parts.part import AccessStep, Catalogue, Extra, Life, Part
from obdwatch.records import PartRisk

STEPS = {
    step.id: step
    for step in (
        AccessStep("engine_cover", "take off the engine cover", 0.25, undo="put the cover back"),
        AccessStep("battery_off", "disconnect the battery", 0.25, cautions=("Minus first.",), undo="plus first"),
        AccessStep("air_hoses", "take off the air hoses", 0.25, ("engine_cover",), undo="fit the air hoses"),
        AccessStep("intake_manifold", "take off the intake manifold", 1.5, ("air_hoses", "battery_off"), undo="fit it"),
        AccessStep("coolant_drained", "drain the coolant", 0.5, cautions=("Only with a cold engine.",), undo="fill it"),
        AccessStep("belt_off", "take off the drive belt", 0.5, undo="put the belt on"),
    )
}
COOLANT = Extra("coolant", "coolant, 8 L", 40.0)
GASKET = Extra("manifold_gasket", "gasket of the intake manifold", 30.0)
LIFE = Life(3.0, 150_000.0, "assumption: for tests")
SIGNS = Life(2.0, 20_000.0, "assumption: for tests")


def part(
    id_: str,
    name: str = "",
    price: float = 100.0,
    hours: float = 0.5,
    access: tuple[str, ...] = (),
    breakdown_cost: float = 200.0,
    damage_cost: float = 0.0,
    per: str = "car",
    extras: tuple[Extra, ...] = (),
    onset: Life = LIFE,
    **words: object,
) -> Part:
    """A part of which only what planning needs is said."""
    return Part(
        id_,
        name or id_.replace("_", " "),
        "wear",
        onset,
        SIGNS,
        "the car stops",
        breakdown_cost,
        damage_cost,
        damage_cost > 1000.0,
        access,
        hours,
        price,
        per,
        extras=extras,
        **words,  # type: ignore[arg-type]
    )


def catalogue(*parts: Part, steps: Mapping[str, AccessStep] = STEPS) -> Catalogue:
    return Catalogue({each.id: each for each in parts}, steps, "EUR")


def risk(part_id: str, within: tuple[float, float, float], degraded: float = 0.5, age_known: bool = True) -> PartRisk:
    """A risk with the probabilities of failing within 1,000, 5,000 and 10,000 miles."""
    return PartRisk(
        part_id, degraded, degraded, dict(zip((1000, 5000, 10000), within, strict=True)), 165_000.0, age_known
    )


SOUND = (0.001, 0.006, 0.013)
AGEING = (0.01, 0.06, 0.14)
WORN = (0.12, 0.45, 0.7)

GARAGE = catalogue(
    part("crankcase_ventilation", "crankcase ventilation", 90.0, 0.5, ("intake_manifold",), extras=(GASKET,)),
    part("starter_motor", "starter motor", 160.0, 0.5, ("intake_manifold",), extras=(GASKET,)),
    part("thermostat", "thermostat", 60.0, 0.5, ("coolant_drained",), extras=(COOLANT,)),
    part(
        "coolant_pump", "coolant pump", 200.0, 1.0, ("coolant_drained", "belt_off"), 200.0, 1500.0, extras=(COOLANT,),
        quality="Original quality.", fitting=("Clean the face.",), cautions=("Never open it hot.",),
        after_fitting=("Fill and bleed the coolant.",), first_drive_check="No drop under the car.",
    ),
    part("drive_belt", "drive belt", 80.0, 0.5, ("belt_off",)),
    part("battery", "battery", 120.0, 0.25),
    part("alternator", "alternator", 300.0, 1.0, ("belt_off", "battery_off")),
    part("spark_plugs", "spark plugs", 12.0, 0.2, ("engine_cover",), per="cylinder"),
)  # fmt: skip
RISKS = (
    risk("crankcase_ventilation", WORN, 0.9),
    risk("starter_motor", AGEING, 0.3, age_known=False),
    risk("thermostat", AGEING, 0.3),
    risk("coolant_pump", (0.03, 0.2, 0.4), 0.6),
    risk("drive_belt", AGEING, 0.2),
    risk("battery", (0.0, 0.05, 0.45), 0.4),
    risk("alternator", SOUND, 0.02),
    risk("spark_plugs", AGEING, 0.4),
)
