"""Shared by all charts: paper, style, logarithmic axes, and writing the file.

Positions are in millimetres from the lower left corner of the paper.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from logger.charts.palette import FAINT, GRID, INK, PAPER
from logger.errors import UsageError

WIDTH_MM, HEIGHT_MM = 210.0, 297.0  # A4
MM_PER_INCH = 25.4

# Metadata that would record the time and the program. Cleared, as equal content must give equal
# bytes.
UNSAID: dict[str, dict[str, None]] = {
    ".png": {"Software": None},
    ".svg": {"Date": None, "Creator": None},
    ".pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib
    "font.size": 8.5,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.left": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.edgecolor": INK,
    "axes.facecolor": PAPER,
    "axes.labelcolor": INK,
    "figure.facecolor": PAPER,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
    "hatch.linewidth": 0.5,
    "legend.fontsize": 7.5,
    "legend.framealpha": 1.0,
    "legend.edgecolor": FAINT,
    "legend.fancybox": False,
    "savefig.dpi": 200,
    "svg.hashsalt": "mismatchd",
    "text.color": INK,
    "xtick.color": INK,
    "xtick.minor.size": 0,
    "ytick.color": INK,
    "ytick.major.size": 0,
    "ytick.minor.size": 0,
}

LABELLED = {
    12.0: (1, 2, 3, 5, 7),
    300.0: (1, 2, 5),
    math.inf: (1,),
}  # by the ratio of an axis' ends
FEW = 4.0  # ratio of the ends below which an axis has linear steps


@contextmanager
def style() -> Iterator[None]:
    """Apply the style of all charts, regardless of user settings; restore them afterwards."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        yield


def blank() -> Figure:
    """Return an empty upright A4 sheet."""
    return Figure(figsize=(WIDTH_MM / MM_PER_INCH, HEIGHT_MM / MM_PER_INCH))


def panel(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Return axes whose frame is at this position, mm."""
    return figure.add_axes(
        (left / WIDTH_MM, bottom / HEIGHT_MM, width / WIDTH_MM, height / HEIGHT_MM)
    )


def size_inches(axes: Axes) -> NDArray[np.float64]:
    """Return width and height of a panel, (2,)."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return np.asarray(figure.get_size_inches() * axes.get_position().size)


def write(figure: Figure, left: float, base: float, words: str, **look: Any) -> Text:
    """Write plain text on the sheet; positions in mm."""
    return figure.text(left / WIDTH_MM, base / HEIGHT_MM, words, parse_math=False, **look)


def logarithmic(axes: Axes, which: Literal["x", "y"], low: float, high: float) -> None:
    """Make an axis logarithmic, `high` > `low` > 0, labelled in plain numbers."""
    axes.set(**{f"{which}scale": "log", f"{which}lim": (low, high)})
    axis = axes.xaxis if which == "x" else axes.yaxis
    ratio = high / low
    if ratio < FEW:
        axis.set_major_locator(MaxNLocator(5))
        axis.set_minor_locator(FixedLocator([]))
    else:
        labelled = next(digits for most, digits in LABELLED.items() if ratio <= most)
        axis.set_major_locator(FixedLocator(list(_decades(low, high, labelled))))
        axis.set_minor_locator(FixedLocator(list(_decades(low, high, range(1, 10)))))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def _decades(low: float, high: float, digits: Iterable[int]) -> Iterator[float]:
    digits = list(digits)
    for exponent in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        yield from (
            value for digit in digits if low <= (value := float(f"{digit}e{exponent}")) <= high
        )


def check_suffix(path: Path) -> str:
    """Return the suffix of a picture that can be written. Raises UsageError for another."""
    suffix = path.suffix.lower()
    if suffix not in UNSAID:
        raise UsageError(f"{path}: a chart is written as .png, .svg or .pdf")
    return suffix


def save(figure: Figure, path: Path) -> None:
    """Write a figure as PNG, SVG or PDF, by the suffix; the same figure gives the same bytes.

    Raises UsageError for another suffix and if the file cannot be written.
    """
    suffix = check_suffix(path)
    drawn = io.BytesIO()
    with style():
        figure.savefig(drawn, format=suffix[1:], metadata=UNSAID[suffix])
    try:
        path.write_bytes(drawn.getvalue())
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
