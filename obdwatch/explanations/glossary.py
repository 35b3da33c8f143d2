"""The trade's words, explained: what a screen shows when a reader asks for a term."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

from obdwatch.explanations.code_table import DATA

GLOSSARY = DATA / "glossary.toml"


@lru_cache(maxsize=1)
def glossary() -> Mapping[str, str]:
    """Return every term with its explanation."""
    return MappingProxyType({term: str(text) for term, text in tomllib.loads(GLOSSARY.read_text("utf-8")).items()})


def terms_in(text: str) -> tuple[str, ...]:
    """Return the terms of the glossary that a text uses, longest first, so that a screen can explain them."""
    padded = f" {''.join(sign if sign.isalnum() or sign == '-' else ' ' for sign in text.lower())} "
    found = [term for term in glossary() if f" {term.lower()} " in padded or f" {term.lower()}s " in padded]
    return tuple(sorted(found, key=lambda term: (-len(term), term)))
