"""Whether a control unit fills its CAN frames up to eight bytes: learnt while connecting, demanded afterwards.

ISO 15765-4 asks for eight bytes, but adapters and older cars show shorter frames, too. Knowing which is usual here
turns a lost character into damage instead of a wrong value.
"""

from __future__ import annotations

from collections import Counter

FULL_FRAME = 8  # ISO 11898-1: data bytes of a classic CAN frame
MINIMUM_VOTES = 2  # frames that must agree before a habit is believed
DECISIVE_SHARE = 0.8  # of the frames seen; a few damaged ones must not hide the habit


class PaddingHabits:
    """Counts, for each control unit and frame kind, padded against exactly fitting frames."""

    def __init__(self) -> None:
        self._votes: Counter[tuple[int, bool, bool]] = Counter()
        self.learning = True

    def observe(self, ecu: int, consecutive: bool, present: int, needed: int) -> None:
        """Count one frame with `present` data bytes where `needed` would do (both with the length byte)."""
        if self.learning and needed < FULL_FRAME and present in (needed, FULL_FRAME):
            self._votes[ecu, consecutive, present == FULL_FRAME] += 1

    def padded(self, ecu: int, consecutive: bool) -> bool | None:
        """Whether frames of this kind are padded; None while not known."""
        padded = self._votes[ecu, consecutive, True]
        exact = self._votes[ecu, consecutive, False]
        total = padded + exact
        if total < MINIMUM_VOTES or max(padded, exact) < DECISIVE_SHARE * total:
            return None
        return padded > exact

    def fits(self, ecu: int, consecutive: bool, present: int, needed: int) -> bool:
        """Whether a frame has as many bytes as it should."""
        habit = self.padded(ecu, consecutive)
        if habit is None:
            return present in (needed, FULL_FRAME)
        return present == (FULL_FRAME if habit else needed)
