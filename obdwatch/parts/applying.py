"""Which parts and steps one car has, and what is otherwise on it, by its profile.

What a profile does not say settles nothing: the part stays, as it is on most cars, and a remark says which field would
tell.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from obdwatch.parts.part import AccessStep, Catalogue, Part
from obdwatch.records import Car

Record = TypeVar("Record", Part, AccessStep)
NO_CAR = "No car was named: every part is listed, as it is on most cars."


def catalogue_for(car: Car | None, catalogue: Catalogue) -> Catalogue:
    """Return the catalogue of one car: only the parts it has, only the steps these need, each as it is on this car.

    `remarks` gain a line for each field of the profile that is unknown and would have told more. A catalogue that is
    already that of a car comes back as it is.
    """
    unknown = _Unknown()
    parts = _on_this_car(catalogue.parts, car, unknown)
    steps = _on_this_car(catalogue.steps, car, unknown)
    found = consistent(replace(catalogue, parts=parts, steps=steps))
    needed = _needed(found)
    steps = {name: step for name, step in found.steps.items() if name in needed}
    remarks = dict.fromkeys((*catalogue.remarks, *unknown.remarks(car)))
    return replace(found, steps=steps, remarks=tuple(remarks))


def matches(only_for: Mapping[str, Collection[Any]], car: Car | None) -> bool | None:
    """Whether a car is one of those meant; None where its profile does not say.

    >>> matches({"coolant_pump": ("electric",)}, Car("mine", coolant_pump="belt")), matches({"layout": ("vee",)}, None)
    (False, None)
    """
    answers = [_holds(getattr(car, name, None), allowed) for name, allowed in only_for.items()]
    return False if False in answers else None if None in answers else True


def _holds(value: Any, allowed: Collection[Any]) -> bool | None:
    if value is None:
        return None
    if isinstance(value, tuple):
        return any(one in allowed for one in value)
    return value in allowed


@dataclass
class _Unknown:
    """Fields of the profile that would have told more: which names they decide on, and which of these are only kept."""

    has: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    otherwise: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def note(self, record: Part | AccessStep, car: Car | None) -> None:
        conditions = [(self.has, record.only_for), *((self.otherwise, one.only_for) for one in record.variants)]
        for found, only_for in conditions:
            for name in only_for if matches(only_for, car) is None else ():
                if getattr(car, name, None) is None and record.name not in found[name]:
                    found[name].append(record.name)

    def remarks(self, car: Car | None) -> list[str]:
        fields = dict.fromkeys((*self.has, *self.otherwise))
        if car is None:
            return [NO_CAR] if fields else []
        return [self._remark(name, car) for name in fields]

    def _remark(self, name: str, car: Car) -> str:
        said = []
        if kept := self.has[name]:
            said.append(f"{_listed(kept)} may not be there at all on this car, but {_stay(kept)} listed")
        if usual := self.otherwise[name]:
            said.append(f"{_listed(usual)} {'is' if len(usual) == 1 else 'are'} taken as on most cars")
        return f"The profile does not say '{name}': {'; '.join(said)} (obdwatch car edit {car.id} --set {name}=...)."


def _listed(names: list[str]) -> str:
    shown = [f"'{name}'" for name in names]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def _stay(names: list[str]) -> str:
    return "stays" if len(names) == 1 else "stay"


def _on_this_car(records: Mapping[str, Record], car: Car | None, unknown: _Unknown) -> dict[str, Record]:
    """The records of what the car has, with the variants for it applied in order."""
    found: dict[str, Record] = {}
    for name, record in records.items():
        if matches(record.only_for, car) is False:
            continue
        changes: dict[str, Any] = {}
        for variant in record.variants:
            changes |= variant.changes if matches(variant.only_for, car) else {}
        if changes.pop("fitted", True):
            unknown.note(record, car)
            found[name] = replace(record, **changes, only_for={}, variants=())
    return found


def _needed(catalogue: Catalogue) -> set[str]:
    """The ids of all steps that the parts need, with those before them."""
    needed: set[str] = set()
    waiting = [step for part in catalogue.parts.values() for step in part.access]
    while waiting:
        step = waiting.pop()
        if step not in needed:
            needed.add(step)
            waiting += catalogue.steps[step].needs
    return needed


def consistent(catalogue: Catalogue) -> Catalogue:
    """Return the catalogue without names of parts and steps that it does not have, those in variants aside."""
    parts, steps = catalogue.parts, catalogue.steps
    known = {"access": steps, "needs": steps, "together_with": parts}
    return replace(
        catalogue,
        parts={name: _known_only(part, ("access", "together_with"), known) for name, part in parts.items()},
        steps={name: _known_only(step, ("needs",), known) for name, step in steps.items()},
    )


def _known_only(record: Record, fields: Collection[str], known: Mapping[str, Collection[str]]) -> Record:
    kept: dict[str, Any] = {name: tuple(one for one in getattr(record, name) if one in known[name]) for name in fields}
    return replace(record, **kept)
