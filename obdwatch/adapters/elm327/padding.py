"""Whether and with what a control unit fills its CAN frames up to eight bytes: learnt while connecting, demanded after.

ISO 15765-4 asks for eight bytes, but adapters and older cars show shorter frames, too, and leaves open what fills
them. Knowing what is usual here turns lost characters, or the front of one frame run into another, into damage instead
of a wrong value.
"""

from __future__ import annotations

from collections import Counter

FULL_FRAME = 8  # ISO 11898-1: data bytes of a classic CAN frame
MINIMUM_VOTES = 2  # frames that must agree before a habit is believed
DECISIVE_SHARE = 0.8  # of the frames seen; a few damaged ones must not hide the habit


class PaddingHabits:
    """Counts, for each control unit and frame kind, padded against exactly fitting frames, and the bytes that pad."""

    def __init__(self) -> None:
        self._votes: Counter[tuple[int, bool, bool]] = Counter()
        self._fillers: Counter[tuple[int, bool, int | None]] = Counter()
        self.learning = True

    def observe(self, ecu: int, consecutive: bool, data: bytes, needed: int) -> None:
        """Count one frame whose `data` has all its bytes, of which the first `needed` would do."""
        if not self.learning or needed >= FULL_FRAME or len(data) not in (needed, FULL_FRAME):
            return
        padded = len(data) == FULL_FRAME
        self._votes[ecu, consecutive, padded] += 1
        if padded:
            self._fillers[ecu, consecutive, _one_byte(data[needed:])] += 1

    def padded(self, ecu: int, consecutive: bool) -> bool | None:
        """Whether frames of this kind are padded; None while not known."""
        padded = self._votes[ecu, consecutive, True]
        exact = self._votes[ecu, consecutive, False]
        total = padded + exact
        if total < MINIMUM_VOTES or max(padded, exact) < DECISIVE_SHARE * total:
            return None
        return padded > exact

    def filler(self, ecu: int, consecutive: bool) -> int | None:
        """The byte that frames of this kind are filled with; None while not known or where it is not always one."""
        seen = {byte: n for (unit, kind, byte), n in self._fillers.items() if (unit, kind) == (ecu, consecutive)}
        usual = max(seen, key=seen.__getitem__, default=None)
        if usual is None or seen[usual] < max(MINIMUM_VOTES, DECISIVE_SHARE * sum(seen.values())):
            return None
        return usual

    def fits(self, ecu: int, consecutive: bool, data: bytes, needed: int) -> bool:
        """Whether a frame has as many bytes as it should, and behind the first `needed` what usually fills it."""
        habit = self.padded(ecu, consecutive)
        if habit is None:
            return len(data) in (needed, FULL_FRAME)
        if len(data) != (FULL_FRAME if habit else needed):
            return False
        usual = self.filler(ecu, consecutive)
        return usual is None or len(data) == needed or _one_byte(data[needed:]) == usual


def _one_byte(filler: bytes) -> int | None:
    """The byte that is all there is in `filler`; None where it varies."""
    return filler[0] if len(set(filler)) == 1 else None
