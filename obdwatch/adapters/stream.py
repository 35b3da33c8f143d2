"""Bytes to and from an adapter, whatever carries them."""

from __future__ import annotations

from typing import Protocol


class Stream(Protocol):
    """A two-way byte stream. Every method raises ConnectionLost when the other end is gone."""

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def read(self, timeout: float) -> bytes:
        """Return what has arrived, waiting up to `timeout` [s] for a first byte; empty when nothing came."""
        ...

    def close(self) -> None:
        """Give the port back; safe to call twice."""
        ...
