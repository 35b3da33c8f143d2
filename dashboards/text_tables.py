"""Tables of nothing but words and numbers, each as one component, so that many of them cost the browser little.

Made of a component for each cell, the folded tables of a drive's findings took the browser seconds to put in place.
"""

from __future__ import annotations

from collections.abc import Sequence

import dash_mantine_components as dmc
from dash.development.base_component import Component

from obdwatch.reporting.holding import held


def text_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Component:
    """A table of texts: `heads` of the columns, and `rows` of as many cells, the first of which names the row."""
    body = [[held(cell) for cell in row] for row in rows]
    made: Component = dmc.Table(data={"head": list(heads), "body": body}, className="numbers", unstyled=True)
    return made
