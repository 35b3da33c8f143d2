"""A saved session for a notebook, signals as pandas objects, findings in words: what `obdwatch.load` returns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from obdwatch.analysis import Analysis, analyse_drive
from obdwatch.explanations.findings import explain
from obdwatch.records import Car, Drive, Finding
from obdwatch.signals.alignment import align, grid
from obdwatch.signals.drives import load_drive


@dataclass(frozen=True)
class LoadedDrive:
    """A drive and the car it is judged as; what is not asked for is not worked out."""

    drive: Drive
    car: Car | None = None

    @cached_property
    def signals(self) -> Mapping[str, pd.Series]:
        """Each signal as a Series over its own times [s], named for its key, in the unit of SAE J1979."""
        return MappingProxyType(
            {
                key: pd.Series(signal.values, index=pd.Index(signal.times, name="time_s"), name=key)
                for key, signal in self.drive.signals.items()
            }
        )

    def table(self, keys: Sequence[str] | None = None, step: float = 1.0, max_age: float = 5.0) -> pd.DataFrame:
        """Signals side by side every `step` [s]; a value older than `max_age` [s] is missing, not carried on."""
        chosen = list(keys) if keys is not None else list(self.drive.signals)
        at = grid(self.drive, step)
        return pd.DataFrame(align(self.drive, chosen, at, max_age).T, index=pd.Index(at, name="time_s"), columns=chosen)

    @cached_property
    def analysis(self) -> Analysis:
        """Everything the detectors say, and remarks on the recording."""
        return analyse_drive(self.drive, self.car)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the detectors say, in words."""
        return tuple(explain(finding) for finding in self.analysis.findings)


def load(path: Path | str, car: Car | Path | str | None = None) -> LoadedDrive:
    """Load a session file; `car` is a profile or the path of one (.toml). Raises SessionFileError, ProfileError."""
    if isinstance(car, Path | str):
        from obdwatch.car_profiles import car_from_toml

        car = car_from_toml(car)
    return LoadedDrive(load_drive(path), car)
