"""The invented car, brought into an empty logbook at a click: its drives are copied and looked at in the background."""

from __future__ import annotations

import logging
import threading
from typing import cast

from dashboards.keeping import WritableLogbook
from obdwatch.errors import ObdwatchError
from obdwatch.logbook.logbook import Logbook

LOG = logging.getLogger(__name__)


class Beginning:
    """Brings the story in once; `told` says how far it is, `done` that there is something to see."""

    def __init__(self, logbook: WritableLogbook) -> None:
        self._logbook = logbook
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self.told = ""
        self.done = False

    @property
    def running(self) -> bool:
        """Whether the drives are being looked at."""
        return self._thread is not None and self._thread.is_alive()

    def begin(self) -> None:
        """Start, unless it runs already."""
        with self._lock:
            if self.running:
                return
            self.told, self.done = "Bringing the drives in …", False
            self._thread = threading.Thread(target=self._work, daemon=True)
            self._thread.start()

    def wait(self, seconds: float) -> None:
        """Wait for the end; for tests."""
        if self._thread is not None:
            self._thread.join(seconds)

    def _work(self) -> None:
        try:
            self._bring_in()
        except ObdwatchError as error:
            self.told = f"That did not work: {error}"
        except Exception:
            LOG.exception("The invented car could not be brought in")
            self.told = "That did not work. The terminal says more; obdwatch demo shows the car, too."

    def _bring_in(self) -> None:
        from obdwatch.analysis import analyse_stored
        from obdwatch.demo import bring_in
        from obdwatch.story import read_story

        logbook, story = cast("Logbook", self._logbook), read_story()
        if logbook.car(story.car.id) is None:
            bring_in(story, logbook)
        drives = sorted(logbook.sessions(story.car.id), key=lambda one: one.id)
        for number, session in enumerate(drives, start=1):
            self.told = f"Looking at drive {number} of {len(drives)} …"
            if not logbook.findings(session.id):
                analyse_stored(logbook, session.id)
        self.told, self.done = "There it is.", True
