"""On which line of a TOML text each key stands, which the standard library's reader does not tell.

Only for texts that the reader has accepted: this scanner steps over values and looks at nothing but keys and brackets.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping

Path = tuple[str | int, ...]
"""Where a value stands in the document: names of tables and keys, and numbers of entries of arrays from 0."""

_BLANK, _OPEN, _CLOSE = " \t\r\n", "[{", "]}"
_QUOTES = ('"""', "'''", '"', "'")


def lines_of_keys(text: str) -> Mapping[Path, int]:
    """Return the line, counted from 1, of every table, key and entry of an array; the first one where several say it.

    >>> lines_of_keys('[part.thermostat]\\nprice = 40\\nlife = { shape = 2 }')[("part", "thermostat", "life", "shape")]
    3
    """
    return _Scanner(text).scan()


class _Scanner:
    """One pass over a text: `at` is the place in it, `table` the one that keys belong to now."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.ends = [place for place, sign in enumerate(text) if sign == "\n"]
        self.lines: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # entries so far of each array of tables

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        self._skip()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip()
        return self.lines

    def _header(self) -> Path:
        array = self.text.startswith("[[", self.at)
        line = self._line()
        self.at += 2 if array else 1
        keys = self._keys()
        self.at += 2 if array else 1
        path: Path = (*self._inside(keys[:-1], line), keys[-1])
        self._note(path, line)
        if array:
            self.counts[path] = self.counts.get(path, -1) + 1
        elif path not in self.counts:
            return path
        path = (*path, self.counts[path])
        self._note(path, line)
        return path

    def _inside(self, keys: tuple[str, ...], line: int) -> Path:
        """The path of a table that is named in a header; of an array of tables the latest one is meant."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            self._note(path, line)
            if path in self.counts:
                path = (*path, self.counts[path])
        return path

    def _pair(self, table: Path) -> None:
        line = self._line()
        for key in self._keys():
            table = (*table, key)
            self._note(table, line)
        self.at += 1  # the equals sign
        self._value(table)

    def _value(self, path: Path) -> None:
        self._skip()
        first = self.text[self.at]
        if first == "[":
            self._array(path)
        elif first == "{":
            self.at += 1
            while not self._closed("}"):
                self._pair(path)
        elif first in "\"'":
            self._string()
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\r\n":
                self.at += 1

    def _array(self, path: Path) -> None:
        self.at += 1
        number = 0
        while not self._closed("]"):
            self._note((*path, number), self._line())
            self._value((*path, number))
            number += 1

    def _closed(self, bracket: str) -> bool:
        """Step over blanks, comments and commas; whether the bracket follows, which is stepped over too."""
        self._skip(",")
        if self.text[self.at] != bracket:
            return False
        self.at += 1
        return True

    def _keys(self) -> tuple[str, ...]:
        """A key, dotted or not, up to the equals sign or bracket after it."""
        keys: list[str] = []
        while True:
            self._skip(".")
            if self.text[self.at] in "=]":
                return tuple(keys)
            keys.append(self._key())

    def _key(self) -> str:
        if self.text[self.at] in "\"'":
            return self._string()
        start = self.at
        while self.text[self.at] not in " \t.=]":
            self.at += 1
        return self.text[start : self.at]

    def _string(self) -> str:
        """Step over a string; return what a plain one holds, as it is needed for keys."""
        quote = next(mark for mark in _QUOTES if self.text.startswith(mark, self.at))
        start = self.at = self.at + len(quote)
        while not self.text.startswith(quote, self.at):
            self.at += 2 if self.text[self.at] == "\\" and quote[0] == '"' else 1
        value = self.text[start : self.at]
        self.at += len(quote)
        while len(quote) == 3 and self.text.startswith(quote[0], self.at):  # quotes that end the text itself
            self.at += 1
        return value

    def _skip(self, also: str = "") -> None:
        while self.at < len(self.text) and self.text[self.at] in _BLANK + "#" + also:
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                self.at += 1

    def _line(self) -> int:
        return bisect.bisect_left(self.ends, self.at) + 1

    def _note(self, path: Path, line: int) -> None:
        self.lines.setdefault(path, line)
