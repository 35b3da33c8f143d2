"""The drives from which the likelihoods of findings are counted: every fault alone at all severities, and sound cars.

Severities lie evenly between first signs and failure. Half of the cars have three sound drives recorded before, half
none: an unknown car is judged by its first drive.
"""

from __future__ import annotations

import random

from obdwatch.simulation.faults import FAULTS, Fault
from obdwatch.simulation.layouts import LAYOUTS
from tests.benchmarks.accuracy_cars import ADAPTERS, HEALTHY_PAST, INNOCENT, Wear, can_have
from tests.benchmarks.judged_drives import Past, Story

FIRST_SEED = 21_000  # far from those of accuracy (5,000) and calibration (61,000)
FIRST_SIGNS = 0.25
"""Severity at which a part counts as degraded: the virtual car's 0.3 is what only a careful measurement shows."""

NO_WEAR = frozenset({"coolant_level", "battery_discharged"})  # faults of no part, or of a sound one
COOLING = frozenset({"thermostat", "coolant_pump", "radiator_fan", "coolant_temperature_sensor"})
FAULTS_OF_WEAR: tuple[Fault, ...] = tuple(fault for fault in FAULTS if fault.name not in NO_WEAR)
SOUND_TRIPS = ("commute", *INNOCENT)


def place_for(fault: Fault, cylinders: int, turn: int) -> int | None:
    """Return where a fault sits: cylinders by turns, both banks."""
    if fault.place == "cylinder":
        return 1 + turn % cylinders
    return 1 if fault.place == "pair" else None


def faulty_stories(per_fault: int) -> list[Story]:
    """Return stories with one fault each, by turns over severities, so that any beginning of the list is balanced."""
    stories = []
    for turn in range(per_fault):
        for number, fault in enumerate(FAULTS_OF_WEAR):
            able = [layout for layout in LAYOUTS if can_have(layout, fault)]
            layout = able[(number + turn) % len(able)]
            dice = random.Random(FIRST_SEED + 100 * number + turn)
            # A half-step permutation spreads the severities of the first few turns too.
            rank = (turn * 5 + number) % per_fault if per_fault % 5 else turn
            severity = FIRST_SIGNS + (1.0 - FIRST_SIGNS) * (rank + dice.random()) / per_fault
            wear = Wear(fault.name, round(severity, 3), place_for(fault, layout.cylinders, number + turn))
            trips = ("commute", "traffic_jam") if fault.part in COOLING else ("commute",)
            car_seed = FIRST_SEED + LAYOUTS.index(layout) if turn % 2 else FIRST_SEED + 100 + 100 * number + turn
            past = Past(layout.name, car_seed, HEALTHY_PAST if turn % 2 else ())
            seed = FIRST_SEED + 5_000 + 100 * number + turn
            adapter = tuple(ADAPTERS)[(number + turn) % 3]
            stories.append(Story(past, seed, trips, adapter, (wear,)))
    return stories


def sound_stories(per_layout: int) -> list[Story]:
    """Return stories of cars with nothing wrong, with three usual drives before hard ones, or with the hard ones."""
    stories = []
    for turn in range(per_layout):
        for number, layout in enumerate(LAYOUTS):
            car_seed = FIRST_SEED + number if turn % 2 else FIRST_SEED + 10_000 + 100 * number + turn
            past = Past(layout.name, car_seed, HEALTHY_PAST if turn % 2 else ())
            trips = SOUND_TRIPS if turn % 2 == 0 else SOUND_TRIPS[::-1]
            seed = FIRST_SEED + 20_000 + 100 * number + turn
            stories.append(Story(past, seed, trips, tuple(ADAPTERS)[(number + turn) % 3]))
    return stories
