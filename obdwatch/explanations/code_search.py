"""Finds codes by words: what the component is called, where it sits, what is wrong with it, what the driver notices.

Understands the usual abbreviations through `data/synonyms.toml`, and complaints through `symptoms`. Every word must be
found; whole words and words in the title count most.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from obdwatch.errors import InputError
from obdwatch.explanations.code_table import DATA, RESERVED, CodeFacts, Component, all_facts, component_of
from obdwatch.explanations.compose import CONDITION, CONDITIONS, FAULT_TYPES, GROUPS, fault_type_names, title_of
from obdwatch.explanations.families import hides_differences
from obdwatch.explanations.knowledge import KNOWLEDGE, PLACEHOLDERS, filled
from obdwatch.explanations.symptoms import suspects
from obdwatch.explanations.toml_sections import sections, text_of

SYNONYMS = DATA / "synonyms.toml"

# How much a find counts, by how well the word fits and by where it stands; only the order of these numbers matters.
_WHOLE_WORD, _WORD_START = 3.0, 2.0
_IN_TITLE, _IN_OTHER_WORDS, _WRITTEN = 3.0, 1.0, 2.0
_USUAL = 1.5  # P0001 to P0999, the first codes of the standard, which cars set most (common practice)
_USUAL_TITLE = 20  # words; keeps short titles from winning by shortness alone
# A number belongs to the word before it: "bank 2" must not be found in "bank 1, sensor 2".
_WORD = re.compile(r"(?:bank|sensor|cylinder|gear) \d+|[a-z0-9]+")
_FIRST_CODES = re.compile(r"P0[0-9]\w\w")
_FILLERS = frozenset(
    {"a", "after", "an", "and", "are", "at", "be", "but", "car", "does", "for", "from", "has", "i", "in", "is", "it",
     "its", "me", "my", "of", "on", "or", "the", "then", "there", "to", "vehicle", "very", "when", "while", "with"}
)  # fmt: skip
# Of a complaint: what every car has, and words that only go with a verb ("cuts out").
_NEVER_ASKED = frozenset(
    {
        "engine",
        "motor",
        "check",
        "light",
        "lamp",
        "out",
        "up",
        "off",
        "away",
        "goes",
        "comes",
        "gets",
        "keeps",
        "sometimes",
    }
)


@dataclass(frozen=True, slots=True)
class FoundCode:
    """A code that fits a search; `score` is only good for ranking."""

    code: str
    title: str
    score: float


@dataclass(frozen=True, slots=True)
class _Searchable:
    code: str
    title: str
    other_words: str
    written: bool


def search(words: str, limit: int = 20) -> tuple[FoundCode, ...]:
    """Return the codes that fit all words, best first. Raises InputError where there is no word to search for."""
    wanted = _wanted(words)
    if not wanted:
        raise InputError(f"nothing to search for in '{words[:40]}': give words such as \"cam timing\"")
    items = list(_searchables())
    found = [(item, _score(item, wanted)) for item in items]
    hits = _ranked(FoundCode(item.code, item.title, score) for item, score in found if score > 0)
    behind = _behind_a_complaint(words, items)
    said = [word for word in _WORD.findall(words.lower()) if word not in _FILLERS]
    by_name = any(all(_fit(word, _WORD.findall(hit.title.lower())) for word in said) for hit in hits[:1])
    together = [*hits, *behind] if by_name else [*behind, *hits]
    first = {hit.code: hit for hit in reversed(together)}
    return tuple(first[code] for code in dict.fromkeys(hit.code for hit in together))[:limit]


def _ranked(hits: Iterable[FoundCode]) -> list[FoundCode]:
    return sorted(hits, key=lambda hit: (-hit.score, hit.code))


def _behind_a_complaint(words: str, items: list[_Searchable]) -> list[FoundCode]:
    """Codes that stand behind what the owner complains of; words that no complaint explains must be found in them."""
    found = suspects(re.findall(r"[a-z0-9]+", words.lower()))
    if found is None:
        return []
    left = [word for word in _wanted(" ".join(found.unheard)) if word not in _NEVER_ASKED]
    return _ranked(
        FoundCode(item.code, item.title, found.scores[item.code])
        for item in items
        if item.code in found.scores and (not left or _score(item, left))
    )


def _wanted(words: str) -> list[str]:
    synonyms = tomllib.loads(SYNONYMS.read_text("utf-8"))
    wanted: list[str] = []
    for word in _WORD.findall(words.lower()):
        wanted += _WORD.findall(synonyms.get(word, word)) if word not in _FILLERS else []
    return list(dict.fromkeys(wanted))


def _score(item: _Searchable, wanted: list[str]) -> float:
    title, others = (_WORD.findall(text.lower()) for text in (item.title, item.other_words))
    total = 0.0
    for word in wanted:
        best = max(_fit(word, title) * _IN_TITLE, _fit(word, others) * _IN_OTHER_WORDS)
        if not best:
            return 0.0
        total += best
    weight = (_WRITTEN if item.written else 1.0) * (_USUAL if _FIRST_CODES.fullmatch(item.code) else 1.0)
    return total * weight / (_USUAL_TITLE + len(title))


def _fit(word: str, words: list[str]) -> float:
    if word.isdigit():  # "misfire 3" means cylinder 3, bank 3 or sensor 3
        return _WHOLE_WORD if any(other.split()[-1] == word for other in words) else 0.0
    stem = word.rstrip("s") if len(word) > 3 else word
    if word in words or stem in words:
        return _WHOLE_WORD
    return _WORD_START if any(len(stem) > 2 and other.startswith(stem) for other in words) else 0.0


def _searchables() -> Iterator[_Searchable]:
    fault_titles = dict(_values_of("title", text_of(FAULT_TYPES)))
    condition_titles = dict(_values_of("title", text_of(CONDITIONS)))
    systems = dict(_values_of("system", text_of(GROUPS)))
    notices = dict(_values_of("notices", text_of(GROUPS)))
    table = {facts.code: facts for facts in all_facts()}
    written = _written_titles(table)
    components: dict[str, Component | None] = {}
    for facts in table.values():
        if facts.fault == RESERVED:
            continue
        if facts.component not in components:
            components[facts.component] = component_of(facts.component)
        component = components[facts.component]
        composed_title = _composed_title(facts, component, fault_titles, condition_titles)
        others = f"{composed_title} {facts.code}"
        if component:
            others += f" {component.purpose} {systems[component.group]} {notices[component.group]}"
        title = written.get(facts.code)  # empty where it would not tell its codes apart
        text = _place_filled(title, facts) if title else composed_title
        yield _Searchable(facts.code, text, others, title is not None)


def _composed_title(
    facts: CodeFacts, component: Component | None, fault_titles: dict[str, str], condition_titles: dict[str, str]
) -> str:
    if facts.fault == CONDITION or component is None:
        return _place_filled(condition_titles[facts.component], facts)
    name = next(name for name in fault_type_names(facts.fault, component) if name in fault_titles)
    return title_of(facts, component, fault_titles[name])


def _written_titles(table: Mapping[str, CodeFacts]) -> dict[str, str]:
    """Code -> title, with its placeholders, of everything in the knowledge files; read without parsing them whole.

    Empty where one title serves codes that differ.
    """
    titles: dict[str, str] = {}
    for path in sorted(KNOWLEDGE.glob("*.toml")):
        for head, section in sections(text_of(path)):
            also = re.search(r"^also = \[(.*)\]", section, re.MULTILINE)
            title = re.search(r'^title = "(.*)"\s*$', section, re.MULTILINE)
            codes = (head, *re.findall(r"\w+", also.group(1) if also else ""))
            text = title.group(1) if title else ""
            hidden = hides_differences(text, (table.get(code) for code in codes))
            titles |= dict.fromkeys(codes, "" if hidden else text)
    return titles


def _values_of(key: str, text: str) -> Iterator[tuple[str, str]]:
    for name, section in sections(text):
        value = re.search(rf'^{key} = "(.*)"\s*$', section, re.MULTILINE)
        if value:
            yield name, value.group(1)


def _place_filled(title: str, facts: CodeFacts) -> str:
    place = facts.place
    known = {"bank": place.bank, "sensor": place.sensor, "cylinder": place.cylinder, "coil": place.circuit}
    values = dict.fromkeys(PLACEHOLDERS, "") | {name: str(value or "") for name, value in known.items()}
    return filled(title, values | {"code": facts.code})
