"""A recorder in a process of its own, to be killed: `python -m tests.recording.recording_process FILE [LIMIT]`.

It prints a line whenever a commit has returned: how many exchanges are safe from then on. LIMIT is the size in bytes
beyond which the operating system refuses to write.
"""

from __future__ import annotations

import resource
import signal
import sys
import time
from pathlib import Path

from obdwatch.clock import InjectedClock
from obdwatch.errors import SessionFileError
from obdwatch.recording.poll_plan import PollPlan
from obdwatch.recording.recorder import Recorder
from obdwatch.recording.session_file import SessionWriter
from obdwatch.recording.stopping import stop_on_signals
from obdwatch.records import Exchange, Session
from tests.recording.fake_car import FakeCar


class CountingWriter(SessionWriter):
    """Says after each commit how much is safe."""

    count = 0
    has_failed = False

    def exchange(self, exchange: Exchange) -> None:
        super().exchange(exchange)
        self.count += 1

    def commit(self) -> None:
        try:
            super().commit()
        except SessionFileError:
            self.has_failed = True
            raise
        if not self.has_failed:
            print(self.count, flush=True)


class HurriedClock(InjectedClock):
    """Runs twenty times as fast as time does."""

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds) / 20)
        super().sleep(seconds)


def main() -> None:
    path = Path(sys.argv[1])
    if len(sys.argv) > 2:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
    car = FakeCar(HurriedClock(), keeps_requests=False)
    connection = car.connect()
    writer = CountingWriter(path, Session("s", car.clock.utc(), supported=connection.supported))
    try:
        with stop_on_signals() as stop:
            Recorder(car, writer, PollPlan(connection), car.clock).run(stop)
    except SessionFileError as error:
        print(error, file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
