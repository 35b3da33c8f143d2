"""Trouble codes in plain language: `explain` one, `search` by words, `follow_first` among several.

The command, the report and the dashboard all use this text. Only the standard library is imported, and only the
rows and tables asked for are parsed, so that a code is explained at once.
"""

from __future__ import annotations

import re
from dataclasses import replace

from obdwatch.errors import InputError
from obdwatch.explanations.code_groups import Advice, follow_first
from obdwatch.explanations.code_search import FoundCode, search
from obdwatch.explanations.code_structure import CodeStructure, DefinedBy, parse_code
from obdwatch.explanations.code_table import (
    RESERVED,
    CodeFacts,
    component_of,
    facts_of,
    failure_type_words,
    unsure_because,
)
from obdwatch.explanations.compose import CONDITIONS, caution_sentences, composed, group_table
from obdwatch.explanations.due_cautions import cautions_due
from obdwatch.explanations.explanation import Cause, CodeExplanation, FailureType, LiveData, Origin, Place
from obdwatch.explanations.families import says_too_little
from obdwatch.explanations.knowledge import Entry, entry_for, filled
from obdwatch.explanations.naming import with_subject
from obdwatch.explanations.toml_sections import table
from obdwatch.explanations.unknown_codes import maker_code, reserved_code, unlisted_code

__all__ = ["Advice", "CodeExplanation", "FoundCode", "explain", "follow_first", "search"]

_UNSURE = {
    "order": "We take this meaning from the order of the standard's list. Make sure with the manual.",
    "memory": "We are not quite sure of this number. Make sure with the manual.",
}
_CONTACT = re.compile(r"\b(?:plugs?|wires?|cables?|wiring|contacts?|corroded|loose)\b")
_MAKERS_FAILURE_TYPES = 0xF0  # from here on the byte is the maker's own (ISO 14229, from memory)


def explain(code: str) -> CodeExplanation:
    """Explain a trouble code as people type it (`p0171`, `P0171-00`).

    Raises InputError, in one line, for anything that is no trouble code.
    """
    structure = parse_code(code)
    explanation = _explained(structure)
    due = caution_sentences(cautions_due(explanation.first_checks))
    explanation = replace(explanation, cautions=tuple(dict.fromkeys((*explanation.cautions, *due))))
    doubt = unsure_because(structure.code)
    if doubt is not None:
        explanation = replace(explanation, meaning=f"{explanation.meaning} {_UNSURE[doubt]}")
    if structure.failure_type is None:
        return explanation
    return replace(explanation, failure_type=_failure_type(structure.failure_type))


def _explained(structure: CodeStructure) -> CodeExplanation:
    if structure.defined_by is DefinedBy.MAKER:
        return maker_code(structure)
    facts = facts_of(structure.code)
    if structure.defined_by is DefinedBy.RESERVED or (facts is not None and facts.fault == RESERVED):
        return reserved_code(structure)
    entry = entry_for(structure.code)
    if entry is not None:
        return _written(structure, entry, facts)
    return unlisted_code(structure) if facts is None else composed(facts)


def _written(structure: CodeStructure, entry: Entry, facts: CodeFacts | None) -> CodeExplanation:
    values = _values(structure.code, facts)

    def fill(text: str) -> str:
        try:
            return filled(text, values)
        except KeyError as missing:
            raise InputError(f"{structure.code}: the code has no {missing} to fill into '{text}'") from None

    component = component_of(facts.component) if facts else None
    own = composed(facts) if facts and says_too_little(entry) else None
    return CodeExplanation(
        code=structure.code,
        title=own.title if own else fill(entry.title),
        meaning=own.meaning if own else fill(entry.meaning),
        purpose=with_subject(component.purpose, component, facts.place) if component and facts else "",
        car_does=fill(entry.car_does),
        driver_notices=fill(entry.driver_notices),
        urgency=entry.urgency,
        may_drive=fill(entry.may_drive),
        cautions=caution_sentences(entry.cautions),
        causes=tuple(Cause(fill(cause.text), cause.part and fill(cause.part)) for cause in _in_order(entry, facts)),
        first_checks=tuple(fill(check) for check in entry.first_checks),
        live_data=tuple(LiveData(fill(item.key), fill(item.look_for)) for item in entry.live_data),
        confused_with=tuple(fill(text) for text in entry.confused_with),
        standard=True,
        origin=Origin.WRITTEN,
        system=_system(facts, structure),
        component=facts.component if facts else None,
        place=facts.place if facts else Place(),
    )


def _in_order(entry: Entry, facts: CodeFacts | None) -> list[Cause]:
    """The causes of an entry; one entry may serve a family, but what comes and goes is a loose contact first."""
    comes_and_goes = facts is not None and facts.fault.startswith("intermittent")
    return sorted(entry.causes, key=lambda cause: comes_and_goes and not _CONTACT.search(cause.text))


def _values(code: str, facts: CodeFacts | None) -> dict[str, str]:
    """What the placeholders of the knowledge stand for; only what the code really names."""
    place = facts.place if facts else Place()
    named = {
        "code": code,
        "bank": place.bank,
        "other_bank": 3 - place.bank if place.bank else None,
        "sensor": place.sensor,
        "cylinder": place.cylinder,
        "coil": place.circuit,
    }
    return {name: str(value) for name, value in named.items() if value is not None}


def _system(facts: CodeFacts | None, structure: CodeStructure) -> str:
    if facts is None:
        return structure.group
    component = component_of(facts.component)
    group = component.group if component else (table(CONDITIONS, facts.component) or {})["group"]
    return str(group_table(group)["system"])


def _failure_type(byte: int) -> FailureType:
    words = failure_type_words(byte)
    if words is not None:
        return FailureType(byte, *words)
    if byte >= _MAKERS_FAILURE_TYPES:
        return FailureType(byte, "the maker's own detail: see its repair manual", "ISO 14229 from memory")
    return FailureType(byte, "a detail that is not in our table", "")
