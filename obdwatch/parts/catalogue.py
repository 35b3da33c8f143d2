"""The wear-part catalogue: what is shipped, the user's own file laid over it, and the part of it that one car has.

Shipped files lie in `data/wear_parts/`. The user's is `parts.toml` in the folder of the logbook; it holds only what is
different, and may add parts and steps of its own.
"""

from __future__ import annotations

import os
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from obdwatch.parts.applying import catalogue_for, matches
from obdwatch.parts.catalogue_schema import catalogue_from
from obdwatch.parts.documents import Document, merged, read_document, together
from obdwatch.parts.override_words import override_remarks
from obdwatch.parts.part import Catalogue

SHIPPED = Path(__file__).parent / "data" / "wear_parts"
OWN_FILE = "parts.toml"
"""The name of the user's file in the folder of the logbook."""
ROUND_FIGURES = (
    "Prices, costs and hours that are not your own are round assumptions; 'obdwatch parts --template' prints a file to "
    "put yours into."
)


def read_catalogue(override: Path | None = None) -> Catalogue:
    """Return the shipped catalogue, with the user's file over it where there is one.

    A file that does not exist changes nothing. Raises InputError, one line with file, line and key, for one that cannot
    be used. `remarks` say what it changed, and what the other figures rest on.
    """
    shipped = shipped_document()
    if override is None or not os.path.lexists(override):
        return _shipped()
    own = read_document(override)
    catalogue = catalogue_from(merged(shipped, own))
    return replace(catalogue, remarks=(*override_remarks(shipped, own), ROUND_FIGURES))


@lru_cache(maxsize=1)
def shipped_document() -> Document:
    """Return the shipped files as one document."""
    return together((read_document(path) for path in sorted(SHIPPED.glob("*.toml"))), str(SHIPPED))


@lru_cache(maxsize=1)
def _shipped() -> Catalogue:
    return replace(catalogue_from(shipped_document()), remarks=(ROUND_FIGURES,))


__all__ = ["OWN_FILE", "SHIPPED", "catalogue_for", "matches", "read_catalogue", "shipped_document"]
