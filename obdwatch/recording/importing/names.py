"""Which parameter a column header means: its key, its J1979 or python-OBD name, or a name from `column_names.toml`.

A header is split into words, abbreviations are written out and order does not count, so that one entry of the table
covers the many spellings of one name. What matches nothing is left to the user's own column map, never guessed at.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from obdwatch.decoding.parameters import PARAMETER_BY_KEY, PARAMETERS, key_for_name
from obdwatch.recording.importing import units

_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_WORD = re.compile(r"[a-z0-9]+")
_BRACKETED_END = re.compile(r"^(?P<name>.*?)\s*[\[(](?P<unit>[^\[\]()]*)[\])]\s*$", re.DOTALL)
_ECU_END = re.compile(r"^(?P<name>.*)@(?P<ecu>[0-9A-Fa-f]{2,8})$")


@dataclass(frozen=True, slots=True)
class Heading:
    """A header cell taken apart: `unit` None where the header names none; `ecu` is the text after `@`."""

    text: str
    name: str
    unit: str | None
    ecu: str | None = None


@cache
def _table() -> Mapping[str, Mapping[str, object]]:
    text = resources.files(__package__).joinpath("column_names.toml").read_text("utf-8")
    return tomllib.loads(text)


@cache
def _words() -> Mapping[str, tuple[str, ...]]:
    return {short: tuple(str(full).split()) for short, full in _table()["words"].items()}


@cache
def _small_words() -> frozenset[str]:
    words = _table()["small_words"]["words"]
    assert isinstance(words, list)
    return frozenset(words)


@cache
def name_table() -> Mapping[tuple[str, ...], str]:
    """Every known name, as sorted words, and the key it means."""
    found: dict[tuple[str, ...], str] = {}
    for parameter in PARAMETERS:
        found.setdefault(words_of(parameter.key), parameter.key)
    for key, names in _table()["names"].items():
        assert isinstance(names, list)
        for name in names:
            found.setdefault(words_of(name), key)
    for parameter in PARAMETERS:
        found.setdefault(words_of(parameter.name), parameter.key)
    return found


def words_of(name: str) -> tuple[str, ...]:
    """Return the words of a name, written out, without small words, sorted.

    A number stays with the word before it: bank 1 sensor 2 is not bank 2 sensor 1.

    >>> words_of("EngineCoolant Temp"), words_of("O2 B1S2")
    (('coolant', 'engine', 'temperature'), ('bank1', 'oxygen', 'sensor2'))
    """
    text = unicodedata.normalize("NFKC", _HUMP.sub(" ", name)).lower()
    written_out = [word for short in _WORD.findall(text) for word in _words().get(short, (short,))]
    found: list[str] = []
    for word in written_out:
        if word.isdecimal() and found:
            found[-1] += word
        elif word not in _small_words():
            found.append(word)
    return tuple(sorted(found))


def key_of(name: str) -> str | None:
    """Return the parameter key that a column name (without unit) means, None where nobody knows.

    >>> key_of("Engine RPM"), key_of("SHORT_FUEL_TRIM_1"), key_of("Speed of my dog")
    ('engine_speed', 'short_term_fuel_trim_bank_1', None)
    """
    stripped = name.strip()
    if stripped.lower() in PARAMETER_BY_KEY:
        return stripped.lower()
    return key_for_name(stripped) or name_table().get(words_of(stripped))


def heading(text: str) -> Heading:
    """Take a header cell apart into name, unit and control unit.

    A bracket at the end is a unit, unless the whole text is a name of its own, as in `... bank 1 (and 3)`.

    >>> heading("Engine Coolant Temperature [°C]").unit, heading("engine_speed@7E9 [1/min]").ecu
    ('°C', '7E9')
    """
    name, unit = text.strip(), None
    found = _BRACKETED_END.match(name)
    if found and (units.is_known(found["unit"]) or key_of(name) is None):
        name, unit = found["name"].strip(), found["unit"].strip()
    ecu = None
    if found := _ECU_END.match(name):
        name, ecu = found["name"], found["ecu"].upper()
    if unit is not None or key_of(name) is not None:
        return Heading(text, name, unit, ecu)
    return _with_unit_word(Heading(text, name, None, ecu))


def _with_unit_word(plain: Heading) -> Heading:
    """Find a unit written without brackets (`speed_mph`, `Coolant Temp degF`), where only that makes a known name."""
    for cut in (found.start() for found in re.finditer(r"[\s_]+", plain.name)):
        name, unit = plain.name[:cut], plain.name[cut:].strip(" _")
        for spelling in (unit, unit.replace("_", "/")):
            if units.is_known(spelling) and key_of(name) is not None:
                return Heading(plain.text, name, spelling, plain.ecu)
    return plain


def unit_of(key: str) -> str:
    """Return the J1979 unit of a parameter key, empty for a key of no table."""
    parameter = PARAMETER_BY_KEY.get(key)
    return parameter.unit if parameter is not None else ""
