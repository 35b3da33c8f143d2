"""obdwatch: which wear part of this car is on its way out, from standard OBD-II data.

In a notebook, `obdwatch.load(path)` gives a saved drive with its signals as pandas objects and its findings.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from obdwatch.notebook import LoadedDrive
    from obdwatch.records import Car

__version__ = "0.1.0"
__all__ = ["__version__", "load"]


def load(path: Path | str, car: Car | Path | str | None = None) -> LoadedDrive:
    """Load a session file for a notebook; see `obdwatch.notebook.LoadedDrive`. Raises SessionFileError."""
    # Imported here because pandas takes seconds, and the command line shares this package.
    from obdwatch.notebook import load as load_session

    return load_session(path, car)
