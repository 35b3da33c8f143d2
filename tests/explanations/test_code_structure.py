"""Codes are read as people type them; structure after SAE J2012 / ISO 15031-6."""

from __future__ import annotations

import pytest

from obdwatch.decoding.trouble_codes import decode_code
from obdwatch.errors import InputError
from obdwatch.explanations.code_structure import DefinedBy, parse_code


@pytest.mark.parametrize(
    ("typed", "code", "failure_type"),
    [
        ("P0171", "P0171", None),
        ("p0171", "P0171", None),
        ("  P0171 ", "P0171", None),
        ("P 0171", "P0171", None),
        ("P0171-00", "P0171", 0x00),
        ("P0171:1a", "P0171", 0x1A),
        ("P0171 00", "P0171", 0x00),
        ("u010087", "U0100", 0x87),
        ("p0a0f", "P0A0F", None),
        ("C0035", "C0035", None),
        ("b0001", "B0001", None),
    ],
)
def test_codes_are_read_as_typed(typed: str, code: str, failure_type: int | None) -> None:
    structure = parse_code(typed)
    assert (structure.code, structure.failure_type) == (code, failure_type)


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("", "write a letter"),
        ("PO171", "letter O"),
        ("U01OO", "letter O"),
        ("0171", "write P0171"),
        ("P4171", "from 0 to 3"),
        ("P017", "four digits"),
        ("P01711", "four digits"),
        ("X0171", "write a letter"),
        ("P0171; rm", "four digits"),
        ("P0171\nP0300", "four digits"),
        ("P01G1", "four digits"),
        ("engine", "write a letter"),
    ],
)
def test_anything_else_is_refused_in_one_line(typed: str, hint: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_code(typed)
    assert hint in str(caught.value)
    assert "\n" not in str(caught.value).replace("P0171\nP0300", "")


def test_a_very_long_input_is_not_repeated_in_full() -> None:
    with pytest.raises(InputError) as caught:
        parse_code("P" * 10_000)
    assert len(str(caught.value)) < 200


# Worked examples of two bytes and code, from the project's reference notes, section C (SAE J2012 / ISO 15031-6).
@pytest.mark.parametrize(
    ("raw", "code", "defined_by"),
    [
        ("0133", "P0133", DefinedBy.STANDARD),
        ("0A0F", "P0A0F", DefinedBy.STANDARD),
        ("1131", "P1131", DefinedBy.MAKER),
        ("2187", "P2187", DefinedBy.STANDARD),
        ("3401", "P3401", DefinedBy.STANDARD),
        ("4035", "C0035", DefinedBy.STANDARD),
        ("5234", "C1234", DefinedBy.MAKER),
        ("8001", "B0001", DefinedBy.STANDARD),
        ("9234", "B1234", DefinedBy.MAKER),
        ("C100", "U0100", DefinedBy.STANDARD),
        ("D123", "U1123", DefinedBy.MAKER),
        ("E001", "U2001", DefinedBy.MAKER),
    ],
)
def test_who_defines_a_code(raw: str, code: str, defined_by: DefinedBy) -> None:
    assert decode_code(bytes.fromhex(raw)) == code
    assert parse_code(code).defined_by is defined_by


@pytest.mark.parametrize(
    ("code", "defined_by"),
    [
        ("P3000", DefinedBy.MAKER),
        ("P33FF", DefinedBy.MAKER),
        ("P3400", DefinedBy.STANDARD),
        ("P3999", DefinedBy.STANDARD),
        ("P3A00", DefinedBy.RESERVED),
        ("B3000", DefinedBy.RESERVED),
        ("C3000", DefinedBy.RESERVED),
        ("U3000", DefinedBy.STANDARD),
        ("C2000", DefinedBy.MAKER),
        ("B2000", DefinedBy.MAKER),
    ],
)
def test_the_borders_of_the_ranges(code: str, defined_by: DefinedBy) -> None:
    assert parse_code(code).defined_by is defined_by


@pytest.mark.parametrize(
    ("code", "group"),
    [
        ("P0171", "fuel and air"),
        ("P0201", "fuel injection"),
        ("P0301", "ignition"),
        ("P0420", "exhaust cleaning"),
        ("P0500", "speed"),
        ("P0601", "computer"),
        ("P0700", "transmission"),
        ("P0A80", "hybrid"),
        ("P2A00", "fuel and air"),
    ],
)
def test_the_third_character_names_the_group(code: str, group: str) -> None:
    assert group in parse_code(code).group
