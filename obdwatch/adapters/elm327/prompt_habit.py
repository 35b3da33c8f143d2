"""Where an adapter puts its prompt, so that one that line noise makes is not taken for the end of a reply."""

from __future__ import annotations

HABIT = 8  # replies in a row with an empty line before the prompt until one without it is suspected
EXCEPTIONS = 3  # suspects in a row that show it was no habit after all


class PromptHabit:
    """Tells a prompt that ends a reply from one that line noise has put into the middle of it.

    Adapters leave an empty line before the prompt, and those that do, always do. Believing a false prompt would mean
    writing to a busy adapter, and what is left of that command can be another one.
    """

    def __init__(self) -> None:
        self._regular = 0
        self._exceptions = 0

    def suspects(self, text: str) -> bool:
        """Whether the prompt behind `text` came where this adapter never puts it; learns from every reply.

        >>> habit = PromptHabit()
        >>> [habit.suspects(text) for text in ["OK\\r\\r"] * HABIT + ["7E8\\r", "OK\\r\\r"]][-2:]
        [True, False]
        """
        if text.replace("\n", "\r").endswith("\r\r"):
            self._regular += 1
            self._exceptions = 0
            return False
        if self._regular < HABIT:
            self._regular = 0
            return False
        self._exceptions += 1
        if self._exceptions >= EXCEPTIONS:
            self._regular = self._exceptions = 0
            return False
        return True
