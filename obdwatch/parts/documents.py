"""One TOML file of the catalogue as it stands, with the place of every key, and two of them laid over each other.

Merging is key by key and does not yet know what the keys mean; what they must be is checked afterwards, in
`catalogue_schema`, with the place that each key came from.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from obdwatch.errors import InputError
from obdwatch.parts.toml_lines import lines_of_keys

KeyPath = tuple[str | int, ...]
MOST_BYTES = 300_000  # several times all that is shipped; a file beyond this is another one
EITHER_UNIT = ("scale_km", "scale_miles")
OWN_FIGURE = "assumption: your own figure"


@dataclass(frozen=True, slots=True)
class Document:
    """The tables of one file, or of several laid over each other; `places` says by key path where a key stands."""

    name: str
    table: Mapping[str, Any]
    places: Mapping[KeyPath, str]

    def place(self, path: KeyPath) -> str:
        """Return file and line of a key, or of the innermost table around it that the files name."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.places:
                return self.places[path[:length]]
        return self.name


def read_document(path: Path) -> Document:
    """Read a file. Raises InputError where it cannot be read or is no TOML."""
    try:
        content = path.read_bytes()
        if len(content) > MOST_BYTES:
            raise InputError(f"{path}: is {len(content):,} bytes large; a parts file is far smaller, name another one")
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        table, lines = tomllib.loads(text), lines_of_keys(text)
    except FileNotFoundError:
        raise InputError(f"{path}: no such parts file") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: is not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: is no TOML ({' '.join(str(error).split())}); mend that place") from None
    return Document(str(path), table, {key: f"{path}, line {line}" for key, line in lines.items()})


def together(documents: Iterable[Document], name: str) -> Document:
    """Return several documents that describe different things as one."""
    whole = Document(name, {}, {})
    for document in documents:
        whole = merged(whole, document)
    return Document(name, whole.table, whole.places)


def merged(base: Document, over: Document) -> Document:
    """Return `base` with every key of `over` in it: tables key by key, anything else as a whole.

    Variants of `over` come after those of `base` and so win over them, and what `over` says of a part or step in
    general also holds where a variant of `base` said something else. Merging the same document again changes nothing.
    """
    places = dict(base.places)
    table = _merged(base.table, over.table, (), places, over)
    return Document(f"{base.name} and {over.name}", table, places)


def _merged(
    base: Mapping[str, Any], over: Mapping[str, Any], at: KeyPath, places: dict[KeyPath, str], source: Document
) -> dict[str, Any]:
    result = dict(base)
    for key in over.keys() & set(EITHER_UNIT):  # one unit replaces the other
        for other in EITHER_UNIT:
            if other != key and other not in over:
                result.pop(other, None)
    for key, value in over.items():
        here = (*at, key)
        if isinstance(value, dict) and isinstance(result.get(key), dict) and key != "only_for":
            result[key] = _merged(result[key], value, here, places, source)
        elif key == "variant" and isinstance(value, list) and isinstance(result.get(key), list):
            continue  # below, once all other keys are known
        else:
            result[key] = value
            _move(here, here, places, source.places)
    if isinstance(base.get("variant"), list):
        result["variant"] = _variants(base["variant"], over, at, places, source)
    figures = [key for key in ("shape", *EITHER_UNIT) if key in over and over[key] != base.get(key)]
    if "shape" in base and "origin" in base and figures and "origin" not in over:  # a life; its origin is no longer so
        result["origin"] = f"{OWN_FIGURE} ({source.place((*at, figures[0]))})"
    return result


def _variants(
    base: list[Any], over: Mapping[str, Any], at: KeyPath, places: dict[KeyPath, str], source: Document
) -> list[Any]:
    """The variants of both; those of `base` without what `over` says in general, or left out where nothing is left."""
    own = over.get("variant")
    if own is not None and not isinstance(own, list):
        return [own]  # the schema refuses it, at its place
    kept, before = [], dict(places)
    for number, variant in enumerate(base):
        if own is not None and variant in own:
            continue
        if not isinstance(variant, dict):
            kept.append((number, variant))
            continue
        left = {key: value for key, value in variant.items() if key == "only_for" or key not in over}
        if left.keys() - {"only_for"}:
            kept.append((number, left))
    for key in [key for key in places if key[: len(at) + 1] == (*at, "variant") and len(key) > len(at) + 1]:
        del places[key]
    for new, (old, _) in enumerate(kept):
        _move((*at, "variant", new), (*at, "variant", old), places, before)
    for number in range(len(own or ())):
        _move((*at, "variant", len(kept) + number), (*at, "variant", number), places, source.places)
    return [variant for _, variant in kept] + list(own or ())


def _move(to: KeyPath, of: KeyPath, places: dict[KeyPath, str], source: Mapping[KeyPath, str]) -> None:
    """Let everything at and below one path be where the same stands in the source."""
    for key in [key for key in places if key[: len(to)] == to]:
        del places[key]
    places |= {(*to, *key[len(of) :]): place for key, place in source.items() if key[: len(of)] == of}


def changes(base: Document, over: Document) -> Iterator[tuple[KeyPath, Any, Any]]:
    """Yield what `over` changes of `base`: path, value before (None where there was none), and value now."""
    yield from _changes(base.table, over.table, ())


def _changes(base: Mapping[str, Any], over: Mapping[str, Any], at: KeyPath) -> Iterator[tuple[KeyPath, Any, Any]]:
    for key, value in over.items():
        before = base.get(key)
        if isinstance(value, dict) and isinstance(before, dict):
            yield from _changes(before, value, (*at, key))
        elif value != before:
            yield (*at, key), before, value
