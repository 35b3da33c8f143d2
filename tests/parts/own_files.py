"""Users' parts files for tests, and the one line they are refused with."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdwatch.errors import InputError
from obdwatch.parts.catalogue import read_catalogue

LIFE = '{ shape = 2.0, scale_km = 100_000, origin = "assumption: for a test" }'
OWN_PART = f"""
[part.inner_drive_boot]
fails_by = "Its rubber cracks."
onset = {LIFE}
to_failure = {LIFE}
consequence = "The joint knocks."
breakdown_cost = 150
damage_cost = 200
engine_at_risk = false
hours = 1.5
price = 30
"""


def own_file(folder: Path, text: str) -> Path:
    path = folder / "parts.toml"
    path.write_text(text, "utf-8")
    return path


def refusal(folder: Path, text: str) -> str:
    """The message a user's file is refused with, which must be one line that begins with the file's name."""
    path = own_file(folder, text)
    with pytest.raises(InputError) as caught:
        read_catalogue(path)
    said = str(caught.value)
    assert len(said.splitlines()) == 1
    assert said.startswith(str(path))
    return said.removeprefix(str(path))
