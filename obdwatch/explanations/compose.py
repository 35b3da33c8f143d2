"""Explanations put together from component, failure type and place, for codes nobody has written about.

The sentences stand as templates in `data/fault_types.toml` and `data/conditions.toml`, the consequences in
`data/groups.toml`; here they are only chosen and filled.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from obdwatch.explanations.code_table import DATA, CodeFacts, Component, component_of
from obdwatch.explanations.explanation import Cause, CodeExplanation, LiveData, Origin
from obdwatch.explanations.naming import capital, naming_of
from obdwatch.explanations.toml_sections import table
from obdwatch.urgency import Urgency

GROUPS = DATA / "groups.toml"
FAULT_TYPES = DATA / "fault_types.toml"
CONDITIONS = DATA / "conditions.toml"
CAUTIONS = DATA / "cautions.toml"

CONDITION = "condition"  # the failure type of codes that name no part

_DRIVEN = frozenset({"driven", "heater", "lamp", "relay"})
_SENSING = frozenset({"sensor", "temp", "switch", "oxygen"})
# Kinds of which nobody can say "the ... itself is broken": a voltage, a pair of readings, a learned value.
_NO_PART = frozenset(
    {"signal", "link", "pair", "quantity", "system", "setting", "learned", "shift", "gear", "mixture", "control",
     "network", "flow", "supply", "cam"}
)  # fmt: skip

# A live value marked so in components.csv does not come from the component itself: it only shows what follows.
CONSEQUENCE = "~"
_OTHERWISE = "Does it differ from earlier drives while the fault is there?"

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
    family = "driven" if component.kind in _DRIVEN else "sensor" if component.kind in _SENSING else component.kind
    return (f"{fault}_{component.group}", f"{fault}_{component.kind}", f"{fault}_{family}", fault)


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


def _from_fault(facts: CodeFacts, component: Component) -> CodeExplanation:
    group = group_table(component.group)
    fault = _fault_table(facts.fault, component)
    naming = naming_of(component, facts.place)
    values = naming.values()
    consequences = _consequences(group, component.urgency or fault.get("urgency", ""), "")
    return CodeExplanation(
        code=facts.code,
        title=title_of(facts, component, fault["title"]),
        meaning=_filled(fault["meaning"], values),
        purpose=component.purpose,
        car_does=group["car_does"],
        driver_notices=group["notices"],
        urgency=consequences.urgency,
        may_drive=consequences.may_drive,
        cautions=caution_sentences(group["cautions"]),
        causes=_causes(fault["causes"], values, component, facts),
        first_checks=_checks(group, fault["checks"], values),
        live_data=_live_data(component, facts, _filled(fault["look_for"], values)),
        confused_with=_different(_filled(fault["confused"], values), group["confused"]),
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
    consequences = _consequences(group, condition.get("urgency", ""), condition.get("may_drive", ""))
    keys = [_filled(key, values) for key in condition["live_data"]]
    return CodeExplanation(
        code=facts.code,
        title=_filled(condition["title"], values),
        meaning=_filled(condition["meaning"], values),
        purpose="",
        car_does=group["car_does"],
        driver_notices=group["notices"],
        urgency=consequences.urgency,
        may_drive=consequences.may_drive,
        cautions=caution_sentences(group["cautions"]),
        causes=tuple(Cause(_filled(cause["text"], values), cause.get("part")) for cause in condition["causes"]),
        first_checks=_checks(group, condition["checks"], values),
        live_data=_beside_each_other(keys, condition["look_for"]),
        confused_with=_different(condition["confused"], group["confused"]),
        standard=True,
        origin=Origin.COMPOSED,
        system=group["system"],
        component=facts.component,
        place=facts.place,
    )


def _fault_table(fault: str, component: Component) -> Mapping[str, Any]:
    for name in fault_type_names(fault, component):
        found = table(FAULT_TYPES, name)
        if found is not None:
            return found
    raise AssertionError(f"fault_types.toml has no [{fault}]")


def _consequences(group: Mapping[str, Any], own_urgency: str, own_may_drive: str) -> _Consequences:
    urgency = Urgency(own_urgency or group["urgency"])
    if own_may_drive:
        return _Consequences(urgency, own_may_drive)
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
        causes.append(Cause(_filled(row["text"], values), row.get("part") or (part if own else None)))
    return tuple(causes)


def _checks(group: Mapping[str, Any], checks: list[str], values: Mapping[str, str]) -> tuple[str, ...]:
    """From bare hands to instruments; a dangerous system has its own checks in place of those of the failure type."""
    return _different(group["look"], *(_filled(check, values) for check in group.get("checks", checks)))


def _part(component: Component, facts: CodeFacts) -> str | None:
    # The wear part list knows only the oxygen sensor before the catalyst.
    if component.part == "oxygen_sensor_upstream" and facts.place.sensor not in (None, 1):
        return None
    return component.part.replace("{cam}", facts.place.cam or "") or None


def _live_data(component: Component, facts: CodeFacts, look_for: str) -> tuple[LiveData, ...]:
    place = facts.place
    values = {
        "bank": str(place.bank or 1),
        "sensor": str(place.sensor or 1),
        "letter": (place.circuit or "d").lower(),
    }
    keys = [_filled(key, values) for key in component.live_data]
    if keys and keys[0].startswith(CONSEQUENCE):
        return _beside_each_other([key.removeprefix(CONSEQUENCE) for key in keys], _OTHERWISE)
    return _beside_each_other(keys, look_for)


def _beside_each_other(keys: list[str], look_for: str) -> tuple[LiveData, ...]:
    """The first value is looked at, the others are held against it."""
    if not keys:
        return ()
    others = (LiveData(key, f"Look at it side by side with the {parameter_words(keys[0])}.") for key in keys[1:])
    return (LiveData(keys[0], look_for), *others)


def parameter_words(key: str) -> str:
    """Return a parameter key in plain words, without the abbreviations that keys use."""
    words = {"egr": "exhaust recirculation", "evap": "tank"}
    return " ".join(words.get(word, word) for word in key.split("_"))


def _different(*texts: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text for text in texts if text))


def _filled(text: str, values: Mapping[str, str]) -> str:
    for name, value in values.items():
        text = text.replace(f"{{{name}}}", value)
    return text
