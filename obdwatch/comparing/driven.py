"""What a comparison needs of the file of a drive, in a form that can be kept: small, where a file is long to read."""

from __future__ import annotations

import json
from dataclasses import asdict

from obdwatch.comparing.drive_record import trim_cells, turns_of
from obdwatch.comparing.proof_records import Cell, Driven
from obdwatch.records import CodeKind, Drive


def driven_of(drive: Drive) -> Driven:
    """Return what was driven, and which codes the car itself suspected; pure."""
    pending = frozenset(reading.code for reading in drive.codes if reading.kind is CodeKind.PENDING)
    return Driven(trim_cells(drive), turns_of(drive), pending)


def driven_text(driven: Driven) -> str:
    """Return it as JSON."""
    return json.dumps(asdict(driven) | {"pending": sorted(driven.pending)})


def driven_from(text: str) -> Driven:
    """Return what `driven_text` wrote. Raises ValueError for anything else."""
    try:
        told = json.loads(text)
        trims = {name: {place: Cell(**cell) for place, cell in cells.items()} for name, cells in told["trims"].items()}
        return Driven(trims, dict(told["turns"]), frozenset(told["pending"]))
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not what was driven: {error}") from error
