"""Reader of recorded weather from a file."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from logger.errors import UsageError
from logger.rows import WeatherRow
from logger.utc import parse_time

RANGES = {"temperature_c": (-90.0, 60.0), "rain_mm": (0.0, 2000.0), "wind_m_s": (0.0, 120.0)}
TIMES = ("time_utc", "date")


class WeatherFile(NamedTuple):
    """Content of a file; `ignored` are its unused columns."""

    rows: list[WeatherRow]
    ignored: list[str]


def read(path: Path) -> WeatherFile:
    """Read weather from a CSV file.

    The header is `time_utc` (or `date`) and some of temperature_c, rain_mm, wind_m_s; if semicolons
    separate the fields, decimals may use commas. Raise UsageError with file and line; then no row
    may be stored.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _parsed(path, file.read().splitlines())
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        raise UsageError(f"{path}: cannot be read: {reason}") from error


def _parsed(path: Path, lines: list[str]) -> WeatherFile:
    delimiter = ";" if lines and ";" in lines[0] else ","
    table = list(csv.reader(lines, delimiter=delimiter))
    header = [name.strip().lower() for name in table[0]] if table else []
    time_column = next((name for name in TIMES if name in header), None)
    names = [name for name in RANGES if name in header]
    if time_column is None or not names:
        raise UsageError(
            f"{path}:1: the header must name time_utc or date, and one or more of"
            f" {', '.join(RANGES)}"
        )
    rows = []
    for number, cells in enumerate(table[1:], 2):
        if any(cell.strip() for cell in cells):
            try:
                rows.append(_row(header, time_column, names, cells, decimal_comma=delimiter == ";"))
            except (UsageError, ValueError) as error:
                raise UsageError(f"{path}:{number}: {error}; nothing was imported") from error
    return WeatherFile(rows, [name for name in header if name not in (time_column, *names)])


def _row(
    header: Sequence[str],
    time_column: str,
    names: Sequence[str],
    cells: Sequence[str],
    decimal_comma: bool,
) -> WeatherRow:
    if len(cells) != len(header):
        raise ValueError(f"{len(cells)} columns, the header has {len(header)}")
    line = dict(zip(header, (cell.strip() for cell in cells), strict=True))
    figures = {name: _figure(name, line[name], decimal_comma) for name in names}
    return WeatherRow(time_ns=parse_time(line[time_column], 0), **figures)


def _figure(name: str, text: str, decimal_comma: bool) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        raise ValueError(f"{name}: {text!r} is not a number; leave it empty if unknown") from None
    low, high = RANGES[name]
    if math.isnan(value):
        return None
    if not low <= value <= high:
        raise ValueError(f"{name}: {text} is outside {low:g} to {high:g}; look at the unit")
    return value


def count_values(rows: Sequence[WeatherRow]) -> Iterator[str]:
    """Yield the number of values of each kind."""
    for name in RANGES:
        count = sum(getattr(row, name) is not None for row in rows)
        if count:
            yield f"{count} of {name}"
