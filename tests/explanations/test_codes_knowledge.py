"""The written knowledge follows its schema, and breaking the schema is said with file, entry and key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from obdwatch.car_profiles import PART_IDS
from obdwatch.decoding.parameters import PARAMETER_BY_KEY
from obdwatch.errors import InputError
from obdwatch.explanations.code_table import facts_of
from obdwatch.explanations.codes import explain
from obdwatch.explanations.explanation import Origin
from obdwatch.explanations.knowledge import CAUTIONS, KNOWLEDGE, Entry, entries_of, entry_for, filled

FILES = sorted(KNOWLEDGE.glob("*.toml"))
MARKS = {"bank": "1", "other_bank": "2", "sensor": "1", "cylinder": "3", "coil": "C", "code": "P0000"}

GOOD = """[P0999]
title = "A title"
meaning = "A meaning."
car_does = "Nothing."
driver_notices = "Nothing."
urgency = "watch"
may_drive = "Yes."
cautions = []
causes = [{ text = "a cause", part = "battery" }]
first_checks = ["Look."]
live_data = [{ key = "engine_speed", look_for = "Look." }]
confused_with = []
"""


def all_entries() -> list[tuple[str, Entry]]:
    return [(path.name, entry) for path in FILES for entry in entries_of(path)]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_follows_the_schema(path: Path) -> None:
    heads = {entry.codes[0] for entry in entries_of(path)}
    assert heads == set(tomllib.loads(path.read_text("utf-8"))), "an entry is cut wrongly out of its file"
    assert all(head[:3] == path.stem for head in heads)


def test_no_code_is_written_twice() -> None:
    codes = [code for _, entry in all_entries() for code in entry.codes]
    assert len(codes) == len(set(codes)), sorted({code for code in codes if codes.count(code) > 1})


def test_cautions_parts_and_parameters_exist() -> None:
    cautions = tomllib.loads(CAUTIONS.read_text("utf-8"))
    wrong = []
    for file, entry in all_entries():
        where = f"{file} [{entry.codes[0]}]"
        wrong += [f"{where}: caution '{name}'" for name in entry.cautions if name not in cautions]
        wrong += [f"{where}: part '{c.part}'" for c in entry.causes if c.part and c.part not in PART_IDS]
        keys = [filled(item.key, MARKS) for item in entry.live_data]
        wrong += [f"{where}: live data key '{key}'" for key in keys if key not in PARAMETER_BY_KEY]
    assert not wrong, "\n".join(wrong)


def test_an_entry_is_found_by_any_of_its_codes() -> None:
    first, second = entry_for("P0171"), entry_for("P0174")
    assert first is not None
    assert first == second
    assert first.codes == ("P0171", "P0174")


def test_a_code_without_an_entry_gets_none(tmp_path: Path) -> None:
    (tmp_path / "P09.toml").write_text(GOOD, "utf-8")
    assert entry_for("P0998", tmp_path) is None
    assert entry_for("B0001", tmp_path) is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('urgency = "watch"', 'urgency = "now"'), "'urgency' must be one of watch, next_service, soon, stop"),
        (('title = "A title"', 'title = ""'), "'title' must be a text"),
        (("cautions = []", 'cautions = "none"'), "'cautions' must be a list"),
        (("cautions = []\n", ""), "'cautions' must be a list"),
        (('{ text = "a cause", part = "battery" }', ""), "at least one of 'causes'"),
        (('part = "battery"', 'spare = "battery"'), "a cause has the keys"),
        (('look_for = "Look."', 'see = "Look."'), "live_data has the keys"),
        (("confused_with", "confused"), "key 'confused' is not one of"),
        (("A meaning.", "A {meaning}."), "unknown placeholder '{meaning}'"),
        (("[P0999]", '[P0999]\nalso = ["P0801"]'), "'P0801' in 'also' belongs into P08.toml"),
        (("[P0999]", '[P0999]\nalso = ["p0998"]'), "'p0998' is not a trouble code"),
        (('= "Nothing."', "= Nothing."), "not valid TOML"),
    ],
)
def test_a_broken_entry_is_named_with_file_entry_and_key(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    (tmp_path / "P09.toml").write_text(GOOD.replace(*change), "utf-8")
    with pytest.raises(InputError) as caught:
        entry_for("P0999", tmp_path)
    assert str(caught.value).startswith("P09.toml [P0999]")
    assert message in str(caught.value)


def test_every_written_code_is_explained_by_what_is_written() -> None:
    for file, entry in all_entries():
        for code in entry.codes:
            assert explain(code).origin is Origin.WRITTEN, f"{file}: {code} is a maker's own or a reserved number"


def test_written_and_composed_agree_on_the_place() -> None:
    """Where the table knows a bank or cylinder, the written title names that one and no other."""
    for _, entry in all_entries():
        for code in entry.codes:
            facts, title = facts_of(code), explain(code).title
            if facts is None:
                continue
            for word, number in (("bank", facts.place.bank), ("cylinder", facts.place.cylinder)):
                named = re.findall(rf"{word} (\d+)", title)
                assert set(named) <= {str(number)} or (number is None and len(named) > 1), (code, title)
