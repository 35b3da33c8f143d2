"""What a trouble code tells by its shape alone: area, who defines it, which group (SAE J2012, ISO 15031-6).

Reads what people type (`p0171`, `P0171-00`, `U0100:87`), and says in one line what is wrong with anything else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from obdwatch.errors import InputError


class DefinedBy(StrEnum):
    """Who gives a code its meaning."""

    STANDARD = "standard"
    MAKER = "maker"
    RESERVED = "reserved"


@dataclass(frozen=True, slots=True)
class CodeStructure:
    """A code read by its shape: `code` in capitals, `group` in plain words, `failure_type` byte or None."""

    code: str
    area: str
    defined_by: DefinedBy
    group: str
    failure_type: int | None = None


AREAS = {"P": "engine and transmission", "C": "chassis", "B": "body", "U": "data network"}

_SHAPE = re.compile(r"([PCBU])\s?([0-3][0-9A-F]{3})(?:[\s:./-]?([0-9A-F]{2}))?")

# Third character of P0, P1 and P2 codes (SAE J2012; from memory where the reference tables are silent).
_ENGINE_GROUPS = {
    "0": "fuel, air and auxiliary exhaust cleaning",
    "1": "fuel and air",
    "2": "fuel injection",
    "3": "ignition and misfire",
    "4": "auxiliary exhaust cleaning",
    "5": "vehicle speed, idle and auxiliary inputs",
    "6": "computer and its outputs",
    "7": "transmission",
    "8": "transmission",
    "9": "transmission",
    "A": "hybrid drive",
    "B": "hybrid drive",
    "C": "hybrid drive",
    "D": "hybrid drive",
    "E": "hybrid drive",
    "F": "hybrid drive",
}
# P2 has fewer hybrid groups: P2A is fuel and air, P2B too (from memory of the standard).
_SECOND_ENGINE_GROUPS = _ENGINE_GROUPS | {"A": "fuel and air", "B": "fuel and air"}
_NETWORK_GROUPS = {
    "0": "wires of the data network",
    "1": "communication with a control unit",
    "2": "communication with a control unit",
    "3": "programs that do not match",
    "4": "data that make no sense",
    "5": "data that make no sense",
}


def parse_code(text: str) -> CodeStructure:
    """Read a code as people type it, with or without a failure type byte, in any case.

    Raises InputError, in one line, for anything that is no trouble code.
    """
    typed = text.strip().upper()
    shape = _SHAPE.fullmatch(typed)
    if shape is None:
        raise InputError(f"'{text.strip()[:40]}' is not a trouble code: {_what_is_wrong(typed)}")
    letter, digits, failure_type = shape.groups()
    code = letter + digits
    return CodeStructure(
        code=code,
        area=AREAS[letter],
        defined_by=_defined_by(letter, digits),
        group=_group(letter, digits),
        failure_type=int(failure_type, 16) if failure_type else None,
    )


def _what_is_wrong(typed: str) -> str:
    if re.match(r"[PCBU][0-9A-F]*O", typed):
        return "it has the letter O where a zero belongs; write it like P0171"
    if re.fullmatch(r"[0-3][0-9A-F]{3}", typed):
        return f"the letter in front is missing; write P{typed}, C{typed}, B{typed} or U{typed}"
    if re.match(r"[PCBU][4-9A-F]", typed):
        return "the first digit goes from 0 to 3; write it like P0171"
    return "write a letter (P, C, B or U) and four digits, like P0171"


def _defined_by(letter: str, digits: str) -> DefinedBy:
    first, second = digits[0], digits[1]
    if letter == "P" and first == "3":
        if second in "0123":
            return DefinedBy.MAKER
        return DefinedBy.STANDARD if second in "456789" else DefinedBy.RESERVED
    if letter == "P":
        return DefinedBy.MAKER if first == "1" else DefinedBy.STANDARD
    if first == "3":
        return DefinedBy.STANDARD if letter == "U" else DefinedBy.RESERVED
    return DefinedBy.STANDARD if first == "0" else DefinedBy.MAKER


def _group(letter: str, digits: str) -> str:
    first, second = digits[0], digits[1]
    if letter == "P" and first == "3":
        return "cylinder shut-off" if second == "4" else "engine"
    if letter == "P":
        return (_SECOND_ENGINE_GROUPS if first == "2" else _ENGINE_GROUPS)[second]
    if letter == "U" and first == "0":
        return _NETWORK_GROUPS.get(second, "data network")
    if letter == "U" and first == "3":
        return "control units and their supply"
    return {"C": "brakes, steering and suspension", "B": "airbags, comfort and body", "U": "data network"}[letter]
