"""Opens a foreign text table, compressed or not: finds out its encoding and refuses what is no text at all.

The whole file is decoded once to choose the encoding, because a Latin-1 degree sign may stand on its last line; it is
never held in memory as a whole.
"""

from __future__ import annotations

import codecs
import contextlib
import gzip
import io
import stat
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from obdwatch.errors import ImportFileError

Progress = Callable[[float], None]

GZIP_MAGIC = b"\x1f\x8b"
BLOCK = 1 << 20  # bytes read at once
LARGEST_TABLE = 8 << 30  # bytes unpacked; beyond that it is no log of one drive but an archive bomb
LONGEST_LINE = 1 << 20  # characters; a line longer than that is no row of a table
SAMPLE = 1 << 18  # characters looked at to find header and separator
UTF_16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
NOT_TEXT = "is not a text table (it holds binary data)"


@dataclass(frozen=True, slots=True)
class TextFile:
    """A readable text table: where it lies and how it is encoded."""

    path: Path
    encoding: str


def check_readable(path: Path) -> None:
    """Raise ImportFileError unless `path` is a regular, readable, non-empty file."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ImportFileError(path, "is a folder; name one file in it")
        if not stat.S_ISREG(status.st_mode):
            raise ImportFileError(path, "is not a regular file")
        if status.st_size == 0:
            raise ImportFileError(path, "is empty")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise ImportFileError(path, "no such file") from None
    except PermissionError:
        raise ImportFileError(path, "no permission to read it") from None
    except (OSError, ValueError) as error:
        raise ImportFileError(path, f"cannot be read ({getattr(error, 'strerror', None) or error})") from error


def examine(path: Path, encoding: str | None = None) -> TextFile:
    """Find the encoding of a text table; `encoding` is the user's own word for it."""
    check_readable(path)
    with opened_bytes(path) as handle, _reading(path):
        start = handle.read(len(UTF_16_MARKS[0]))
    if start.startswith(UTF_16_MARKS):
        return TextFile(path, "utf-16")
    survey = _survey(path)
    if encoding is not None:
        return TextFile(path, encoding)
    if survey.is_utf_8:
        return TextFile(path, "utf-8-sig")
    # cp1252 leaves five bytes undefined; Latin-1 takes every byte.
    return TextFile(path, "latin-1" if survey.has_undefined_bytes else "cp1252")


@dataclass(slots=True)
class _Survey:
    """What one pass over all bytes shows."""

    is_utf_8: bool = True
    has_undefined_bytes: bool = False


UNDEFINED_IN_CP1252 = bytes((0x81, 0x8D, 0x8F, 0x90, 0x9D))


def _survey(path: Path) -> _Survey:
    found, line, size = _Survey(), 1, 0
    decoder = codecs.getincrementaldecoder("utf-8")()
    for block in _blocks(path):
        size += len(block)
        if size > LARGEST_TABLE:
            raise ImportFileError(path, f"unpacks to more than {LARGEST_TABLE >> 30} GiB; that is no log of a drive")
        if (at := block.find(b"\0")) >= 0:
            raise ImportFileError(path, NOT_TEXT, line + block.count(b"\n", 0, at))
        line += block.count(b"\n")
        found.has_undefined_bytes |= any(block.count(byte) for byte in UNDEFINED_IN_CP1252)
        if found.is_utf_8:
            found.is_utf_8 = _decodes(decoder, block)
    if found.is_utf_8:
        found.is_utf_8 = _decodes(decoder, b"", final=True)
    return found


def _decodes(decoder: codecs.IncrementalDecoder, block: bytes, final: bool = False) -> bool:
    try:
        decoder.decode(block, final)
    except UnicodeDecodeError:
        return False
    return True


def _blocks(path: Path) -> Iterator[bytes]:
    with opened_bytes(path) as handle, _reading(path):
        while block := handle.read(BLOCK):
            yield block


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or error
        raise ImportFileError(path, f"cannot be read to its end ({reason})") from error


@contextlib.contextmanager
def opened_bytes(path: Path, progress: Progress | None = None) -> Iterator[IO[bytes]]:
    """Open a file for reading, unpacking gzip by its first bytes; `progress` hears the share read so far."""
    with contextlib.ExitStack() as stack:
        raw: IO[bytes] = stack.enter_context(path.open("rb"))
        packed = raw.read(2) == GZIP_MAGIC
        raw.seek(0)
        if progress is not None:
            raw = stack.enter_context(io.BufferedReader(_Watched(raw, path.stat().st_size, progress), BLOCK))
        if packed:
            yield cast(IO[bytes], stack.enter_context(gzip.GzipFile(fileobj=raw)))
        else:
            yield raw


class _Watched(io.RawIOBase):
    """A raw file that tells how far it was read."""

    def __init__(self, raw: IO[bytes], size: int, progress: Progress) -> None:
        self._raw, self._size, self._progress, self._done = raw, max(size, 1), progress, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        block = self._raw.read(len(buffer))
        buffer[: len(block)] = block
        self._done += len(block)
        self._progress(min(1.0, self._done / self._size))
        return len(block)


@dataclass(slots=True)
class CheckedText:
    """A text stream that counts lines, and remembers what was wrong with the text it passed on.

    `last_line` is what followed the last line end read so far: the last line itself where the file ends without one.
    """

    source: TextFile
    handle: io.TextIOWrapper
    lines: int = 0
    problem: ImportFileError | None = None
    last_line: str = ""

    def read(self, size: int = -1) -> str:
        """Return the next characters; raises ImportFileError where the text breaks off or is none."""
        try:
            with _reading(self.source.path):
                text = self.handle.read(size)
        except UnicodeError:
            problem = f"is not {self.source.encoding} text as the column map says"
            self.problem = ImportFileError(self.source.path, problem)
        except ImportFileError as error:
            self.problem = error
        else:
            self._inspect(text)
        if self.problem is not None:
            raise self.problem
        return text

    def readline(self) -> str:
        """Return the next line with its end."""
        line = self.handle.readline(LONGEST_LINE)
        self._inspect(line)
        if self.problem is not None:
            raise self.problem
        return line

    def __iter__(self) -> Iterator[str]:
        while line := self.readline():
            yield line

    def _inspect(self, text: str) -> None:
        line = self.lines + 1
        if "\0" in text:
            self.problem = ImportFileError(self.source.path, NOT_TEXT, line + text.count("\n", 0, text.find("\0")))
        first, newline, others = text.partition("\n")
        line_length = len(self.last_line) + len(first)
        self.last_line = others.rpartition("\n")[2] if newline else self.last_line + first
        self.lines += text.count("\n")
        if line_length > LONGEST_LINE:
            problem = f"is longer than {LONGEST_LINE} characters: this is no table"
            self.problem = ImportFileError(self.source.path, problem, line)


@contextlib.contextmanager
def opened_text(source: TextFile, progress: Progress | None = None) -> Iterator[CheckedText]:
    """Open a table as text with line ends made one."""
    with (
        opened_bytes(source.path, progress) as binary,
        contextlib.closing(io.TextIOWrapper(binary, encoding=source.encoding, newline=None)) as handle,
    ):
        yield CheckedText(source, handle)


def first_lines(source: TextFile) -> list[str]:
    """Return the complete lines at the start of a table, enough to see its layout."""
    with opened_text(source) as text:
        start = text.read(SAMPLE)
    lines = start.split("\n")
    return lines if len(start) < SAMPLE else lines[:-1]


def repaired(text: str) -> str:
    """Undo an encoding applied twice, as in the degree sign of `Temperature [Â°C]`.

    >>> repaired("Temperature [Â°C]"), repaired("Temperature [°C]")
    ('Temperature [°C]', 'Temperature [°C]')
    """
    try:
        return text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return text
