"""What the user's own parts file changes, said in one sentence per key, with its place."""

from __future__ import annotations

from typing import Any

from obdwatch.explanations.part_names import part_name
from obdwatch.parts.catalogue_values import key_words, shown
from obdwatch.parts.documents import Document, KeyPath, changes

KINDS = {"part": "part", "step": "access step", "extra": "thing to buy"}


def override_remarks(shipped: Document, own: Document) -> tuple[str, ...]:
    """Return a sentence for each key that the user's file changes or adds; a whole new part or step is one sentence."""
    said: dict[str, None] = {}
    for path, before, now in changes(shipped, own):
        said[_remark(path, before, now, shipped, own)] = None
    return tuple(said)


def _remark(path: KeyPath, before: Any, now: Any, shipped: Document, own: Document) -> str:
    kind, name = str(path[0]), str(path[1]) if len(path) > 1 else ""
    place = own.place(path)
    if kind in KINDS and len(path) == 2:
        return f"{place}: the {KINDS[kind]} '{_name(kind, name, own)}' is your own."
    subject = f"{_name(kind, name, shipped)}: {key_words(path[2:])}" if len(path) > 2 else key_words(path)
    if path[-1] == "variant":
        return f"{place}: {_name(kind, name, shipped)}: on some cars it is otherwise, by your own variant."
    was = f" instead of {shown(before)}" if before is not None else ""
    variants = shipped.table.get(kind, {}).get(name, {}).get("variant", []) if len(path) > 2 else []
    where = ", on every car" if any(path[2] in variant for variant in variants) else ""
    return f"{place}: {subject} is {shown(now)}{was}{where}."


def _name(kind: str, name: str, document: Document) -> str:
    """What a part, step or thing to buy is called in a document."""
    entry = document.table[kind].get(name)
    called = entry.get("name") if isinstance(entry, dict) else None
    return str(called) if called else part_name(name)
