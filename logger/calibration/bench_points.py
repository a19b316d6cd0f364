"""Bench points: steady key-downs read at the bench, one per row of a CSV file.

    condition,power_w,forward_v,reflected_v[,frequency_khz][,temperature_c]...

matched     antenna port on a dummy load
reversed    coupler turned round: transmitter on the antenna port, dummy load on the other
open        antenna port open (low power only); short likewise
mismatched  antenna port on a resistor of `load_ohm`; 25: two dummy loads in parallel

These tell the reflection of the dummy load from the coupler's directivity: a second dummy load
(`load`, any name), the load behind a line of `line_deg` degrees, or a known mismatch.

`power_w` is the incident power on the reference meter, 0 with the transmitter unkeyed; behind an
attenuator of `attenuation_db` the coupler receives less.
"""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import msgspec

from logger.calibration.file import CONDITIONS
from logger.errors import BenchPointError
from logger.wording import suggest

NEEDED = ("condition", "power_w", "forward_v", "reflected_v")
WATTS_PER_VOLT2 = {"vrms": 1 / 50, "vp": 1 / 100, "vpp": 1 / 400}  # volts across 50 ohm
IMPEDANCE_OHM = 50.0
LEAST_MISMATCH = 0.1  # relative; a smaller one is hidden by the tolerance of resistors
HIGHEST_V = 60.0  # no detector of a small station gives more; more means millivolts or counts


class BenchPoint(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One steady key-down.

    power_w         incident watts on the reference meter, 0 unkeyed
    forward_v       mean volts of the forward detector; reflected_v likewise
    forward_sd_v    standard deviation of a single reading; reflected_sd_v likewise
    readings        number of readings in the means
    step_v          one step of the converter, full_scale_v the reading where it clips
    load            name of the dummy load, if there are several
    line_deg        electrical length of a line between coupler and load, degrees
    load_ohm        resistance of a known mismatch
    attenuation_db  of an attenuator or divider between the reference and the coupler
    """

    condition: str
    power_w: float
    forward_v: float
    reflected_v: float
    frequency_khz: float | None = None
    temperature_c: float | None = None
    forward_sd_v: float | None = None
    reflected_sd_v: float | None = None
    readings: float | None = None
    step_v: float | None = None
    full_scale_v: float | None = None
    remark: str | None = None
    load: str | None = None
    line_deg: float | None = None
    load_ohm: float | None = None
    attenuation_db: float | None = None


COLUMNS = BenchPoint.__struct_fields__
TEXT = ("condition", "remark", "load")
POSITIVE = ("readings", "step_v", "full_scale_v", "frequency_khz", "load_ohm")


class Bench(msgspec.Struct, frozen=True):
    """Bench points with the place of each for messages: `points.csv:7`."""

    points: list[BenchPoint]
    places: list[str]


def load(path: Path) -> Bench:
    """Read a file of bench points. Raise BenchPointError with one line that names the row."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise BenchPointError(f"{path}: no such file of bench points") from error
    except (OSError, UnicodeDecodeError) as error:
        raise BenchPointError(f"{path}: cannot be read: {error}") from error
    return parse(text, str(path))


def parse(text: str, where: str) -> Bench:
    """Parse the text of bench points; `where` names it in errors. Raise BenchPointError.

    Empty lines and lines that begin with # are ignored.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise BenchPointError(f"{where}: no bench points; the first line is {','.join(NEEDED)}")
    header = [name.strip().lower() for name in next(csv.reader([lines[0][1]]))]
    _check_header(header, f"{where}:{lines[0][0]}")
    points, places = [], []
    for number, line in lines[1:]:
        place = f"{where}:{number}"
        cells = [cell.strip() for cell in next(csv.reader([line]))]
        if len(cells) != len(header):
            raise BenchPointError(
                f"{place}: {len(cells)} values, but the header has {len(header)} columns"
            )
        points.append(_point(dict(zip(header, cells, strict=True)), place))
        places.append(place)
    if not points:
        raise BenchPointError(f"{where}: no bench points below the header")
    return Bench(points, places)


def _check_header(header: list[str], place: str) -> None:
    for name in NEEDED:
        if name not in header:
            raise BenchPointError(
                f"{place}: column `{name}` is missing; the first line is {','.join(NEEDED)}"
            )
    for name in header:
        if name not in COLUMNS:
            hint = suggest(name, COLUMNS, "use only")
            raise BenchPointError(f"{place}: column `{name}` is unknown; {hint}")
        if header.count(name) > 1:
            raise BenchPointError(f"{place}: column `{name}` occurs twice; remove one")


def _point(cells: dict[str, str], place: str) -> BenchPoint:
    values: dict[str, str | float] = {}
    for name, cell in cells.items():
        if name in TEXT:
            values[name] = cell
        elif cell or name in NEEDED:
            values[name] = _number(name, cell, place)
    condition = values["condition"] = str(values["condition"]).lower()
    if condition not in CONDITIONS:
        hint = suggest(condition, CONDITIONS, "use one of")
        raise BenchPointError(f"{place}: condition `{condition}` is unknown; {hint}")
    if (condition == "mismatched") != ("load_ohm" in values):
        raise BenchPointError(
            f"{place}: load_ohm: give the resistance with `mismatched`, and only there (25: two"
            " dummy loads in parallel, 75: a 75 ohm resistor)"
        )
    return msgspec.convert(values, BenchPoint)


def _number(name: str, cell: str, place: str) -> float:
    try:
        number = float(cell)
    except ValueError as error:
        raise BenchPointError(f"{place}: {name}: `{cell}` is not a number") from error
    if not math.isfinite(number):
        raise BenchPointError(f"{place}: {name}: `{cell}` is not finite; give a finite number")
    if name == "power_w" and number < 0:
        raise BenchPointError(f"{place}: power_w: {cell} is below 0; use 0 for unkeyed")
    if name in POSITIVE and number <= 0:
        raise BenchPointError(f"{place}: {name}: {cell} must be above 0")
    if name in ("forward_v", "reflected_v") and abs(number) > HIGHEST_V:
        raise BenchPointError(
            f"{place}: {name}: {cell} V is more than such a detector gives; are these millivolts"
            " or counts? Give volts"
        )
    if name == "attenuation_db" and number < 0:
        raise BenchPointError(f"{place}: attenuation_db: {cell} is below 0; give the loss in dB")
    if name == "line_deg" and number < 0:
        raise BenchPointError(f"{place}: line_deg: {cell} is below 0; give a length in degrees")
    if name == "load_ohm" and abs(number - IMPEDANCE_OHM) < LEAST_MISMATCH * IMPEDANCE_OHM:
        raise BenchPointError(f"{place}: load_ohm: {cell} is no mismatch; use `matched`")
    return number


def attenuated(bench: Bench) -> Bench:
    """Return the points with the power that arrives behind their attenuators."""
    points = [
        msgspec.structs.replace(
            point, power_w=point.power_w * 10 ** (-point.attenuation_db / 10), attenuation_db=None
        )
        if point.attenuation_db
        else point
        for point in bench.points
    ]
    return Bench(points, bench.places)


def in_watts(bench: Bench, reference: str) -> Bench:
    """Convert points whose `power_w` holds volts across 50 ohm (`vrms`, `vp` or `vpp`) to watts."""
    factor = WATTS_PER_VOLT2[reference]
    points = [
        msgspec.structs.replace(point, power_w=factor * point.power_w**2) for point in bench.points
    ]
    return Bench(points, bench.places)


def row(point: BenchPoint, columns: tuple[str, ...] = COLUMNS) -> str:
    """Return the CSV line of a point, without line end."""
    cells = ["" if (v := getattr(point, name)) is None else v for name in columns]
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(
        [f"{cell:.6g}" if isinstance(cell, float) else cell for cell in cells]
    )
    return text.getvalue()
