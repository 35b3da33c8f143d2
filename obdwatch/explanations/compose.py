"""Explanations put together from component, failure type and place, for codes nobody has written about.

The sentences stand as templates in `data/fault_types.toml` and `data/conditions.toml`, the consequences in
`data/groups.toml`; here they are only chosen and filled.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from obdwatch.explanations.check_lists import without_repeated_blame, without_repeats
from obdwatch.explanations.code_table import DATA, CodeFacts, Component, component_of
from obdwatch.explanations.explanation import Cause, CodeExplanation, Origin
from obdwatch.explanations.live_hints import beside_each_other, live_data_of
from obdwatch.explanations.naming import capital, filled_in, naming_of
from obdwatch.explanations.toml_sections import table
from obdwatch.urgency import Urgency

GROUPS = DATA / "groups.toml"
FAULT_TYPES = DATA / "fault_types.toml"
CONDITIONS = DATA / "conditions.toml"
CAUTIONS = DATA / "cautions.toml"

REAR_SENSORS = "oxygen_sensor_rear"  # the group of the oxygen sensors after the catalyst
CONDITION = "condition"  # the failure type of codes that name no part

_DRIVEN = frozenset({"driven", "heater", "lamp", "relay"})
_SENSING = frozenset({"sensor", "temp", "switch", "level", "position", "oxygen"})
_CARRYING = frozenset({"link", "feed"})  # lines between units, and feeds, are read like a signal
# Kinds of which nobody can say "the ... itself is broken": a voltage, a pair of readings, a learned value.
_NO_PART = frozenset(
    {"signal", "link", "feed", "pair", "pair_running", "pair_temp", "quantity", "system", "setting", "learned", "shift",
     "gear", "mixture", "control", "network", "flow", "supply", "cam"}
)  # fmt: skip

_IN_WIRING = frozenset({"circuit", "open", "low", "high", "shorted", "intermittent", "no_signal"})
_OF_HANDS = frozenset(
    {"battery_off", "diesel_pressure", "fan_starts", "fuel_pressure", "fuel_vapour", "hot_cooling_system",
     "hot_exhaust", "ignition_voltage", "injector_voltage", "moving_parts", "reductant", "refrigerant", "stands",
     "throttle_snap"}
)  # fmt: skip

MAY_DRIVE = {
    Urgency.WATCH: "Yes. Note it and see whether it comes back.",
    Urgency.NEXT_SERVICE: "Yes, if the car drives normally. Have it looked at by the next service.",
    Urgency.SOON: "Yes, with care, for a few days. Have it looked at soon.",
    Urgency.STOP: "No. Stop where it is safe, switch off, and have it checked before you drive on.",
}


@dataclass(frozen=True, slots=True)
class _Consequences:
    """What follows from a fault: of the group, unless the component or condition says otherwise."""

    urgency: Urgency
    may_drive: str


def composed(facts: CodeFacts) -> CodeExplanation:
    """Return the explanation of a code from its facts."""
    if facts.fault == CONDITION:
        return _from_condition(facts)
    component = component_of(facts.component)
    assert component is not None, f"components.csv has no '{facts.component}'"
    return _from_fault(facts, component)


def title_of(facts: CodeFacts, component: Component, fault_title: str) -> str:
    """Return the title of a composed explanation: component, place, what is wrong."""
    naming = naming_of(component, facts.place)
    where = f", {naming.place}" if naming.place else ""
    return f"{capital(naming.named)}{where}: {fault_title}"


def fault_type_names(fault: str, component: Component) -> tuple[str, ...]:
    """Return the tables that may describe a failure type of this component, most special first."""
    families = (("driven", _DRIVEN), ("sensor", _SENSING), ("signal", _CARRYING))
    family = next((name for name, kinds in families if component.kind in kinds), component.kind)
    names = (component.id, component.group, component.kind, family)
    return (*(f"{fault}_{name}" for name in names), fault)


def caution_sentences(ids: tuple[str, ...] | list[str]) -> tuple[str, ...]:
    """Return the sentences of caution ids, in their order."""
    sentences = table_of_cautions()
    return tuple(sentences[name] for name in ids)


@lru_cache(maxsize=1)
def table_of_cautions() -> Mapping[str, str]:
    """Return caution id -> sentence."""
    return MappingProxyType({key: str(value) for key, value in tomllib.loads(CAUTIONS.read_text("utf-8")).items()})


def group_table(group: str) -> Mapping[str, Any]:
    """Return what the components of one system have in common."""
    found = table(GROUPS, group)
    assert found is not None, f"groups.toml has no [{group}]"
    return found


def _at_its_place(component: Component, facts: CodeFacts) -> Component:
    """Oxygen sensors after the catalyst only watch it: what follows from their faults is milder."""
    if component.group == "oxygen_sensor" and (facts.place.sensor or 1) > 1:
        return replace(component, group=REAR_SENSORS)
    return component


def _from_fault(facts: CodeFacts, component: Component) -> CodeExplanation:
    component = _at_its_place(component, facts)
    group = group_table(component.group)
    fault = _fault_table(facts.fault, component)
    naming = naming_of(component, facts.place)
    values = naming.values() | {"cylinder": str(facts.place.cylinder or "")}
    consequences = _consequences(group, fault, component.urgency)
    in_wiring = bool(fault.get("electrical")) or facts.fault in _IN_WIRING
    return CodeExplanation(
        code=facts.code,
        title=title_of(facts, component, fault["title"]),
        meaning=filled_in(fault["meaning"], values),
        purpose=component.purpose,
        car_does=fault.get("car_does", group["car_does"]),
        driver_notices=fault.get("notices", group["notices"]),
        urgency=consequences.urgency,
        may_drive=consequences.may_drive,
        cautions=caution_sentences([*_of_the_system(group, fault), *fault.get("cautions", ())]),
        causes=_causes(fault["causes"], values, component, facts),
        first_checks=_checks(_look(group, fault, in_wiring), _safe_checks(group, fault), values),
        live_data=live_data_of(component, facts, fault),
        confused_with=without_repeated_blame(
            filled_in(fault["confused"], values), _system_confused(group, fault, in_wiring)
        ),
        standard=True,
        origin=Origin.COMPOSED,
        system=group["system"],
        component=component.id,
        place=facts.place,
    )


def _from_condition(facts: CodeFacts) -> CodeExplanation:
    condition = table(CONDITIONS, facts.component)
    assert condition is not None, f"conditions.toml has no [{facts.component}]"
    group = group_table(condition["group"])
    values = {"bank": str(facts.place.bank or ""), "cylinder": str(facts.place.cylinder or "")}
    consequences = _consequences(group, condition, "")
    keys = [filled_in(key, values) for key in condition["live_data"]]
    return CodeExplanation(
        code=facts.code,
        title=filled_in(condition["title"], values),
        meaning=filled_in(condition["meaning"], values),
        purpose="",
        car_does=condition.get("car_does", group["car_does"]),
        driver_notices=condition.get("notices", group["notices"]),
        urgency=consequences.urgency,
        may_drive=consequences.may_drive,
        cautions=caution_sentences([*group["cautions"], *condition.get("cautions", ())]),
        causes=tuple(Cause(filled_in(cause["text"], values), cause.get("part")) for cause in condition["causes"]),
        first_checks=_checks(condition.get("look", group["look"]), group.get("checks", condition["checks"]), values),
        live_data=beside_each_other(keys, condition["look_for"]),
        confused_with=without_repeated_blame(condition["confused"], condition.get("group_confused", group["confused"])),
        standard=True,
        origin=Origin.COMPOSED,
        system=group["system"],
        component=facts.component,
        place=facts.place,
    )


def _look(group: Mapping[str, Any], fault: Mapping[str, Any], in_wiring: bool) -> str:
    """The first look: an electrical fault of a system that mostly fails by wear is looked for at the plug."""
    own = group.get("look_electrical") if in_wiring else None
    return str(fault.get("look") or own or group["look"])


def _system_confused(group: Mapping[str, Any], fault: Mapping[str, Any], in_wiring: bool) -> str:
    worn = "" if in_wiring and "look_electrical" in group else group["confused"]
    return str(fault.get("group_confused", worn))


def _of_the_system(group: Mapping[str, Any], fault: Mapping[str, Any]) -> list[str]:
    """The cautions of a system; those against what hands may touch only where a check lets them touch something."""
    return [name for name in group["cautions"] if not (fault.get("asks_only") and name in _OF_HANDS)]


def _fault_table(fault: str, component: Component) -> Mapping[str, Any]:
    for name in fault_type_names(fault, component):
        found = table(FAULT_TYPES, name)
        if found is not None:
            return found
    raise AssertionError(f"fault_types.toml has no [{fault}]")


def _consequences(group: Mapping[str, Any], fault: Mapping[str, Any], of_component: str) -> _Consequences:
    """Urgency of the component, else of the fault or condition, else of the group; advice that goes with it.

    `at_most` caps what the group says: a program that does not match alarms less than a dead control unit.
    """
    urgency = Urgency(of_component or fault.get("urgency", "") or group["urgency"])
    if "at_most" in fault:
        urgency = min(urgency, Urgency(fault["at_most"]), key=list(Urgency).index)
    if "may_drive" in fault:
        return _Consequences(urgency, fault["may_drive"])
    return _Consequences(urgency, group["may_drive"] if urgency == group["urgency"] else MAY_DRIVE[urgency])


def _causes(
    rows: list[Mapping[str, Any]], values: Mapping[str, str], component: Component, facts: CodeFacts
) -> tuple[Cause, ...]:
    part = _part(component, facts)
    causes = []
    for row in rows:
        own = bool(row.get("self"))
        if own and "{name}" in row["text"] and component.kind in _NO_PART:
            continue
        causes.append(Cause(filled_in(row["text"], values), row.get("part") or (part if own else None)))
    return tuple(causes)


def _safe_checks(group: Mapping[str, Any], fault: Mapping[str, Any]) -> list[str]:
    """A dangerous system has its own checks in place of the fault's, unless those touch nothing (`asks_only`)."""
    if fault.get("asks_only"):
        return list(fault["checks"])
    return list(group.get("checks", fault["checks"]))


def _checks(look: str, checks: list[str], values: Mapping[str, str]) -> tuple[str, ...]:
    """From bare hands to instruments, nothing twice."""
    return without_repeats([look, *(filled_in(check, values) for check in checks)])


def _part(component: Component, facts: CodeFacts) -> str | None:
    # The wear part list knows only the oxygen sensor before the catalyst.
    if component.part == "oxygen_sensor_upstream" and facts.place.sensor not in (None, 1):
        return None
    return component.part.replace("{cam}", facts.place.cam or "") or None
