"""The gate every byte to a car passes: which service requests may be sent at all.

Reading is open, erasing needs an `EraseConfirmation` that only two explicit answers of the user can make, and nothing
else exists: no actuator test, no security access, no programming.
"""

from __future__ import annotations

from dataclasses import dataclass

READ_SERVICES = frozenset({0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A})  # SAE J1979, the services that only read
ERASE_SERVICE = 0x04  # SAE J1979: clears codes, freeze frames, monitor results and readiness
MAX_REQUEST_BYTES = 7  # SAE J1979: service byte and up to six parameter ids in one frame
ERASE_WORD = "erase"


@dataclass(frozen=True, slots=True)
class EraseConfirmation:
    """Proof that the user, with the consequences on screen, answered "erase" twice.

    Raises ValueError unless both answers are exactly that word, so it cannot be made in passing.
    """

    first_answer: str
    second_answer: str

    def __post_init__(self) -> None:
        if self.first_answer != ERASE_WORD or self.second_answer != ERASE_WORD:
            raise ValueError(f"erasing codes needs the word {ERASE_WORD!r} typed twice")


def request_text(payload: bytes) -> str:
    """The characters that send `payload` (service byte first); raises ValueError for all but the reading services."""
    if not 1 <= len(payload) <= MAX_REQUEST_BYTES:
        raise ValueError(f"a request has 1 to {MAX_REQUEST_BYTES} bytes, not {len(payload)}")
    if payload[0] not in READ_SERVICES:
        raise ValueError(f"service {payload[0]:02X} must not be sent; only 01, 02, 03, 06, 07, 09 and 0A read")
    return payload.hex().upper()


def erase_text(confirmation: EraseConfirmation) -> str:
    """The characters that erase codes; raises ValueError for anything but a real `EraseConfirmation`."""
    if type(confirmation) is not EraseConfirmation:
        raise ValueError("erasing codes needs an EraseConfirmation")
    return f"{ERASE_SERVICE:02X}"
