"""A parts file that cannot be used: one line that names file, line and key, what is wrong and what may be there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.errors import InputError
from obdwatch.parts.catalogue import read_catalogue, shipped_document
from obdwatch.parts.catalogue_schema import catalogue_from
from obdwatch.parts.documents import Document, merged
from obdwatch.parts.override_words import override_remarks
from tests.parts.own_files import LIFE, OWN_PART, own_file, refusal

# text of the file, line, key and a piece of what must be said
WRONG = {
    "a word for a number": ('[part.battery]\nprice = "dear"', 2, "part.battery.price", "must be a number"),
    "a flag for a number": ("[part.battery]\nprice = true", 2, "part.battery.price", "must be a number"),
    "no number at all": ("[part.battery]\nprice = nan", 2, "part.battery.price", "must be a number"),
    "a price beyond all prices": ("[part.battery]\n\nprice = 1e300", 3, "part.battery.price", "no more than"),
    "a negative price": ("[part.battery]\n\nprice = -1", 3, "part.battery.price", "zero or more"),
    "hours beyond reason": ("part.battery.hours = 500", 1, "part.battery.hours", "between 0 and 200"),
    "a number for a flag": ("part.battery.engine_at_risk = 0", 1, "part.battery.engine_at_risk", "true or false"),
    "an empty text": ('part.battery.fails_by = " "', 1, "part.battery.fails_by", "must be a text"),
    "a text for a list": ('part.battery.access = "battery_off"', 1, "part.battery.access", "square brackets"),
    "an unknown key": ("[part.battery]\nprise = 4", 2, "part.battery.prise", "did you mean 'price'?"),
    "an unknown table": ("\n[parts.battery]\nprice = 4", 2, "parts", "did you mean 'part'?"),
    "an unknown step": (
        '[part.battery]\naccess = [\n  "battery_off",\n  "seat_out",\n]', 4, "part.battery.access[2]", "'seat_out'",
    ),
    "an unknown part": ('part.battery.together_with = ["radio"]', 1, "part.battery.together_with[1]", "'radio'"),
    "an unknown thing to buy": ('part.battery.extras = ["acid"]', 1, "part.battery.extras[1]", "'acid'"),
    "the same step twice": (
        'part.battery.access = ["battery_off", "battery_off"]', 1, "part.battery.access[2]", "a second time",
    ),
    "a thing needed and optional": (
        'part.thermostat.optional_extras = ["coolant"]', 1, "part.thermostat.optional_extras", "'coolant'",
    ),
    "an unknown sentence": ('part.battery.cautions = ["acid"]', 1, "part.battery.cautions[1]", "write a sentence"),
    "an unknown count": ('part.battery.per = "wheel"', 1, "part.battery.per", "car, bank, cylinder"),
    "a step that needs itself": (
        'step.belt_off.needs = ["belt_off"]', 1, "step.belt_off.needs", "belt_off needs belt_off",
    ),
    "steps in a circle": (
        '[step.car_raised]\nneeds = ["coolant_drained"]', 2, "step.car_raised.needs", "undertray_off needs car_raised",
    ),
    "a circle on some cars": (
        '[[step.belt_off.variant]]\nonly_for = { layout = "vee" }\nneeds = ["timing_drive_off"]',
        3, "step.belt_off.variant.needs", "timing_drive_off needs belt_off",
    ),
    "a life of nothing": ("part.battery.onset.scale_km = 0", 1, "part.battery.onset.scale_km", "above zero"),
    "a negative shape": ("part.battery.onset.shape = -2", 1, "part.battery.onset.shape", "above zero"),
    "thousands left out": ("part.battery.onset.scale_km = 95", 1, "part.battery.onset.scale_km", "between 1,000 and"),
    "thousands of miles left out": ("part.battery.onset.scale_miles = 95", 1, "scale_miles", "between 621 and"),
    "both units": (
        "[part.battery.onset]\nscale_km = 95_000\nscale_miles = 60_000", 3, "onset.scale_miles", "take one of both out",
    ),
    "an origin of no kind": (
        'part.battery.onset.origin = "my uncle"', 1, "part.battery.onset.origin", "where the figure comes from",
    ),
    "an empty origin": ('part.battery.onset.origin = "source:"', 1, "part.battery.onset.origin", "comes from"),
    "an unknown field of the car": (
        '[[part.battery.variant]]\nonly_for = { colour = "red" }\nprice = 3', 2, "only_for.colour", "no key",
    ),
    "an unknown value of the car": (
        '[[part.battery.variant]]\nonly_for = { layout = "round" }\nprice = 3',
        2, "only_for.layout", "inline, vee, flat",
    ),
    "no value at all": ("part.battery.only_for = { layout = [] }", 1, "part.battery.only_for.layout", "names no value"),
    "half a cylinder": ("part.battery.only_for = { cylinders = 3.5 }", 1, "only_for.cylinders", "whole number"),
    "a variant for nobody": ("[[part.battery.variant]]\nprice = 3", 1, "part.battery.variant", "'only_for'"),
    "a wrong variant": (
        '[[part.battery.variant]]\nonly_for = { fuel = "e10" }\nhours = "long"',
        3, "part.battery.variant.hours", "number",
    ),
    "a wrong variant beside those that are shipped": (
        '[[part.spark_plugs.variant]]\nonly_for = { fuel = "e10" }\nprice = 2\n\n'
        '[[part.spark_plugs.variant]]\nonly_for = { fuel = "e85" }\nprice = "dear"',
        7, "part.spark_plugs.variant.price", "must be a number",
    ),
    "a life without origin in a variant": (
        '[[part.battery.variant]]\nonly_for = { fuel = "e10" }\nonset = { shape = 2, scale_km = 50_000 }',
        3, "part.battery.variant.onset", "'origin'",
    ),
    "variants that are none": ("part.coolant_pump.variant = 3", 1, "part.coolant_pump.variant", "must be a table"),
    "a part that is a number": ("part.battery = 3", 1, "part.battery", "must be a table"),
    "parts that are a list": ("part = []", 1, "part", "must be a table"),
    "an own part with a slip in its name": ("[part.batery]\nprice = 4", 1, "part.batery", "did you mean 'battery'?"),
    "an own part with a gap": (
        OWN_PART.replace("hours = 1.5", ""), 2, "part.inner_drive_boot", "lacks the key 'hours'",
    ),
    "an own part without origin": (
        OWN_PART.replace(', origin = "assumption: for a test"', "", 1), 4, "part.inner_drive_boot.onset", "'origin'",
    ),
    "an own step with a gap": ('[step.wheel_off]\nname = "wheel off"', 1, "step.wheel_off", "lacks the key 'hours'"),
    "an id of no shape": (f'[step."Wheel off"]\nname = "a"\nhours = {1}', 1, "step.Wheel off", "is no id"),
    "a sentence that is a number": ("[sentence]\nbattery = 3", 2, "sentence.battery", "must be a text"),
    "a currency that is a number": ("currency = 3", 1, "currency", "must be a text"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_said_with_file_line_and_key(case: str, tmp_path: Path) -> None:
    text, line, key, piece = WRONG[case]
    said = refusal(tmp_path, text)
    assert said.startswith(f", line {line}: ")
    assert key in said
    assert piece in said


KEYS = st.sampled_from(
    [
        "currency", "part", "step", "extra", "sentence", "battery", "belt_off", "coolant", "own", "variant", "only_for",
        "price", "hours", "onset", "shape", "scale_km", "scale_miles", "origin", "access", "needs", "extras", "fitted",
        "layout", "cylinders", "cautions", "per", "Own part", "", "two\nlines",
    ]
)  # fmt: skip
VALUES = st.recursive(
    st.one_of(
        st.integers(-2, 10**6),
        st.floats(),
        st.booleans(),
        st.sampled_from(["battery_off", "belt_off", "vee", "", "A sentence.", "car", "assumption: x"]),
        st.datetimes(),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=4)),
    max_leaves=12,
)
KINDS = st.sampled_from(["part", "step", "extra", "sentence"])
THINGS = st.sampled_from(["battery", "belt_off", "coolant", "own"])


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.dictionaries(KEYS, VALUES, max_size=4),
        st.dictionaries(KINDS, st.dictionaries(THINGS, st.dictionaries(KEYS, VALUES, max_size=4), max_size=2)),
    )
)
def test_whatever_a_file_holds_is_read_or_refused_in_one_line(table: dict[str, Any]) -> None:
    own = Document("own.toml", table, {})
    said = []
    try:
        catalogue_from(merged(shipped_document(), own))
        said += override_remarks(shipped_document(), own)
    except InputError as error:
        said.append(str(error))
    assert all(len(line.splitlines()) == 1 for line in said)


def test_a_wrong_line_far_down_is_named(tmp_path: Path) -> None:
    text = "# my prices\n" * 40 + "[part.coolant_pump]\nprice = 100\n\n[part.thermostat]\nprice = 'a lot'\n"
    assert refusal(tmp_path, text).startswith(", line 45: part.thermostat.price must be a number")


def test_a_file_that_is_no_toml_says_where(tmp_path: Path) -> None:
    assert "line 2" in refusal(tmp_path, "currency = 'EUR'\nprice == 3\n")
    assert "is no TOML" in refusal(tmp_path, f"part = {'[' * 5000}{']' * 5000}\n")


def test_files_that_cannot_be_read_are_one_line(tmp_path: Path) -> None:
    utf_16 = tmp_path / "wide.toml"
    utf_16.write_bytes("currency = 'EUR'".encode("utf-16"))
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"# nothing\n" * 40_000)
    gone = tmp_path / "gone.toml"
    gone.symlink_to(tmp_path / "nowhere.toml")
    for path, piece in {utf_16: "UTF-8", huge: "far smaller", tmp_path: "cannot be read", gone: "no such"}.items():
        with pytest.raises(InputError, match=piece) as caught:
            read_catalogue(path)
        assert str(path) in str(caught.value)


def test_a_file_that_does_not_exist_changes_nothing(tmp_path: Path) -> None:
    assert read_catalogue(tmp_path / "parts.toml") == read_catalogue()


def test_a_byte_order_mark_and_windows_line_ends_are_no_error(tmp_path: Path) -> None:
    path = own_file(tmp_path, "")
    path.write_bytes(b"\xef\xbb\xbfcurrency = 'EUR'\r\n\r\n[part.battery]\r\nprice = 3\r\n")
    found = read_catalogue(path)
    assert (found.currency, found.parts["battery"].price) == ("EUR", 3.0)
    assert any("line 4: battery: price is 3" in remark for remark in found.remarks)


def test_a_life_has_a_word_for_what_is_missing(tmp_path: Path) -> None:
    text = OWN_PART.replace(LIFE, '{ shape = 2.0, origin = "assumption: for a test" }', 1)
    assert "lacks the key 'scale_km' (or 'scale_miles'); add one" in refusal(tmp_path, text)
