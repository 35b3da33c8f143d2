"""What the page of a running recording costs the server; run on request: `python -m tests.benchmarks.live_view`.

A server of its own process serves a logbook into which a real-size recording is written second by second (one commit
per second of the drive, as the recorder does). A page asks over HTTP for each second, as it does in a browser, only
faster. The process time of the server per question, times sixty, is its cost in a minute. Prints a table, exits 1
where a limit is broken. The limit is the project's: 2 % of a core is 1.2 s of process time in a minute.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from typing import Any

from dashboards.live_feed import FEED, LEAST_PAUSE, SCAN_EVERY
from dashboards.server import prepare
from obdwatch.logbook.logbook import Logbook
from obdwatch.recording.session_file import SessionContents, SessionWriter, read_session
from obdwatch.records import Exchange

LONGEST = Path(__file__).parents[2] / "recorded_sessions"
SECONDS = 120
LIMIT = 1.2  # s of process time per minute of watching
WAITING_PER_MINUTE = 20


class Server:
    """The dashboard in another process; says how much process time it has used."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "tests.benchmarks.live_view", "serve", str(folder)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        self.address = self._process.stdout.readline().strip().rstrip("/")

    def used(self) -> float:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return float(self._process.stdout.readline())

    def ask(self, have: str) -> tuple[dict[str, Any], int]:
        """The answer, and how many bytes travelled."""
        request = urllib.request.Request(f"{self.address}{FEED}?units=metric&have={have}")
        with urllib.request.urlopen(request) as answer:
            content = answer.read()
        return json.loads(content), len(content)

    def end(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


def serve(folder: str) -> None:
    """In the other process: serve until the parent closes its end; a line asks for the process time."""
    import threading

    server = prepare(Logbook(folder), port=0)
    thread = threading.Thread(target=server.run)
    thread.start()
    print(server.address, flush=True)
    for _ in sys.stdin:
        print(time.process_time(), flush=True)
    server.stop()
    thread.join()


def rows(contents: SessionContents) -> list[Exchange]:
    columns = zip(
        contents.t, contents.latency, contents.request, contents.ecu, contents.status, contents.payload,
        contents.negative_code, contents.raw, strict=True,
    )  # fmt: skip
    return [Exchange(float(t), float(latency), *rest) for t, latency, *rest in columns]  # type: ignore[call-arg]


def write_until(writer: SessionWriter, left: list[Exchange], t: float) -> None:
    while left and left[0].t < t:
        writer.exchange(left.pop(0))
    writer.commit()


def measure(folder: Path, source: Path) -> tuple[list[tuple[str, float, float]], str]:
    contents = read_session(source)
    left = rows(contents)
    book = Logbook(folder)
    server = Server(folder)
    try:
        server.ask("")
        before = server.used()
        for _ in range(30):
            server.ask("")
            time.sleep(SCAN_EVERY / 10)
        waiting = (server.used() - before) / 30 * WAITING_PER_MINUTE
        with SessionWriter(book.sessions_folder / "now.obdw", contents.session) as writer:
            start = left[-1].t - SECONDS - 30.0
            write_until(writer, left, start)
            time.sleep(SCAN_EVERY)
            before, begun = server.used(), time.perf_counter()
            told, _ = server.ask("")
            while told["more"]:
                told, _ = server.ask(told["have"])
            caught_up, took = server.used() - before, time.perf_counter() - begun
            sizes, values = [], 0
            before = server.used()
            for second in range(SECONDS):
                write_until(writer, left, start + second + 1.0)
                time.sleep(LEAST_PAUSE + 0.03)
                told, size = server.ask(told["have"])
                sizes.append(size)
                values += sum(len(times) for times, _ in told["points"].values())
            running = (server.used() - before) / SECONDS * 60
    finally:
        server.end()
    said = (
        f"{source.name}: {told['rate'][1]} values per second, {len(told['values'])} signals in the last second, "
        f"{sum(sizes) / len(sizes):,.0f} bytes a second, {values} points of lines; "
        f"caught up with {start / 60:.0f} minutes in {took:.2f} s"
    )
    return [
        ("watching a recording, once a second", running, LIMIT),
        ("waiting for one", waiting, LIMIT),
        ("catching up once", caught_up, 5.0),
    ], said


def main() -> int:
    source = Path(sys.argv[1]) if len(sys.argv) > 1 else max(LONGEST.glob("*.obdw"), key=lambda p: p.stat().st_size)
    with tempfile.TemporaryDirectory() as folder:
        results, said = measure(Path(folder), source)
    print(said)
    for name, seconds, limit in results:
        verdict = "ok" if seconds <= limit else "TOO MUCH"
        share = "" if name.startswith("catching") else f"{100 * seconds / 60:5.2f} % of a core"
        print(f"{name:<40}{seconds:7.3f} s per minute {share} (limit {limit:g} s) {verdict}")
    return int(any(seconds > limit for _, seconds, limit in results))


if __name__ == "__main__":
    if sys.argv[1:2] == ["serve"]:
        serve(sys.argv[2])
    else:
        sys.exit(main())
