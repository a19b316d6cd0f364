"""Values that the reader of a chart on a page can ask for, point by point.

A chart attaches them to its panels, where they are not drawn; `list_values` returns them in the
units of the SVG, for `page/static/values.js`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

POINTS_PER_INCH = 72.0
MOST = 250  # points of a line
CELL = 2.0  # points closer than this share the words of one of them


class Values(Artist):
    """Points of a panel in its coordinates, (n,) each, with their words. Draws nothing."""

    def __init__(self, x: ArrayLike, y: ArrayLike, words: Sequence[str]) -> None:
        super().__init__()
        self.places = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
        self.words = words

    def draw(self, _: Any) -> None:
        """Draw nothing."""


def attach(axes: Axes, x: ArrayLike, y: ArrayLike, words: Iterable[str]) -> None:
    """Attach the words of points, (n,) each, to a panel; those that are not finite are left out."""
    axes.add_artist(Values(x, y, list(words)))


class Panel(NamedTuple):
    """Frame of a panel and its points, in units of the SVG, with the origin at the upper left."""

    left: float
    top: float
    right: float
    bottom: float
    points: list[tuple[float, float, str]]


def list_values(figure: Figure) -> str:
    """Return the values attached to a figure as text, see `write_panels`."""
    scale = POINTS_PER_INCH / figure.dpi
    high = figure.bbox.height * scale
    panels = []
    for axes in figure.axes:
        left, low, right, top = np.asarray(axes.bbox.extents) * scale
        points: list[tuple[float, float, str]] = []
        for values in axes.findobj(Values, include_self=False):
            assert isinstance(values, Values)
            places = axes.transData.transform(values.places) * scale
            points += (
                (float(x), high - min(max(float(y), low), top), words)
                for (x, y), words in zip(places, values.words, strict=True)
                if np.isfinite(x + y) and left - 0.5 <= x <= right + 0.5
            )
        if points:
            # The last one of a cell stays: where they are drawn over each other, it is on top.
            cells = {(round(x / CELL), round(y / CELL)): (x, y, words) for x, y, words in points}
            points = sorted(cells.values(), key=lambda point: point[0])
            panels.append(Panel(left, high - top, right, high - low, points))
    return write_panels(panels)


def write_panels(panels: Iterable[Panel]) -> str:
    """Return panels as lines: left, top, right and bottom, then x, y and words of each point.

    An empty line separates panels.
    """
    return "\n\n".join(
        "\n".join(
            [
                " ".join(f"{edge:.4g}" for edge in panel[:4]),
                *(f"{x:.4g} {y:.4g} {' '.join(words.split())}" for x, y, words in panel.points),
            ]
        )
        for panel in panels
    )
