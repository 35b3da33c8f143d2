"""What the catalogue says of one wear part and of the steps that give access to it; frozen records, no behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Life:
    """A two-parameter Weibull distribution of distance: `shape` (1), `scale_km` [km], and where the figures come from.

    `origin` begins with "source:", "common practice:" or "assumption:".
    """

    shape: float
    scale_km: float
    origin: str


@dataclass(frozen=True, slots=True)
class Variant:
    """What is otherwise on some cars: `changes` maps fields of the record to their values there.

    `only_for` maps fields of the car's profile to the values that it holds for. `fitted` among the changes, always
    False, means that those cars do not have the thing.
    """

    only_for: Mapping[str, tuple[Any, ...]]
    changes: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class AccessStep:
    """Something that must be opened or taken off first: `hours` for opening and closing, `needs` other steps before.

    `undo` says how it is undone, empty where nobody has said.
    """

    id: str
    name: str
    hours: float
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    only_for: Mapping[str, tuple[Any, ...]] = field(default_factory=dict, hash=False)
    variants: tuple[Variant, ...] = field(default=(), hash=False)
    undo: str = ""


@dataclass(frozen=True, slots=True)
class Extra:
    """Something bought together with a part (fluid, seal, bolt set): `price` in the user's currency.

    Extras with the same `id` are bought once per visit.
    """

    id: str
    name: str
    price: float
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A wear part.

    `onset` is the distance since new at which it begins to degrade, `to_failure` the distance from first signs to
    failure. `consequence` says what happens if it is ignored; `breakdown_cost` (tow, lost day) and `damage_cost`
    (what it takes with it) are expected costs of a failure on the road, in the user's currency, and
    `engine_at_risk` marks what can destroy the engine. `access` are the step ids needed, `hours` the work at the part
    itself. `pieces` is how many are changed together (`per` says per what: "car", "bank", "cylinder").
    """

    id: str
    name: str
    fails_by: str
    onset: Life
    to_failure: Life
    consequence: str
    breakdown_cost: float
    damage_cost: float
    engine_at_risk: bool
    access: tuple[str, ...]
    hours: float
    price: float
    per: str = "car"
    together_with: tuple[str, ...] = ()  # other part ids that are worth doing at the same time
    extras: tuple[Extra, ...] = ()
    quality: str = ""
    fitting: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    after_fitting: tuple[str, ...] = ()
    first_drive_check: str = ""
    only_for: Mapping[str, tuple[Any, ...]] = field(default_factory=dict, hash=False)
    variants: tuple[Variant, ...] = field(default=(), hash=False)


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The parts one car has (by id) and the access steps they need (by id)."""

    parts: Mapping[str, Part]
    steps: Mapping[str, AccessStep]
    currency: str = ""
    remarks: tuple[str, ...] = field(default=())  # what an override changed, and what the profile does not say
