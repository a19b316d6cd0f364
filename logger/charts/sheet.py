"""Shared by all charts: paper, style, logarithmic axes, and writing the file.

Positions are in millimetres from the lower left corner of the paper.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator
from numpy.typing import NDArray

from logger.charts.palette import FAINT, GRID, INK, PAPER
from logger.errors import UsageError
from logger.local_time import in_zone

WIDTH_MM, HEIGHT_MM = 210.0, 297.0  # A4
LEFT, TITLE, LINE = 23.0, 279.0, 4.4  # left edge, base of the title, distance of lines
MM_PER_INCH = 25.4

# Metadata that would record the time and the program. Cleared, as equal content must give equal
# bytes.
NO_METADATA: dict[str, dict[str, None]] = {
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


def blank(width: float = WIDTH_MM, height: float = HEIGHT_MM) -> Figure:
    """Return an empty sheet, mm; by default an upright A4 sheet."""
    return Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))


def panel(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Return axes whose frame is at this position, mm."""
    paper, high = np.round(figure.get_size_inches() * MM_PER_INCH, 6)
    return figure.add_axes((left / paper, bottom / high, width / paper, height / high))


def size_inches(axes: Axes) -> NDArray[np.float64]:
    """Return width and height of a panel, (2,)."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return np.asarray(figure.get_size_inches() * axes.get_position().size)


def write(figure: Figure, left: float, base: float, words: str, **look: Any) -> Text:
    """Write plain text on the sheet; positions in mm."""
    return figure.text(left / WIDTH_MM, base / HEIGHT_MM, words, parse_math=False, **look)


def write_lines(
    figure: Figure, base: float, lines: Iterable[str], spacing: float = LINE, **look: Any
) -> float:
    """Write lines one below the other, the first at `base`, mm; return the base of the next."""
    lines = list(lines)
    for number, line in enumerate(lines):
        write(figure, LEFT, base - number * spacing, line, **look)
    return base - len(lines) * spacing


def write_title(figure: Figure, title: str) -> None:
    """Write the title of a sheet."""
    write(figure, LEFT, TITLE, title, fontsize=16, fontweight="bold")


def note(axes: Axes, height: float, words: str, **look: Any) -> None:
    """Write into the middle of a panel, at a share of its height."""
    axes.text(0.5, height, words, transform=axes.transAxes, ha="center", **look)


def label_axis(axis: Axis, marks: Sequence[tuple[float, str]]) -> None:
    """Label an axis at some places with words."""
    axis.set_major_locator(FixedLocator([place for place, _ in marks]))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda _, number: marks[number or 0][1]))


def label_lanes(axes: Axes, lanes: Sequence[str]) -> None:
    """Label horizontal lanes, numbered from 0."""
    label_axis(axes.yaxis, [(float(lane), words) for lane, words in enumerate(lanes)])
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")


def second_scale(axes: Axes, marks: Iterable[tuple[float, str]], close: float, label: str) -> None:
    """Add an axis on the right with labels at ascending places, at least `close` apart."""
    low, high = axes.get_ylim()
    right = axes.twinx()
    right.set_ylim(low, high)
    right.grid(visible=False)
    labelled: list[tuple[float, str]] = []
    for place, words in marks:
        if low <= place <= high and (not labelled or place - labelled[-1][0] > close):
            labelled.append((place, words))
    label_axis(right.yaxis, labelled)
    right.set_ylabel(label)


def legend_above(axes: Axes, height: float, **look: Any) -> None:
    """Draw a narrow legend at the left above a panel of a small chart, at a share of its height."""
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(-0.02, height),
        columnspacing=0.8,
        handlelength=1.3,
        handletextpad=0.4,
        **look,
    )


def legend_beside_title(axes: Axes, columns: int) -> None:
    """Draw the legend above a panel, at the right."""
    axes.legend(loc="lower right", bbox_to_anchor=(1.01, 0.985), ncols=columns, frameon=False)


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


def linear(axes: Axes, which: Literal["x", "y"], low: float, high: float, most: int) -> None:
    """Make an axis linear with about `most` steps and no label beyond its ends."""
    axes.set(**{f"{which}lim": (low, high)})
    axis = axes.xaxis if which == "x" else axes.yaxis
    steps = MaxNLocator(most).tick_values(low, high)
    axis.set_major_locator(FixedLocator([step for step in steps if low <= step <= high]))


def _decades(low: float, high: float, digits: Iterable[int]) -> Iterator[float]:
    digits = list(digits)
    for exponent in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        yield from (
            value for digit in digits if low <= (value := float(f"{digit}e{exponent}")) <= high
        )


def check_suffix(path: Path) -> str:
    """Return the suffix of a picture that can be written. Raises UsageError for another."""
    suffix = path.suffix.lower()
    if suffix not in NO_METADATA:
        raise UsageError(f"{path}: unsupported chart format; use .png, .svg or .pdf")
    return suffix


def save(figure: Figure, path: Path, zone: tzinfo = UTC) -> None:
    """Write a figure as PNG, SVG or PDF, by the suffix; the same figure gives the same bytes.

    Times marked as UTC in its texts are shown in `zone`.

    Raises UsageError for another suffix and if the file cannot be written.
    """
    suffix = check_suffix(path)
    for text in figure.findobj(Text):
        text.set_text(in_zone(text.get_text(), zone))
    picture = io.BytesIO()
    with style():
        figure.savefig(picture, format=suffix[1:], metadata=NO_METADATA[suffix])
    try:
        path.write_bytes(picture.getvalue())
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error


def svg(figure: Figure) -> str:
    """Return a figure as SVG for a page: text as text, transparent paper."""
    picture = io.StringIO()
    with style():
        matplotlib.rcParams["svg.fonttype"] = "none"
        figure.savefig(picture, format="svg", metadata=NO_METADATA[".svg"], transparent=True)
    return picture.getvalue()
