"""A figure as plotly.py reads it, which knows every property of the drawing library and refuses any other."""

from __future__ import annotations

import plotly.graph_objects as go

from dashboards.drawing import Figure


def checked(figure: Figure) -> go.Figure:
    """The figure as an object. Raises ValueError for a property or a value that Plotly does not have."""
    return go.Figure(figure)
