"""Reads one table out of a TOML file of many, so that explaining a code parses a screenful and not the whole house.

A table starts at a line that holds nothing but `[name]`; nothing else in these files may start a line with `[`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from obdwatch.errors import InputError


@lru_cache(maxsize=64)
def text_of(path: Path) -> str:
    """Return the text of a data file; kept, because a report asks for many codes in a row."""
    return path.read_text("utf-8")


def sections(text: str) -> Iterator[tuple[str, str]]:
    """Yield (name, text of the table with its header) for each table."""
    heads = [*re.finditer(r"^\[(\w+)\]\s*$", text, re.MULTILINE)]
    ends = [head.start() for head in heads[1:]] + [len(text)]
    for head, end in zip(heads, ends, strict=True):
        yield head.group(1), text[head.start() : end]


@lru_cache(maxsize=512)
def table(path: Path, name: str) -> Mapping[str, Any] | None:
    """Return one table of a file by its name, None where there is none; read only, for it is kept."""
    text = text_of(path)
    start = 0 if text.startswith(f"[{name}]\n") else text.find(f"\n[{name}]\n") + 1
    if start == 0 and not text.startswith(f"[{name}]\n"):
        return None
    end = text.find("\n[", start + 1)
    return parse(text[start : end if end >= 0 else len(text)], name, path)


def parse(section: str, name: str, path: Path) -> dict[str, Any]:
    """Parse the text of one table; InputError names file and table."""
    try:
        found: dict[str, Any] = tomllib.loads(section)[name]
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path.name} [{name}]: not valid TOML: {error}") from None
    return found
