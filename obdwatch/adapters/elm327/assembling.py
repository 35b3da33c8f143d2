"""python-OBD's protocol parsers, which join checked frames into payloads; the only file that imports `obd`.

Importing it costs a second (its unit registry), so that happens when a car is first talked to. Its parsers log, and
edit one reply: stored codes get a forged count byte on old buses and are cut by their count on CAN. Both are avoided.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Sequence
from typing import Any

from obdwatch.adapters.elm327.protocols import BusProtocol

STORED_CODES = "43"
PENDING_CODES = "47"  # the same layout as stored codes, and python-OBD leaves it alone
_SILENT = logging.CRITICAL + 1


class Assembler:
    """Joins the frames of one message into its payload."""

    def __init__(self, protocol: BusProtocol) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from obd import protocols as parsers
        logging.getLogger("obd").setLevel(_SILENT)
        self._parse: Callable[[list[str]], Sequence[Any]] = getattr(parsers, protocol.parser)([])

    def join(self, texts: Sequence[str], service_at: int) -> bytes | None:
        """The payload of the frames `texts`, from its service byte on; None when python-OBD makes nothing of them.

        `service_at` is where the service byte stands in the first text [characters].
        """
        first = texts[0]
        disguised = first[service_at : service_at + 2] == STORED_CODES
        if disguised:
            first = first[:service_at] + PENDING_CODES + first[service_at + 2 :]
        payload = self._join([first, *texts[1:]])
        return bytes.fromhex(STORED_CODES) + payload[1:] if payload and disguised else payload

    def _join(self, texts: list[str]) -> bytes | None:
        try:
            messages = self._parse(texts)
            payloads = [bytes(message.data) for message in messages if message.parsed()]
        except Exception:  # its parsers raise whatever Python does on odd input; such frames hold no value
            return None
        return payloads[0] if len(payloads) == len(messages) == 1 else None
