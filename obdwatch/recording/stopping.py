"""Turns Ctrl-C, SIGTERM and a lost terminal into a polite wish to stop, so that a session file is closed properly."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from types import FrameType

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@dataclass(slots=True)
class StopWish:
    """Whether someone wants the program to stop; `signal` is the first that said so."""

    signal: int | None = None

    def __call__(self) -> bool:
        """Whether to stop."""
        return self.signal is not None


@contextlib.contextmanager
def stop_on_signals() -> Iterator[StopWish]:
    """Catch the signals that end a program for as long as the block lasts; only from the main thread.

    A second Ctrl-C is no longer polite: it interrupts as usual.
    """
    wish = StopWish()
    before = {number: signal.getsignal(number) for number in SIGNALS}

    def note(number: int, _frame: FrameType | None) -> None:
        if wish.signal is not None and number == signal.SIGINT:
            raise KeyboardInterrupt
        wish.signal = number

    try:
        for number in SIGNALS:
            signal.signal(number, note)
        yield wish
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
