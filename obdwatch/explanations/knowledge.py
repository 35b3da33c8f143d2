"""The knowledge written for common codes: reads one entry of `data/knowledge/` and checks it against its schema.

A file holds the codes that share its first three characters (`P01.toml`), so that explaining two codes parses two
entries and nothing else. An entry may serve several codes (`also`); `{bank}`, `{other_bank}`, `{sensor}`,
`{cylinder}`, `{coil}` and `{code}` in its texts are filled in for the code asked for.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from obdwatch.errors import InputError
from obdwatch.explanations.explanation import Cause, LiveData
from obdwatch.explanations.toml_sections import parse, sections, text_of
from obdwatch.urgency import Urgency

KNOWLEDGE = Path(__file__).parent / "data" / "knowledge"
CAUTIONS = Path(__file__).parent / "data" / "cautions.toml"
PLACEHOLDERS = frozenset({"bank", "other_bank", "sensor", "cylinder", "coil", "code"})

_TEXTS = ("title", "meaning", "car_does", "driver_notices", "may_drive")
_LISTS = ("cautions", "first_checks", "confused_with")
_TABLES = ("causes", "live_data")
_KEYS = frozenset({"also", "urgency", *_TEXTS, *_LISTS, *_TABLES})
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
_HOLE = re.compile(r"\{(\w*)\}")


@dataclass(frozen=True, slots=True)
class Entry:
    """What is written for one code or a family of codes; texts still have their placeholders."""

    codes: tuple[str, ...]
    title: str
    meaning: str
    car_does: str
    driver_notices: str
    urgency: Urgency
    may_drive: str
    cautions: tuple[str, ...]
    causes: tuple[Cause, ...]
    first_checks: tuple[str, ...]
    live_data: tuple[LiveData, ...]
    confused_with: tuple[str, ...]


def entry_for(code: str, folder: Path = KNOWLEDGE) -> Entry | None:
    """Return what is written for a code such as `P0171`, None where nothing is.

    Parses only the entry asked for. Raises InputError, naming file, entry and key, for an entry that breaks the schema.
    """
    path = folder / f"{code[:3]}.toml"
    if not path.is_file():
        return None
    wanted = re.compile(rf'^(\[{code}\]|also = \[.*"{code}".*\])\s*$')
    for head, section in sections(text_of(path)):
        if any(wanted.match(line) for line in section.splitlines()[:2]):
            return entry_from(parse(section, head, path), head, f"{path.name} [{head}]")
    return None


def entries_of(path: Path) -> tuple[Entry, ...]:
    """Return every entry of one knowledge file, checked; raises InputError at the first that breaks the schema."""
    return tuple(
        entry_from(parse(section, head, path), head, f"{path.name} [{head}]")
        for head, section in sections(text_of(path))
    )


def filled(text: str, values: Mapping[str, str]) -> str:
    """Return a text with its placeholders filled in; KeyError for a value that the code does not have."""
    return _HOLE.sub(lambda hole: values[hole.group(1)], text)


def entry_from(table: Mapping[str, Any], head: str, where: str) -> Entry:
    """Check one table against the schema and return it as an Entry; InputError names `where` and the key."""
    unknown = sorted(set(table) - _KEYS)
    if unknown:
        raise InputError(f"{where}: key '{unknown[0]}' is not one of {', '.join(sorted(_KEYS))}")
    texts = {key: _text(table, key, where) for key in _TEXTS}
    checks = _texts(table, "first_checks", where)
    causes = tuple(_cause(item, where) for item in _tables(table, "causes", where))
    live = tuple(_live(item, where) for item in _tables(table, "live_data", where))
    if not causes or not checks:
        raise InputError(f"{where}: needs at least one of 'causes' and one of 'first_checks'")
    return Entry(
        codes=_codes(table, head, where),
        title=texts["title"],
        meaning=texts["meaning"],
        car_does=texts["car_does"],
        driver_notices=texts["driver_notices"],
        urgency=_urgency(table, where),
        may_drive=texts["may_drive"],
        cautions=_texts(table, "cautions", where),
        causes=causes,
        first_checks=checks,
        live_data=live,
        confused_with=_texts(table, "confused_with", where),
    )


def _codes(table: Mapping[str, Any], head: str, where: str) -> tuple[str, ...]:
    codes = (head, *table.get("also", ()))
    for code in codes:
        if not isinstance(code, str) or not _CODE.fullmatch(code):
            raise InputError(f"{where}: '{code}' is not a trouble code in capitals such as P0171")
        if code[:3] != head[:3]:
            raise InputError(f"{where}: '{code}' in 'also' belongs into {code[:3]}.toml")
    return codes


def _urgency(table: Mapping[str, Any], where: str) -> Urgency:
    try:
        return Urgency(table.get("urgency", ""))
    except ValueError:
        raise InputError(f"{where}: 'urgency' must be one of {', '.join(Urgency)}") from None


def _text(table: Mapping[str, Any], key: str, where: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{where}: '{key}' must be a text that is not empty")
    for name in _HOLE.findall(value):
        if name not in PLACEHOLDERS:
            raise InputError(f"{where}: '{key}' has the unknown placeholder '{{{name}}}'")
    return value


def _texts(table: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    values = table.get(key)
    if not isinstance(values, list):
        raise InputError(f"{where}: '{key}' must be a list of texts (an empty list where there are none)")
    return tuple(_text({key: value}, key, where) for value in values)


def _tables(table: Mapping[str, Any], key: str, where: str) -> list[Mapping[str, Any]]:
    values = table.get(key)
    if not isinstance(values, list) or not all(isinstance(value, dict) for value in values):
        raise InputError(f"{where}: '{key}' must be a list of inline tables")
    return values


def _cause(item: Mapping[str, Any], where: str) -> Cause:
    if set(item) - {"text", "part"}:
        raise InputError(f"{where}: a cause has the keys 'text' and, for a wear part, 'part'; not {sorted(item)}")
    part = item.get("part")
    return Cause(_text(item, "text", f"{where} causes"), _text(item, "part", f"{where} causes") if part else None)


def _live(item: Mapping[str, Any], where: str) -> LiveData:
    if set(item) != {"key", "look_for"}:
        raise InputError(f"{where}: live_data has the keys 'key' and 'look_for'; not {sorted(item)}")
    return LiveData(_text(item, "key", f"{where} live_data"), _text(item, "look_for", f"{where} live_data"))
