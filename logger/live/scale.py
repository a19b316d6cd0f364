"""Text scale, linear in the reflection coefficient from 0 to 1, that shows the interval of an SWR.

Takes SWR figures and a width in characters, returns lines of text.
"""

from __future__ import annotations

from typing import NamedTuple

from logger.physics.reflection import rho_of_swr


class Signs(NamedTuple):
    """Characters of the scale: its line, the limit, the interval, the reading."""

    line: str
    limit: str
    low: str
    between: str
    high: str
    reading: str


BOXES = Signs("─", "┼", "╞", "═", "╡", "█")
LETTERS = Signs("-", "+", "[", "=", "]", "#")


def column(rho: float, width: int) -> int:
    """Return the column of a reflection coefficient: 0 in the first, 1 in the last."""
    return min(width - 1, max(0, round(rho * (width - 1))))


def draw_span(
    swr: float | None, low: float | None, high: float | None, limit: float, width: int, signs: Signs
) -> str:
    """Return the scale with the limit, and with the interval and the reading if there is one."""
    drawn = [signs.line] * width
    drawn[column(float(rho_of_swr(limit)), width)] = signs.limit
    if swr is not None and low is not None and high is not None:
        first, place, last = (
            column(float(rho_of_swr(max(1.0, value))), width) for value in (low, swr, high)
        )
        drawn[first : last + 1] = signs.between * (last + 1 - first)
        drawn[last], drawn[first] = signs.high, signs.low
        drawn[place] = signs.reading
    return "".join(drawn)


def draw_figures(width: int) -> str:
    """Return the figures of the scale: every tenth where there is room, else every fifth."""
    step = 1 if width >= 55 else 2 if width >= 25 else 10
    line = [" "] * width
    for tenths in range(0, 11, step):
        text = f"{tenths / 10:g}"
        begin = max(0, min(column(tenths / 10, width) - len(text) // 2, width - len(text)))
        line[begin : begin + len(text)] = text
    return "".join(line)[:width]
