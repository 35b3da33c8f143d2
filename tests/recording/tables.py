"""Small foreign tables for the import tests, and one call that imports a text and loads what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from obdwatch.recording.importers import ImportOptions, ImportReport, import_file
from obdwatch.recording.session_file import SessionContents, read_session
from obdwatch.records import FloatArray


class Imported:
    """What an import made: the report, and the session file read back."""

    def __init__(self, path: Path, report: ImportReport) -> None:
        self.path, self.report = path, report
        self.contents: SessionContents = read_session(path)

    def times(self, key: str) -> list[float]:
        return [round(float(t), 6) for t in self.contents.samples[key][0]]

    def values(self, key: str) -> list[float]:
        return [round(float(v), 6) for v in self.contents.samples[key][1]]

    @property
    def keys(self) -> set[str]:
        return set(self.contents.samples)

    def dropped(self, reason: str) -> int:
        return sum(one.count for one in self.report.dropped if reason in one.reason)


def write(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def imported(folder: Path, text: str | bytes, name: str = "log.csv", options: ImportOptions | None = None) -> Imported:
    path, report = import_file(write(folder, text, name), folder / "sessions", options)
    return Imported(path, report)


def round_robin(
    signals: Mapping[str, FloatArray], rows: int, step: float = 0.1, filled: bool = False
) -> tuple[str, dict[str, list[tuple[float, float]]]]:
    """A table of a logger that reads one signal per row and repeats the others; and what it really read.

    Signal n is read in rows n, n + N, ... and shows its array's value at that row. `filled` starts with all cells full.
    """
    keys = list(signals)
    truth: dict[str, list[tuple[float, float]]] = {key: [] for key in keys}
    shown: dict[str, float | None] = {key: float(signals[key][0]) if filled else None for key in keys}
    lines = ["time_s," + ",".join(keys)]
    for row in range(rows):
        key, t = keys[row % len(keys)], round(row * step, 6)
        shown[key] = float(signals[key][row])
        truth[key].append((t, float(signals[key][row])))
        lines.append(f"{t}," + ",".join("" if shown[k] is None else f"{shown[k]:g}" for k in keys))
    return "\n".join(lines) + "\n", truth


def random_walk(rng: np.random.Generator, rows: int, step: float, start: float) -> FloatArray:
    """A signal that moves in whole steps and often stands still, as a coarse sensor does."""
    moves = rng.choice([-step, 0.0, 0.0, 0.0, step], rows)
    inside = np.abs((np.cumsum(moves) / step + 20) % 80 - 40) - 20  # folded, so that it never sticks at an end
    return np.asarray(start + step * inside, dtype=float)
