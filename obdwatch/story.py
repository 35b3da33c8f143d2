"""The demo's story as its file tells it: an invented owner and car, what was done and seen, and the recorded drives.

`recorded_sessions/story.toml` lies beside the session files. It also says what is really wrong with the car (`wear`);
only the virtual car reads that, when the drives are recorded, and nothing that judges them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from obdwatch.car_profiles import car_from_mapping
from obdwatch.errors import InputError
from obdwatch.recording.session_file import SUFFIX
from obdwatch.records import Car, Event, EventKind
from obdwatch.units import KM_PER_MILE

FOLDER = Path(__file__).parents[1] / "recorded_sessions"
FILE = "story.toml"
DRIVE_KEYS = {"at", "miles", "trip", "seed", "note", "adapter", "conditions", "link_faults", "found", "live", "codes"}
EVENT_KEYS = {"at", "miles", "kind", "part", "question", "answer", "note"}
SEVERITY = "two numbers from 0 to 1, the first and the last"
WEAR_KEYS = {"fault", "from_miles", "until_miles", "severity"}


@dataclass(frozen=True, slots=True)
class StoryWear:
    """What is really wrong: a fault of the virtual car, from and until where [km], its first and last severity."""

    fault: str
    from_km: float
    until_km: float
    severity: tuple[float, float]


@dataclass(frozen=True, slots=True)
class StoryDrive:
    """A drive of the story; `id` names its session, `at` is key-on.

    `trip` is one of the virtual car's, `conditions` what is changed about it (weather, how long the car stood, ...),
    `adapter` "wireless" or "wired".
    `found` says by detector which part it must name; where nothing is named, nothing must be wrong. A `live` drive has
    no file: the demo records it while one looks on, on a car that has stored `codes`.
    """

    id: str
    at: datetime
    odometer_km: float
    trip: str
    seed: int
    note: str
    adapter: str
    conditions: Mapping[str, Any]
    link_faults: tuple[str, ...]
    found: Mapping[str, str]
    live: bool
    codes: tuple[str, ...]

    @property
    def file_name(self) -> str:
        """The name of its session file."""
        return f"{self.id}{SUFFIX}"


@dataclass(frozen=True, slots=True)
class Story:
    """Everything the file tells; events and drives oldest first.

    `virtual_car` names the layout the car is built to. `worn_in_the_end` are the parts that the drives and inspections
    must show as worn by the last drive, `old_but_sound` those that only their distance speaks against.
    """

    owner: str
    about: str
    worn_in_the_end: tuple[str, ...]
    old_but_sound: tuple[str, ...]
    virtual_car: str
    car_seed: int
    car: Car
    events: tuple[Event, ...]
    drives: tuple[StoryDrive, ...]
    wears: tuple[StoryWear, ...]


def read_story(path: Path = FOLDER / FILE) -> Story:
    """Read the story. Raises InputError that names the file and the entry, ProfileError for the car."""
    try:
        document = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(
            f"{path}: the demo's story is not there ({error.strerror}); run obdwatch from a whole checkout"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeError) as error:
        raise InputError(f"{path}: is no TOML ({error})") from error
    top = _Entry(str(path), document)
    car = car_from_mapping({**top.table("car"), "part_new_at_km": _new_at_km(top)}, f"{path}, car")
    return Story(
        owner=top.text("owner"),
        about=" ".join(top.text("about").split()),
        worn_in_the_end=top.texts("worn_in_the_end"),
        old_but_sound=top.texts("old_but_sound"),
        virtual_car=top.text("virtual_car"),
        car_seed=top.whole("car_seed"),
        car=car,
        events=tuple(sorted((_event(entry, car.id) for entry in top.entries("event", EVENT_KEYS)), key=_when)),
        drives=tuple(sorted((_drive(entry, car.id) for entry in top.entries("drive", DRIVE_KEYS)), key=_when)),
        wears=tuple(_wear(entry) for entry in top.entries("wear", WEAR_KEYS)),
    )


@dataclass(frozen=True, slots=True)
class _Entry:
    """A table of the file and where it stands, for messages."""

    place: str
    table_: Mapping[str, Any]

    def get(self, key: str, kinds: type | tuple[type, ...], what: str, default: Any = None) -> Any:
        value = self.table_.get(key, default)
        if not isinstance(value, kinds) or isinstance(value, bool) != (kinds is bool):
            raise InputError(f"{self.place}: '{key}' must be {what}, not {value!r}")
        return value

    def text(self, key: str, default: str | None = None) -> str:
        return str(self.get(key, str, "a text", default)).strip()

    def texts(self, key: str) -> tuple[str, ...]:
        values = self.get(key, list, "a list of texts", [])
        if not all(isinstance(value, str) for value in values):
            raise InputError(f"{self.place}: '{key}' must be a list of texts, not {values!r}")
        return tuple(values)

    def whole(self, key: str) -> int:
        return int(self.get(key, int, "a whole number"))

    def kilometres(self, key: str) -> float:
        return round(float(self.get(key, (int, float), "a number of miles")) * KM_PER_MILE, 1)

    def moment(self, key: str) -> datetime:
        value: datetime = self.get(key, datetime, "a date and time with its zone, as in 2026-02-09T06:40:00Z")
        if value.tzinfo is None:
            raise InputError(f"{self.place}: '{key}' needs a zone, as in 2026-02-09T06:40:00Z")
        return value

    def table(self, key: str) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self.get(key, Mapping, "a table", {})
        return found

    def entries(self, key: str, known: set[str]) -> Iterator[_Entry]:
        for number, table in enumerate(self.get(key, list, "a list of tables", []), start=1):
            entry = _Entry(f"{self.place}, {key} {number}", table)
            if strange := set(table) - known:
                raise InputError(
                    f"{entry.place}: '{min(strange)}' is not known; there may be {', '.join(sorted(known))}"
                )
            yield entry


def _new_at_km(top: _Entry) -> dict[str, float | str]:
    """The miles at which parts were last new, in km; "unknown" stays."""
    return {
        part: round(miles * KM_PER_MILE, 1) if isinstance(miles, int | float) else miles
        for part, miles in top.table("part_new_at_miles").items()
    }


def _event(entry: _Entry, car_id: str) -> Event:
    kind = entry.text("kind")
    if kind not in set(EventKind):
        raise InputError(f"{entry.place}: kind '{kind}' is none of {', '.join(EventKind)}")
    return Event(
        car_id=car_id,
        at=entry.moment("at"),
        kind=EventKind(kind),
        odometer_km=entry.kilometres("miles"),
        part=entry.text("part", "") or None,
        answer=entry.text("answer", "") or None,
        note=entry.text("note", ""),
        question=entry.text("question", "") or None,
    )


def _drive(entry: _Entry, car_id: str) -> StoryDrive:
    at = entry.moment("at")
    return StoryDrive(
        id=f"{at:%Y-%m-%dT%H%M}-{car_id}",
        at=at,
        odometer_km=entry.kilometres("miles"),
        trip=entry.text("trip"),
        seed=entry.whole("seed"),
        note=entry.text("note"),
        adapter=entry.text("adapter", "wireless"),
        conditions=entry.table("conditions"),
        link_faults=entry.texts("link_faults"),
        found=entry.table("found"),
        live=bool(entry.get("live", bool, "true or false", False)),
        codes=entry.texts("codes"),
    )


def _wear(entry: _Entry) -> StoryWear:
    ends = entry.get("severity", list, SEVERITY)
    if len(ends) != 2 or not all(isinstance(end, int | float) and 0.0 <= end <= 1.0 for end in ends):
        raise InputError(f"{entry.place}: 'severity' must be {SEVERITY}, not {ends!r}")
    first, last = (float(end) for end in ends)
    return StoryWear(
        entry.text("fault"), entry.kilometres("from_miles"), entry.kilometres("until_miles"), (first, last)
    )


def _when(entry: Event | StoryDrive) -> datetime:
    return entry.at
