"""Line numbers of keys, against texts counted by hand and against the standard library's reader."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from obdwatch.parts.catalogue import SHIPPED
from obdwatch.parts.toml_lines import Path, lines_of_keys

TEXT = '''# a remark with = and [brackets]
currency = "EUR" # another

[part.pump]  # [not.this]
price = 1_000
"odd key".'with.dots' = 2
life = { shape = 2.0, note = "a = b ] }", deep = { x = [1, 2] } }
access = [
  "one",  # a remark, with a comma
  # price = 3

  "two",
]
words = """
price = 4
[part.none]
\\""" still inside """
raw = \'\'\'
[[no]]\'\'\'
after.that.one = 1979-05-27T07:32:00Z

[[part.pump.variant]]
price = 5
[[part.pump.variant]]
price = 6
[part.pump.variant.only_for]
fuel = "e10"

[ part . "other" ]
price=7'''
EXPECTED = {
    ("currency",): 2,
    ("part",): 4,
    ("part", "pump"): 4,
    ("part", "pump", "price"): 5,
    ("part", "pump", "odd key", "with.dots"): 6,
    ("part", "pump", "life", "shape"): 7,
    ("part", "pump", "life", "deep", "x", 1): 7,
    ("part", "pump", "access"): 8,
    ("part", "pump", "access", 0): 9,
    ("part", "pump", "access", 1): 12,
    ("part", "pump", "words"): 14,
    ("part", "pump", "raw"): 18,
    ("part", "pump", "after", "that", "one"): 20,
    ("part", "pump", "variant"): 22,
    ("part", "pump", "variant", 0, "price"): 23,
    ("part", "pump", "variant", 1): 24,
    ("part", "pump", "variant", 1, "price"): 25,
    ("part", "pump", "variant", 1, "only_for", "fuel"): 27,
    ("part", "other"): 29,
    ("part", "other", "price"): 30,
}


def paths_of(value: Any, at: Path = ()) -> Iterator[Path]:
    """Every table, key and entry of what the standard library read."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inside:
        yield (*at, key)
        yield from paths_of(one, (*at, key))


@pytest.mark.parametrize("path", EXPECTED)
def test_each_key_is_found_on_its_line(path: Path) -> None:
    assert lines_of_keys(TEXT)[path] == EXPECTED[path]


def test_exactly_the_keys_that_the_reader_finds() -> None:
    assert set(lines_of_keys(TEXT)) == set(paths_of(tomllib.loads(TEXT)))


@pytest.mark.parametrize("file", sorted(SHIPPED.glob("*.toml")), ids=lambda file: str(file.name))
def test_shipped_files_have_every_key_on_a_line_that_holds_it(file: Any) -> None:
    text = file.read_text("utf-8")
    lines = lines_of_keys(text)
    assert set(lines) == set(paths_of(tomllib.loads(text)))
    written = text.splitlines()
    for path, line in lines.items():
        names = [key for key in path if isinstance(key, str)]
        if isinstance(path[-1], str):
            assert names[-1] in written[line - 1], (path, line)


keys = st.text(st.sampled_from("ab_-1é .\"'#=[]"), min_size=1, max_size=6)
values = st.recursive(
    st.one_of(st.integers(-9, 9), st.booleans(), st.text(st.sampled_from("ab\"'#=[]{},\n\\"), max_size=8)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=3)),
    max_leaves=8,
)


def written(value: Any) -> str:
    if isinstance(value, list):
        return "[\n" + "".join(f" {written(one)}, # ] }}\n" for one in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {written(v)}" for k, v in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(keys, values, max_size=4))
def test_any_document_is_walked_to_its_end(document: dict[str, Any]) -> None:
    pairs = [f"{json.dumps(key, ensure_ascii=False)} = {written(value)}\n" for key, value in document.items()]
    text = "".join(pairs)
    assert tomllib.loads(text) == document
    lines = lines_of_keys(text)
    plain = {path for path in paths_of(document) if not any('"' in str(key) for key in path)}
    assert {path for path in lines if not any('"' in str(key) or "\\" in str(key) for key in path)} == plain
    above = 0
    for key, pair in zip(document, pairs, strict=True):
        if '"' not in key:
            assert lines[(key,)] == above + 1
        above += pair.count("\n")
