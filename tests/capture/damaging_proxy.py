"""A TCP proxy that stands between a recorder and an adapter and damages what the adapter says.

It knows nothing of obdwatch: bytes towards the adapter pass untouched, bytes from it are dropped, doubled, garbled,
cut or delayed by chance. What it did is counted, so that a test can tell that damage really happened.
"""

from __future__ import annotations

import contextlib
import random
import socket
import threading
import time
from collections import Counter
from types import TracebackType

GARBAGE = b"GXZ?\x00\xff#~"  # nothing that reads as a hex digit


class DamagingProxy:
    """Forwards one client at a time to `target`; each reply chunk is damaged with probability `damage`."""

    def __init__(self, target: tuple[str, int], damage: float, seed: int, longest_delay: float = 0.0) -> None:
        self._target = target
        self._damage = damage
        self._random = random.Random(seed)
        self._longest_delay = longest_delay
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: list[socket.socket] = [self._listener]
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self.done: Counter[str] = Counter()
        self.armed = False

    def __enter__(self) -> DamagingProxy:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for each in self._open:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def drop_link(self) -> None:
        """Cut every connection, as a pulled plug does; the next client is served again."""
        for each in self._open[1:]:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
                adapter = socket.create_connection(self._target)
            except OSError:
                return
            for each in (client, adapter):
                each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open += [client, adapter]
            threading.Thread(target=self._pump, args=(client, adapter, False), daemon=True).start()
            threading.Thread(target=self._pump, args=(adapter, client, True), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket, from_adapter: bool) -> None:
        try:
            while chunk := source.recv(4096):
                sink.sendall(self._damaged(chunk) if from_adapter and self.armed else chunk)
        except OSError:
            pass
        for each in (source, sink):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def _damaged(self, chunk: bytes) -> bytes:
        if self._random.random() >= self._damage:
            return chunk
        kinds = ["drop", "double", "garble", "insert", "cut", "swallow", "prompt", "repeat"]
        kind = self._random.choice([*kinds, "delay"] if self._longest_delay else kinds)
        self.done[kind] += 1
        at = self._random.randrange(len(chunk))
        if kind == "delay":
            time.sleep(self._random.uniform(0.0, self._longest_delay))
            return chunk
        return {
            "drop": chunk[:at] + chunk[at + 1 :],
            "double": chunk[: at + 1] + chunk[at:],
            "garble": chunk[:at] + bytes([self._random.choice(GARBAGE)]) + chunk[at + 1 :],
            "insert": chunk[:at] + bytes([self._random.choice(GARBAGE)]) + chunk[at:],
            "cut": chunk[:at],
            "swallow": b"",
            "prompt": chunk + b">",
            "repeat": chunk + chunk,
        }[kind]
