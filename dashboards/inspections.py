"""What the page of the guided inspection asks of the logbook and writes into it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import quote, unquote

from dashboards.photos import keep_photo, photo_address
from dashboards.visit import INSPECTION, Visit
from obdwatch.errors import LogbookError
from obdwatch.inspecting import Change, Inspection, Remembered, changes, inspection_of, note_answer
from obdwatch.logbook.logbook import Logbook
from obdwatch.parts.inspection import USUAL

SUMMARY = "summary"  # stands where the id of a question would


@dataclass(frozen=True, slots=True)
class Place:
    """Where in an inspection an address is: `car_id` and `step` (a question, the summary) are None for none named."""

    car_id: str | None
    step: str | None
    everything: bool

    def address(self, step: str | None) -> str:
        """The address of another step of the same inspection."""
        names = [quote(name, safe="") for name in (self.car_id, step) if name]
        return "/".join([INSPECTION, *names]) + ("?all=yes" if self.everything else "")


def place_of(visit: Visit) -> Place:
    """Read the place from an address; what it names is only ever looked up."""
    names = [unquote(name) for name in visit.path.removeprefix(INSPECTION).strip("/").split("/", 1)]
    names += [""]
    return Place(names[0] or None, names[1].strip("/") or None, visit.query.get("all", ("",))[-1] == "yes")


class Inspections:
    """The inspections of the cars of one logbook; answers go into its log at once."""

    def __init__(self, logbook: object, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._kept = logbook
        self._now = now
        self._remembered: Remembered = {}

    def _logbook(self) -> Logbook:
        if not isinstance(self._kept, Logbook):  # a stand-in that only shows drives
            raise LogbookError("This logbook cannot take answers.")
        return self._kept

    def current(self, car_id: str, everything: bool = False) -> Inspection:
        """The inspection under way, or the next one. Raises InputError for an unknown car."""
        return inspection_of(self._logbook(), car_id, self._now(), None if everything else USUAL, self._remembered)

    def changes(self, inspection: Inspection) -> tuple[Change, ...]:
        """What the answers so far changed, the largest change first."""
        return changes(self._logbook(), inspection, self._remembered)

    def answer(self, car_id: str, question: str, answer: str, photo: bytes | None) -> None:
        """Write an answer down, and keep its photo. Raises InputError, LogbookError."""
        event = note_answer(self._logbook(), car_id, question, answer, self._now())
        if photo is not None and event.id is not None:
            keep_photo(self._logbook().directory, event.id, photo)

    def photo(self, entry: int | None) -> str | None:
        """The photo of a log entry as an address that holds it."""
        return photo_address(self._logbook().directory, entry)
