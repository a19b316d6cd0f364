"""The columns of a line: names, units and ranges."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from math import inf
from typing import NamedTuple

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}", re.ASCII)
INT64_MAX = 2**63 - 1
# Marks a line without a time in an integer time column, as NaN does in a float column.
NO_TIME = -(2**63)
LOWEST_V, HIGHEST_V = -1.0, 100.0


class Scale(NamedTuple):
    """Conversion of counts into volts; None where the configuration does not state it."""

    counts_full_scale: int | None = None
    reference_v: float | None = None


class InputColumn(NamedTuple):
    """One column. Volts are `reading * factor / divisor`; `low <= reading <= high`.

    name  as configured or printed, with the unit as its suffix: "forward_mv"
    key   as passed on: "forward_v", "reflected_v", "time_us", "time_ns" or the name itself
    """

    name: str
    key: str
    low: float = -inf
    high: float = inf
    factor: float = 1.0
    divisor: float = 1.0

    @property
    def limited(self) -> bool:
        return self.high < inf

    def step(self, decimals: int) -> float:
        """Return the resolution in volts of a reading printed with this many decimals."""
        unit = 1.0 if self.name.endswith("_counts") else float(f"1e{-decimals}")
        return unit * self.factor / self.divisor


def column(name: str, scale: Scale) -> InputColumn:
    """Return the column with this name. Raise ValueError if the name is invalid."""
    if not NAME.fullmatch(name):
        raise ValueError(f"{name!r} cannot be a column name: letters, digits and _ only")
    if name == "time_us":
        return InputColumn(name, "time_us", 0, 2**32 - 1)
    if name == "time_s":
        return InputColumn(name, "time_ns")
    if name == "time_ns":
        raise ValueError("time_ns is not a column: give the time as time_s or time_us")
    side, _, unit = name.rpartition("_")
    if side not in ("forward", "reflected"):
        return InputColumn(name, name)
    key = f"{side}_v"
    match unit:
        case "v":
            return InputColumn(name, key, LOWEST_V, HIGHEST_V)
        case "mv":
            return InputColumn(name, key, 1e3 * LOWEST_V, 1e3 * HIGHEST_V, 1.0, 1e3)
        case "counts":
            full, volts = scale
            if not full or full < 0 or not volts or not 0 < volts < inf:
                raise ValueError(f"{name} needs counts_full_scale and reference_v above 0")
            return InputColumn(name, key, 0, full, volts, full)
    return InputColumn(name, name)


class Layout:
    """The columns of a line in order.

    keys     names under which the values are passed on
    forward, reflected
             indexes of the pair
    times    indexes of the integer time columns
    pattern  matches a delimited line of that many plain numbers, one group per number
    """

    __slots__ = ("columns", "forward", "keys", "pattern", "reflected", "times")

    def __init__(self, columns: Sequence[InputColumn]) -> None:
        self.columns = tuple(columns)
        self.keys = tuple(c.key for c in columns)
        for key in self.keys:
            if self.keys.count(key) > 1:
                names = " and ".join(c.name for c in columns if c.key == key)
                raise ValueError(f"a column is given twice: {names}")
        for side in ("forward", "reflected"):
            if f"{side}_v" not in self.keys:
                raise ValueError(f"columns need one of {side}_v, {side}_mv, {side}_counts")
        self.forward = self.keys.index("forward_v")
        self.reflected = self.keys.index("reflected_v")
        self.times = tuple(self.keys.index(k) for k in ("time_us", "time_ns") if k in self.keys)
        self.pattern = _plain(len(columns))


@lru_cache(maxsize=64)
def layout(names: tuple[str, ...], scale: Scale) -> Layout:
    """Return the layout of these names. Raise ValueError with a text for the user."""
    return Layout([column(name, scale) for name in names])


NUMBER = r"[+-]?[0-9]++(?:\.[0-9]++)?+(?:[eE][+-]?[0-9]{1,3}+)?+"
# '+', '-', '.' and '_' can be part of a number, '=' separates a name from its value.
SEPARATORS = r"\t!\"#$%&'()*,/:;<>?@\[\\\]^`{|}~"


@lru_cache(maxsize=64)
def _plain(count: int) -> re.Pattern[bytes]:
    if count == 2:
        return re.compile(rf" *({NUMBER})(?: *[{SEPARATORS}] *| +)({NUMBER}) *".encode())
    # Group 2 is the first separator; the others must be the same.
    first = rf" *({NUMBER})(?: *([{SEPARATORS}]) *| +)({NUMBER})"
    more = rf"(?(2) *\2 *| +)({NUMBER})" * (count - 2)
    return re.compile(f"{first}{more} *".encode())
