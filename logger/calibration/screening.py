"""Rejection of implausible bench points.

This module is responsible for errors that the fit could not explain: columns swapped, a port that
does not move, no matched key-down. Input: the points of a bench and their readings. Output:
nothing, or an error that names the row and the remedy.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import groupby

import numpy as np

from logger.calibration.bench_points import Bench, BenchPoint
from logger.calibration.readings import Readings, group_values
from logger.errors import BenchPointError

LEAST_MARKS = 2  # of unknown power
REPEAT_WITHIN = 0.15  # relative difference of a repeated key-down; 0.6 to 1.2 dB of power
REPEAT_SPREADS = 8.0
SETTING = (  # columns; rows in which these are equal are of the same key-down
    "condition",
    "power_w",
    "frequency_khz",
    "temperature_c",
    "load",
    "line_deg",
    "load_ohm",
)
MOVES_BY = 4.0  # steps of the converter or standard deviations

PortVolts = tuple[float, float]
PlacedPoint = tuple[BenchPoint, str]  # with its place for messages


def screen(bench: Bench, readings: Readings, *, powers_known: bool) -> None:
    """Raise BenchPointError for points that cannot be fitted.

    Without `powers_known` powers are only marks, and two of them are enough.
    """
    zero_v, spread_v, clip_v = readings.zero_v, readings.spread_v, readings.clip_v
    keyed = [row for row in zip(bench.points, bench.places, strict=True) if row[0].power_w > 0]
    matched = [row for row in keyed if row[0].condition == "matched"]
    if not matched:
        raise BenchPointError(
            f"{bench.places[-1]}: no `matched` key-down in the file: put the antenna port on a"
            " dummy load and read it, at three powers or more if you can"
        )
    _reject_swapped(keyed, zero_v, spread_v)
    _reject_still(keyed, zero_v, spread_v, clip_v)
    _reject_contradictions(keyed, spread_v)
    used = [row for row in matched if row[0].forward_v < clip_v]
    if not used:
        raise BenchPointError(
            f"{matched[0][1]}: forward_v is at the end of the range ({clip_v:.3f} V) in every"
            " `matched` row: use less power or a looser coupling (more turns), or divide the"
            " detector's voltage"
        )
    if not powers_known:
        powers = {point.power_w for point, _ in used}
        if len(powers) < LEAST_MARKS:
            raise BenchPointError(
                f"{used[-1][1]}: too few points: usable `matched` powers, including this row:"
                f" {len(powers)}; at least {LEAST_MARKS} are needed, better 6, over a wide range"
            )
        _reject_few_marks(keyed)


def _reject_few_marks(keyed: list[PlacedPoint]) -> None:
    """Reject unknown powers unless enough of them were read both `matched` and `reversed`.

    Otherwise they do not determine the balance of the ports.
    """
    group = group_values(np.array([point.power_w for point, _ in keyed]))
    conditions: dict[int, set[str]] = defaultdict(set)
    for number, (point, _) in zip(group.tolist(), keyed, strict=True):
        conditions[number].add(point.condition)
    count = sum({"matched", "reversed"} <= names for names in conditions.values())
    if count < LEAST_MARKS:
        raise BenchPointError(
            f"{keyed[-1][1]}: powers read both `matched` and `reversed` (coupler turned round),"
            f" including this row: {count}; without a reference at least {LEAST_MARKS} are needed,"
            " marked by the same power_w"
        )


def _reject_swapped(keyed: list[PlacedPoint], zero_v: PortVolts, spread_v: PortVolts) -> None:
    for condition, strong, weak, advice in (
        ("matched", 0, 1, "swap the two columns, or the coupler is connected the wrong way round"),
        ("reversed", 1, 0, "the coupler was not turned round, or the two columns are swapped"),
    ):
        rows = [row for row in keyed if row[0].condition == condition]
        if not rows:
            continue
        point, place = max(rows, key=lambda row: row[0].power_w)
        volts = [v - z for v, z in zip((point.forward_v, point.reflected_v), zero_v, strict=True)]
        if volts[weak] > volts[strong] + MOVES_BY * max(spread_v):
            names = ("forward_v", "reflected_v")
            raise BenchPointError(
                f"{place}: {names[weak]} is above {names[strong]} in a `{condition}` row: {advice}"
            )


def _reject_still(
    keyed: list[PlacedPoint], zero_v: PortVolts, spread_v: PortVolts, clip_v: float
) -> None:
    """Reject a port whose reading does not move although it has the full wave."""
    for port, (name, own) in enumerate((("forward_v", "matched"), ("reflected_v", "reversed"))):
        rows = [row for row in keyed if row[0].condition in (own, "open", "short")]
        if not rows:
            continue
        volts = [getattr(point, name) for point, _ in rows]
        if min(volts) >= clip_v:
            continue  # reported separately
        moved = max(volts) - min(min(volts), zero_v[port])
        powers = {point.power_w for point, _ in rows}
        same = len(powers) > 1 and max(volts) - min(volts) < MOVES_BY * spread_v[port]
        if moved < MOVES_BY * spread_v[port] or (same and max(powers) >= 2 * min(powers)):
            point, place = max(rows, key=lambda row: row[0].power_w)
            raise BenchPointError(
                f"{place}: {name} never moves (it is {getattr(point, name):.4g} V here, at"
                f" {point.power_w:g} W `{point.condition}`): look for an open diode, a broken wire"
                " or the wrong converter input"
            )


def _reject_contradictions(keyed: list[PlacedPoint], spread_v: PortVolts) -> None:
    """Reject key-downs of the same setting with different readings."""

    def setting(row: PlacedPoint) -> tuple[str, ...]:
        return tuple(str(getattr(row[0], name)) for name in SETTING)

    for _, rows in groupby(sorted(keyed, key=setting), key=setting):
        (first, first_place), *repeats = rows
        for point, place in repeats:
            for port, name in enumerate(("forward_v", "reflected_v")):
                volts, again_v = getattr(first, name), getattr(point, name)
                most_v = max(REPEAT_WITHIN * max(volts, again_v), REPEAT_SPREADS * spread_v[port])
                if abs(volts - again_v) > most_v:
                    raise BenchPointError(
                        f"{place}: {name} {again_v:.4g} contradicts {volts:.4g} of row"
                        f" {first_place.rpartition(':')[2]}, the same key-down ({point.condition},"
                        f" {point.power_w:g}): measure both again"
                    )
