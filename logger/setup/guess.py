"""Guess of the format of a bridge's lines.

Input: complete lines and the time in which they arrived. Output: columns that the driver
`text-lines` can read, with their unit; or why it cannot read the lines, and what to change. Pure.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from drivers.text_lines import lines as reader
from drivers.text_lines.columns import NAME, Layout, Scale
from logger.blocks import Floats

Unit = Literal["v", "mv", "counts"]

FEWEST = 3  # lines
SHOWN = 60  # characters of an example
USUAL_SHARE = 0.5  # of the lines, for a format to be that of the bridge
BITS = (10, 12, 14, 16, 24)
HIGHEST_V = 12.0  # more, with decimals, must be millivolts
LEAST_DECIMALS = 2  # of volts: a coarser step shows no detector's signal
HIGHEST_CHANNEL = 80
KHZ = (1_000.0, 3_000_000.0)
TEMPERATURE_C = (12.0, 85.0)  # a quiet detector reads less
CLOCK_SPREAD = 0.25  # relative difference of a clock's run and the host's
CLOCK_UNITS = {"time_us": 1e6, "clock_ms": 1e3, "time_s": 1.0}
LARGEST_US = 2**32 - 1
LARGEST = Scale(2**31 - 1, 1.0)  # reads counts of any converter
PAIR = ("forward", "reflected")
REMEDY = "let the board print two numbers a line, such as 1.234,0.056"
_DECIMAL_COMMA = re.compile(rb"[0-9]+,[0-9]+[ \t]+[0-9]+,[0-9]+")
_NAMED = re.compile(rb"([A-Za-z_]\w*) *[=:] *[+-]?[0-9]")


class Guess(NamedTuple):
    """Format of the lines.

    example    one of them
    columns    names with the unit as suffix, in order
    is_named   the lines name their values: no columns need to be configured
    unit       of the pair
    bits       least width of a converter that delivers such counts; None in volts
    per_s      lines a second
    share      of the lines that have this format
    """

    example: str
    columns: tuple[str, ...]
    is_named: bool
    unit: Unit
    bits: int | None
    per_s: float
    share: float

    def words(self) -> str:
        """Return the guess as text that continues "these look like"."""
        pair = {"v": "volts", "mv": "millivolts"}.get(self.unit) or (
            f"counts of a {self.bits}-bit converter"
            if self.bits != BITS[0]  # a quiet detector reads little on any converter
            else f"counts of a converter of {BITS[0]} bits or more"
        )
        others = [name for name in self.columns if not name.startswith(PAIR)]
        return f"{pair} with {' and '.join(others)}" if others else pair

    def with_columns(self, columns: tuple[str, ...]) -> Guess:
        """Return the same lines with other names of their columns."""
        return self._replace(columns=columns, unit=_unit_of(columns), bits=self.bits or BITS[0])

    def with_unit(self, unit: Unit) -> Guess:
        """Return the same columns with another unit of the pair."""
        return self.with_columns(
            tuple(
                f"{name.partition('_')[0]}_{unit}" if name.startswith(PAIR) else name
                for name in self.columns
            )
        )


class Unreadable(NamedTuple):
    """Why lines cannot be read, with one of them, and what to change."""

    example: str
    reason: str
    remedy: str


def guess(lines: Sequence[bytes], seconds: float) -> Guess | Unreadable:
    """Guess the format of complete lines that arrived within so many seconds."""
    lines = [line for line in lines if line.strip()]
    if len(lines) < FEWEST:
        return Unreadable("", "no complete lines arrived", "end each pair with a line feed")
    shapes = [_shape(line) for line in lines]
    shape, number = Counter(shapes).most_common(1)[0]
    members = [line for line, other in zip(lines, shapes, strict=True) if other == shape]
    example = _shown(members[-1])
    if number < USUAL_SHARE * len(lines):
        return Unreadable(example, "the lines have no common format", REMEDY)
    share, per_s = number / len(lines), len(lines) / seconds if seconds > 0 else 0.0
    match shape:
        case ("named", *names):
            values = _named_values(members)
            return _finished(example, tuple(map(str, names)), values, True, per_s, share)
        case ("numbers", int(width)) if width >= len(PAIR):
            texts = [reader.numbers(line) for line in members]
            values = np.array([[float(text) for text in row] for row in texts])
            header = next((h for h in map(_header, lines) if h and len(h) == width), None)
            decimals = [max(map(reader.decimals, column)) for column in zip(*texts, strict=True)]
            columns = header or _roles(values, decimals, seconds)
            return _finished(example, columns, values, False, per_s, share)
    return Unreadable(example, *_why(shape, members[-1]))


def _shape(line: bytes) -> tuple[str | int, ...]:
    row = reader.read(line, None, LARGEST)
    if isinstance(row, Layout):
        return ("header",)
    if not isinstance(row, str):
        return ("named", *(column.name for column in row[0].columns))
    if row == "control":
        return ("control",)
    fields = reader.numbers(line)
    return ("numbers", len(fields)) if fields else ("text",)


def _header(line: bytes) -> tuple[str, ...] | None:
    columns = reader.read(line, None, LARGEST)
    if isinstance(columns, Layout):
        return tuple(column.name for column in columns.columns)
    return None


def _named_values(members: Sequence[bytes]) -> Floats:
    rows = [reader.read(line, None, LARGEST) for line in members]
    # As printed: the reader has converted the pair to volts.
    return np.array(
        [
            [
                value * column.divisor / column.factor if column.limited else value
                for value, column in zip(row[1], row[0].columns, strict=True)
            ]
            for row in rows
            if not isinstance(row, str | Layout)
        ]
    )


def _finished(
    example: str,
    columns: tuple[str, ...],
    values: Floats,
    is_named: bool,
    per_s: float,
    share: float,
) -> Guess:
    pair = [place for place, name in enumerate(columns) if name.startswith(PAIR)]
    unit = _unit_of(columns)
    bits = _bits(float(values[:, pair].max())) if unit == "counts" else None
    return Guess(example, columns, is_named, unit, bits, per_s, share)


def _unit_of(columns: Sequence[str]) -> Unit:
    suffixes = {name.rpartition("_")[2] for name in columns if name.startswith(PAIR)}
    return "counts" if "counts" in suffixes else "mv" if "mv" in suffixes else "v"


def _bits(highest: float) -> int:
    return next((bits for bits in BITS if highest < 2**bits), BITS[-1])


def _roles(values: Floats, decimals: Sequence[int], seconds: float) -> tuple[str, ...]:
    """Return names of unnamed columns: clocks and constants by their values, else by place."""
    names: dict[int, str] = {}
    places = range(values.shape[1])
    free = list(places)

    def name(place: int, text: str | None) -> None:
        if text is not None and text not in names.values() and len(free) > len(PAIR):
            names[place] = text
            free.remove(place)

    for place in places:
        name(place, _clock(values[:, place], seconds))
    for place in reversed(places):  # the pair usually comes first
        if place in free:
            name(place, _constant(values[:, place], decimals[place]))
    unit = _unit(values[:, free[:2]], [decimals[place] for place in free[:2]])
    for place, side in zip(free, PAIR, strict=False):
        names[place] = f"{side}_{unit}"
    for place in free[2:]:
        names[place] = f"extra_{place + 1}"
    return tuple(names[place] for place in places)


def _clock(column: Floats, seconds: float) -> str | None:
    steps = np.diff(column)
    backwards = steps < 0
    if backwards.sum() > 1 or not (steps > 0).any():
        return None
    if (steps[~backwards] == 1).mean() > 1 - CLOCK_SPREAD and column[-1] < 2**31:
        return "number"
    run = float(steps[~backwards].sum())
    for text, per_s in CLOCK_UNITS.items():
        if seconds > 0 and abs(run / (seconds * per_s) - 1) < CLOCK_SPREAD:
            is_us = text == "time_us" and (column.max() > LARGEST_US or (column % 1).any())
            return "clock_us" if is_us else text
    return None


def _constant(column: Floats, decimals: int) -> str | None:
    value = float(column[0])
    is_warm = TEMPERATURE_C[0] <= value <= TEMPERATURE_C[1]
    if 1 <= decimals <= 2 and is_warm and np.ptp(column) < 1:
        return "temperature_c"
    if np.ptp(column) > 0 or value % 1:
        return None
    if 1 <= value <= HIGHEST_CHANNEL:
        return "channel"
    return "frequency_khz" if KHZ[0] <= value <= KHZ[1] else None


def _unit(pair: Floats, decimals: Sequence[int]) -> Unit:
    if any(decimals):
        is_fine = max(decimals) >= LEAST_DECIMALS
        return "v" if is_fine and pair.max() <= HIGHEST_V else "mv"
    return "mv" if pair.min() < 0 else "counts"


def _why(shape: tuple[str | int, ...], line: bytes) -> tuple[str, str]:
    """Return why a line of this shape cannot be read, and the remedy."""
    match shape:
        case ("control",):
            return "it has characters that are no text", "correct the baud rate"
        case ("numbers", _):
            return "each line has one number", "print both detectors on one line: 1.234,0.056"
        case ("header",):
            return "only header lines arrive", "print the pairs as well"
    names = _names(line)
    if names:
        listed = " and ".join(f"`{name}`" for name in names[:3])
        return (
            f"its values are named {listed}",
            "name them forward_v and reflected_v (or _mv, _counts): forward_v=1.234"
            " reflected_v=0.056",
        )
    if _DECIMAL_COMMA.search(line):
        return "it has decimal commas", "separate the numbers by ';', or print decimal points"
    return "it has text beside the numbers", REMEDY


def _names(line: bytes) -> list[str]:
    try:
        members = json.loads(line)
    except ValueError:
        return [name.decode() for name in _NAMED.findall(line)]
    if not isinstance(members, dict):
        return []
    return [name for name in members if NAME.fullmatch(name)]


def _shown(line: bytes) -> str:
    return repr(line.strip()[:SHOWN])[2:-1]  # without characters that a terminal obeys
