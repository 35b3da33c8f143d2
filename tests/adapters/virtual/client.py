"""A terminal on a virtual adapter under an injected clock: types a line, waits for the adapter to fall silent."""

from __future__ import annotations

from obdwatch.adapters.virtual.bus import Bus
from obdwatch.adapters.virtual.interpreter import ElmInterpreter
from obdwatch.adapters.virtual.link_faults import LinkFaults, parse_link_fault
from obdwatch.adapters.virtual.timing import AdapterTiming
from obdwatch.clock import InjectedClock

LONG = 60.0  # s; nothing an adapter does by itself takes longer


class Terminal:
    def __init__(
        self,
        bus: Bus,
        *faults: str,
        seed: int = 0,
        timing: AdapterTiming | None = None,
        padding: int | None = 0x00,
        linefeeds: bool = False,
    ) -> None:
        self.clock = InjectedClock()
        link_faults = LinkFaults([parse_link_fault(fault) for fault in faults], seed)
        self.adapter = ElmInterpreter(bus, self.clock, link_faults, timing, padding, linefeeds)
        self.took = 0.0

    def type(self, text: str) -> str:
        """What comes back for one line, the carriage return added; `took` is the time until the last character."""
        return self.send(text.encode("latin-1") + b"\r").decode("latin-1")

    def send(self, data: bytes, wait: float = LONG) -> bytes:
        start = self.clock.monotonic()
        self.adapter.receive(data)
        heard = self.adapter.output()
        self.took = 0.0
        while (due := self.adapter.next_output()) is not None and due - start <= wait:
            self.clock.sleep(due - self.clock.monotonic())
            if piece := self.adapter.output():
                heard += piece
                self.took = self.clock.monotonic() - start
        if wait is not LONG:
            self.clock.sleep(start + wait - self.clock.monotonic())
        return heard

    def ask(self, *lines: str) -> list[str]:
        """The lines of the answer to the last of `lines`, without echo and prompt."""
        answers = [self.type(line) for line in lines]
        last = answers[-1]
        assert last.endswith(">"), last
        return [line.strip() for line in last[:-1].replace("\n", "").split("\r") if line.strip() and line != lines[-1]]
