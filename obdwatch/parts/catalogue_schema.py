"""What the catalogue's files must look like, and how their tables become records.

A file holds `currency`, and tables `[part.ID]`, `[step.ID]`, `[extra.ID]` and `[sentence]` (texts that several parts
share, by id). A part or step may have `[[part.ID.variant]]` tables: `only_for` names the cars, all other keys what is
otherwise on them. The user's file has the same shape, with as few keys as wanted.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from obdwatch.car_profiles import PART_IDS
from obdwatch.explanations.part_names import part_name
from obdwatch.parts import catalogue_values as read
from obdwatch.parts.applying import consistent
from obdwatch.parts.catalogue_values import Names, Reader, Value, close_to
from obdwatch.parts.documents import Document
from obdwatch.parts.part import AccessStep, Catalogue, Extra, Part, Variant

TOP_KEYS = ("currency", "part", "step", "extra", "sentence")
PART_KEYS: Mapping[str, Reader] = {
    "name": read.text,
    "fails_by": read.text,
    "onset": read.life,
    "to_failure": read.life,
    "consequence": read.text,
    "breakdown_cost": read.money,
    "damage_cost": read.money,
    "engine_at_risk": read.flag,
    "access": read.step_ids,
    "hours": read.hours,
    "price": read.money,
    "per": read.per,
    "together_with": read.part_ids,
    "extras": read.extra_ids,
    "optional_extras": read.extra_ids,
    "quality": read.sentence,
    "fitting": read.sentences,
    "cautions": read.sentences,
    "after_fitting": read.sentences,
    "first_drive_check": read.sentence,
    "only_for": read.condition,
    "fitted": read.flag,
}
PART_NEEDS = (
    "fails_by", "onset", "to_failure", "consequence", "breakdown_cost", "damage_cost", "engine_at_risk", "hours",
    "price",
)  # fmt: skip
STEP_KEYS: Mapping[str, Reader] = {
    "name": read.text,
    "undo": read.text,
    "hours": read.hours,
    "needs": read.step_ids,
    "cautions": read.sentences,
    "only_for": read.condition,
    "fitted": read.flag,
}
STEP_NEEDS = ("name", "hours")
EXTRA_KEYS: Mapping[str, Reader] = {"name": read.text, "price": read.money}


def catalogue_from(document: Document) -> Catalogue:
    """Return the catalogue of a document. Raises InputError, one line with file, line and key, for what is wrong."""
    names = _names(document)
    top = Value(document, (), document.table, names)
    read.keys_of(top, TOP_KEYS)
    currency = document.table.get("currency", "")
    if currency != "":
        currency = read.text(top.at("currency", currency))
    tables = {kind: _tables(top, kind) for kind in ("part", "step", "extra")}
    extras = {name: _extra(name, value) for name, value in tables["extra"].items()}
    steps = {name: _step(name, value) for name, value in tables["step"].items() if _fitted(value)}
    parts = {name: _part(name, value, extras) for name, value in tables["part"].items() if _fitted(value)}
    _check_order(top, steps)
    order = {name: number for number, name in enumerate(PART_IDS)}
    in_order = sorted(parts, key=lambda name: order.get(name, len(order)))
    return consistent(Catalogue({name: parts[name] for name in in_order}, steps, currency))


def _names(document: Document) -> Names:
    """What the document gives names to, as far as it is tables at all; `_tables` refuses what is not."""
    found = {kind: document.table.get(kind) for kind in ("part", "step", "extra", "sentence")}
    tables = {kind: value if isinstance(value, dict) else {} for kind, value in found.items()}
    nothing = Names((), (), (), {})
    top = Value(document, (), document.table, nothing)
    if "sentence" in document.table:
        value = top.at("sentence", document.table["sentence"])
        sentences = {name: read.text(value.at(name, said)) for name, said in read.table(value).items()}
    else:
        sentences = {}
    return Names(tuple(tables["part"]), tuple(tables["step"]), tuple(tables["extra"]), sentences)


def _tables(top: Value, kind: str) -> dict[str, Value]:
    value = top.at(kind, top.value.get(kind, {}))
    found = {name: value.at(name, entry) for name, entry in read.table(value).items()}
    for name, entry in found.items():
        if not (name.isascii() and name.replace("_", "").isalnum() and name == name.lower()):
            raise entry.wrong("is no id: take small letters, digits and '_'")
    return found


def _fitted(value: Value) -> bool:
    found = read.table(value)
    return read.flag(value.at("fitted", found["fitted"])) if "fitted" in found else True


def _extra(name: str, value: Value) -> Extra:
    found = read.keys_of(value, EXTRA_KEYS, tuple(EXTRA_KEYS), _own("extra", name, value.names.extra))
    return Extra(name, **{key: EXTRA_KEYS[key](value.at(key, given)) for key, given in found.items()})


def _step(name: str, value: Value) -> AccessStep:
    found = read.keys_of(value, (*STEP_KEYS, "variant"), STEP_NEEDS, _own("step", name, value.names.step))
    return AccessStep(name, **_fields(value, found, STEP_KEYS), variants=_variants(value, found, STEP_KEYS))


def _part(name: str, value: Value, extras: Mapping[str, Extra]) -> Part:
    found = read.keys_of(value, (*PART_KEYS, "variant"), PART_NEEDS, _own("part", name, value.names.part))
    fields = {"name": part_name(name), "access": (), **_fields(value, found, PART_KEYS, extras)}
    return Part(name, **fields, variants=_variants(value, found, PART_KEYS, extras))


def _own(kind: str, name: str, known: Collection[str]) -> Callable[[], str]:
    """What to say where a part, step or extra lacks a key: it is one of the user's own, or a slip in a name."""

    def hint() -> str:
        close = close_to(name, [other for other in known if other != name])
        meant = f"; if it is meant to be none of your own, {close}" if close.startswith("did you mean") else ""
        return f"a {kind} of your own needs it{meant}"

    return hint


def _fields(
    value: Value, found: Mapping[str, Any], readers: Mapping[str, Reader], extras: Mapping[str, Extra] | None = None
) -> dict[str, Any]:
    """The fields of a record that a table gives."""
    fields = {
        key: readers[key](value.at(key, given)) for key, given in found.items() if key not in ("variant", "fitted")
    }
    optional = fields.pop("optional_extras", ())
    if extras is not None and found.keys() & {"extras", "optional_extras"}:
        needed = fields.get("extras", ())
        if twice := set(needed) & set(optional):
            raise value.at("optional_extras", None).wrong(f"names '{min(twice)}', which extras names too; take one out")
        fields["extras"] = (
            *(extras[name] for name in needed),
            *(Extra(name, extras[name].name, extras[name].price, optional=True) for name in optional),
        )
    return fields


def _variants(
    value: Value, found: Mapping[str, Any], readers: Mapping[str, Reader], extras: Mapping[str, Extra] | None = None
) -> tuple[Variant, ...]:
    if "variant" not in found:
        return ()
    return tuple(_variant(one, found, readers, extras) for one in read.entries(value.at("variant", found["variant"])))


def _variant(
    value: Value, general: Mapping[str, Any], readers: Mapping[str, Reader], extras: Mapping[str, Extra] | None
) -> Variant:
    given = read.keys_of(value, tuple(readers), ("only_for",), lambda: "say for which cars it is so")
    only_for = read.condition(value.at("only_for", given["only_for"]))
    rest = {key: one for key, one in given.items() if key != "only_for"}
    if rest.keys() & {"extras", "optional_extras"}:  # the one that is not given stays as it is in general
        rest = {**{key: general[key] for key in ("extras", "optional_extras") if key in general}, **rest}
    changes = _fields(value, rest, readers, extras)
    if "fitted" in rest and not read.flag(value.at("fitted", rest["fitted"])):
        changes["fitted"] = False
    return Variant(only_for, changes)


def _check_order(top: Value, steps: Mapping[str, AccessStep]) -> None:
    """Refuse steps that need themselves, on any car."""
    settled: set[str] = set()
    for start in steps:
        _walk(top, start, steps, (), settled)


def _walk(top: Value, name: str, steps: Mapping[str, AccessStep], above: tuple[str, ...], settled: set[str]) -> None:
    if name in above:
        circle = (*above[above.index(name) :], name)
        said = " needs ".join(circle)
        raise _place_of(top, circle).wrong(f"goes round in a circle: {said}; take one of these needs out")
    if name in settled or name not in steps:
        return
    for before in needs_of(steps[name]):
        _walk(top, before, steps, (*above, name), settled)
    settled.add(name)


def _place_of(top: Value, circle: tuple[str, ...]) -> Value:
    """The first need of a circle. Shipped steps stand after those they need, so it is one that the user's file says."""
    step = top.at("step", None).at(circle[0], top.value["step"][circle[0]])
    variants = read.entries(step.at("variant", step.value.get("variant", [])))
    return next(one for one in (step, *variants) if circle[1] in one.value.get("needs", ())).at("needs", None)


def needs_of(step: AccessStep) -> tuple[str, ...]:
    """Return what a step needs on any car."""
    elsewhere = [before for variant in step.variants for before in variant.changes.get("needs", ())]
    return tuple(dict.fromkeys([*step.needs, *elsewhere]))
