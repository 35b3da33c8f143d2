"""Where the open data and reference tables lie that some tests check against; they are not part of the project."""

from __future__ import annotations

from pathlib import Path

import pytest

SHARED = Path(__file__).parents[2] / "shared"


def shared(name: str) -> Path:
    """Return the path of a shared file or folder; skip the calling test where it is absent."""
    path = SHARED / name
    if not path.exists():
        pytest.skip(f"shared data '{name}' is not beside this checkout")
    return path
