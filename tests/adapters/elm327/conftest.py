"""A scripted adapter and a link over it, ready to use."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from obdwatch.adapters.elm327.adapter import Elm327Adapter
from obdwatch.clock import InjectedClock
from tests.adapters.elm327.scripted_adapter import ScriptedAdapter


@dataclass
class Bench:
    """A scripted adapter, the real link code over it, and what the user was told."""

    clock: InjectedClock
    fake: ScriptedAdapter
    adapter: Elm327Adapter
    notices: list[str] = field(default_factory=list)

    def connected(self) -> Bench:
        self.adapter.connect()
        self.fake.commands.clear()
        return self


@pytest.fixture
def bench() -> Bench:
    clock = InjectedClock()
    fake = ScriptedAdapter(clock)
    notices: list[str] = []
    return Bench(clock, fake, Elm327Adapter(fake, clock, notice=notices.append), notices)
