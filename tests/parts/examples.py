"""A small catalogue for tests of the arithmetic: every part, with round numbers that are nobody's real figures."""

from __future__ import annotations

from obdwatch.car_profiles import PART_IDS
from obdwatch.parts.part import Catalogue, Life, Part

ORIGIN = "assumption: an example"


def example_part(part: str, onset_km: float = 140_000.0, shape: float = 3.0, to_failure_km: float = 25_000.0) -> Part:
    """Return a part of these lives [km]; everything else is the same for all."""
    return Part(
        id=part,
        name=part.replace("_", " "),
        fails_by="wears",
        onset=Life(shape, onset_km, ORIGIN),
        to_failure=Life(1.5, to_failure_km, ORIGIN),
        consequence="the car stops",
        breakdown_cost=300.0,
        damage_cost=100.0,
        engine_at_risk=False,
        access=(),
        hours=1.0,
        price=100.0,
    )


def example_catalogue(*parts: Part) -> Catalogue:
    """Return a catalogue of these parts, or of all with the same lives."""
    chosen = parts or tuple(example_part(part) for part in PART_IDS)
    return Catalogue({part.id: part for part in chosen}, {})
