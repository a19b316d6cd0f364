"""SWR as a bar on a scale that is even in the reflection coefficient, and shows the doubt."""

from __future__ import annotations

from typing import NamedTuple

from logger.reflection import rho_of_swr

MARKS = (1.0, 1.5, 2.0, 3.0, 5.0, 10.0)


class Signs(NamedTuple):
    """What bars are made of: surely, perhaps, not; the reading itself."""

    sure: str
    doubt: str
    rest: str
    point: str


BLOCKS = Signs("█", "▒", "·", "┃")
LETTERS = Signs("#", "~", ".", "|")


def place(swr: float, width: int) -> int:
    """The column of an SWR on a scale of so many, 1.0 in the first and total reflection in the
    last."""
    return min(width - 1, int(float(rho_of_swr(max(1.0, swr))) * width))


def bar(swr: float | None, low: float | None, high: float | None, width: int, signs: Signs) -> str:
    """The bar: sure up to the lower bound, in doubt up to the upper; empty without a reading."""
    if swr is None or low is None or high is None:
        return signs.rest * width
    sure, end, point = place(low, width), place(high, width), place(swr, width)
    drawn = signs.sure * sure + signs.doubt * (end - sure + 1)
    drawn = drawn.ljust(width, signs.rest)
    return drawn[:point] + signs.point + drawn[point + 1 :]


def ruler(width: int) -> str:
    """The figures below it, as many as have room."""
    line = [" "] * width
    free = 0
    for mark in MARKS:
        at, text = place(mark, width), f"{mark:g}"
        if at >= free and at + len(text) <= width:
            line[at : at + len(text)] = text
            free = at + len(text) + 1
    return "".join(line)


def level_bar(watts: float, full_w: float, width: int, signs: Signs) -> str:
    """A bar of power on an even scale up to `full_w`."""
    return (signs.sure * round(width * min(1.0, max(0.0, watts / full_w)))).ljust(width, signs.rest)


def full_scale_w(watts: float) -> float:
    """The end of a scale that shows so many watts: 1, 2 or 5 times a power of ten, 1 at least."""
    full = 1.0
    steps = (2.0, 2.5, 2.0)
    at = 0
    while full < watts and full < 1e6:
        full *= steps[at % 3]
        at += 1
    return full
