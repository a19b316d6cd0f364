"""Chart of a calibration: detector laws, residuals, smallest SWR that can be claimed."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.blocks import Floats
from logger.calibration.coupler import Coupler
from logger.calibration.detector import DetectorLaw
from logger.calibration.file import CONDITIONS, CalibrationFile, Port
from logger.calibration.problem import FULL_WAVE
from logger.calibration.quality import Residual, bench_noise, residuals, smallest_swr
from logger.charts import sheet
from logger.charts.calibration_heading import SIDES, WRAP, heading, signed
from logger.charts.palette import BRICK, GREY, INDIGO, INK, OCHRE, PAPER, SHADE, TEAL
from logger.charts.values import attach
from logger.physics.reflection import COVERAGE

POWER = {"forward": "incident power", "reflected": "reflected power"}

# Millimetres: left edge of the right column, width of a column, width of both; heights from the
# lower edge.
RIGHT, HALF, WHOLE = 118.0, 80.0, 175.0
LABEL = 14.0  # distance of axis labels from the left frames
LAWS, LAWS_ALONE = 153.0, 112.0  # with and without residuals below
RESIDUALS, RESIDUALS_HIGH = 97.0, 36.0
CLAIMS, CLAIMS_HIGH, FOOT = 25.0, 52.0, 11.5

# Those with the full wave at a port, which the last condition has not.
LOOKS = dict(
    zip(CONDITIONS[:-1], ((INDIGO, "o"), (BRICK, "s"), (TEAL, "^"), (OCHRE, "v")), strict=True)
)
MANY = 60  # points per port, above which they are drawn smaller
CURVE_POINTS = 200
NEGLIGIBLE_V = 1e-6  # rounding of the figures in the file
LAW_SPAN = 50.0  # least ratio of the highest volts to the lowest, so that the bend is visible
CLAIM_SPAN = 8.0  # the same for powers
MARGIN = 1.3  # around points on logarithmic axes
ABOVE = 1.6  # ratio by which laws and claims extend above the bench points
LEAST_DB = 0.05  # least range of the residual scale, either way
EDGE = 0.94  # position of points beyond the scale, as a share of it
FAR = 3.0  # unused points this many times farther off than the others are beyond the scale
NAMED = 2  # number of those that are labelled
LEAST_SWR = 0.1  # the SWR scale extends at least this far above 1
WIDE_SWR = 6.0  # above this, SWR has a logarithmic axis
PAIRS = ((1, INDIGO, "-", "a single pair"), (100, BRICK, "--", "mean of 100 pairs"))


def draw(content: CalibrationFile) -> Figure:
    """Draw a calibration on an upright A4 sheet."""
    coupler = Coupler(content)
    with sheet.style():
        figure = sheet.blank()
        top = heading(figure, coupler)
        fits = residuals(coupler)
        sides = [_side(coupler, port, list(_points(coupler, port, fits))) for port in (0, 1)]
        bottom = LAWS if any(fits) else LAWS_ALONE
        _laws(_columns(figure, bottom, top - bottom), sides)
        if any(fits):
            _residuals(_columns(figure, RESIDUALS, RESIDUALS_HIGH), sides)
        else:
            why = "was not made by a fit" if content.bench_points else "has no bench points"
            sheet.write(
                figure, sheet.LEFT, bottom - 16, f"No residuals: the file {why}.", color=GREY
            )
        claims = sheet.panel(figure, sheet.LEFT, CLAIMS, WHOLE, CLAIMS_HIGH)
        claims.yaxis.set_label_coords(-LABEL / WHOLE, 0.5)
        sheet.write_lines(figure, FOOT, _claims(claims, coupler), color=GREY, fontsize=8)
    return figure


def _columns(figure: Figure, bottom: float, height: float) -> list[Axes]:
    """Return panels for the forward and the reflected port, side by side."""
    both = [sheet.panel(figure, left, bottom, HALF, height) for left in (sheet.LEFT, RIGHT)]
    both[0].yaxis.set_label_coords(-LABEL / HALF, 0.5)
    return both


class Point(NamedTuple):
    """A bench point as measured by one port.

    volts     reading minus the zero
    watts     power at the port by the reference, reduced to the frequency and temperature of the
              drawn law, so that its distance from the law is the residual
    residual  None if the file does not state it
    """

    condition: str
    volts: float
    watts: float
    left_out: bool
    residual: Residual | None


class Side(NamedTuple):
    """One port, ready to draw.

    law          its law
    uncorrected  the law without the interpolant, None if there is no interpolant
    low_v        lowest reading in the calibrated range, minus the zero
    high_v       highest reading in that range, minus the zero
    end_v        reading at the end of the converter's range, minus the zero, None if unknown
    """

    name: str
    content: CalibrationFile
    law: DetectorLaw
    uncorrected: DetectorLaw | None
    low_v: float
    high_v: float
    end_v: float | None
    points: list[Point]

    @property
    def unit(self) -> str:
        """Unit of powers."""
        return "W (relative)" if self.content.watts == "relative" else "W"

    def clipped(self, point: Point) -> bool:
        """True if the point was left out because the converter was at the end of its range."""
        if self.end_v is None or not point.left_out:
            return False
        return point.volts >= self.end_v - self.content.converter.step_v - NEGLIGIBLE_V

    def watts(self, volts: Floats) -> Floats:
        """Return powers by the law, for readings minus the zero."""
        return self.law.exact_watts(volts + self.law.zero_v)


def _side(coupler: Coupler, port: int, points: list[Point]) -> Side:
    content, name = coupler.content, SIDES[port]
    law = coupler.forward if port == 0 else coupler.reflected
    of_file: Port = getattr(content, name)
    low_v, high_v = (volts - law.zero_v for volts in getattr(content.valid, f"{name}_v"))
    full_scale_v = content.converter.full_scale_v
    uncorrected = None
    if of_file.correction:
        plain = msgspec.structs.replace(of_file, correction=[])
        uncorrected = DetectorLaw.of(plain, max(high_v, 1.0), content.impedance_ohm)
    return Side(
        name=name,
        content=content,
        law=law,
        uncorrected=uncorrected,
        low_v=low_v,
        high_v=high_v,
        end_v=None if full_scale_v is None else full_scale_v - law.zero_v,
        points=points,
    )


def _points(
    coupler: Coupler, port: int, port_residuals: tuple[list[Residual], list[Residual]]
) -> Iterator[Point]:
    """Yield the bench points of a port, with residuals if the file was made by a fit."""
    content, name = coupler.content, SIDES[port]
    law = coupler.forward if port == 0 else coupler.reflected
    for residual in port_residuals[port]:
        if residual.volts > 0:
            by_law = float(law.watts(np.array([residual.volts + law.zero_v]))[0])
            watts = by_law / 10 ** (residual.residual_db / 10)
            yield Point(residual.condition, residual.volts, watts, residual.left_out, residual)
    if any(port_residuals) or content.watts == "relative":
        return
    conditions = [CONDITIONS[number] for number in FULL_WAVE[port]]
    for row in content.bench_points:
        condition, watts = str(row["condition"]), float(row["power_w"])
        volts = float(row[f"{name}_v"]) - law.zero_v
        if condition in conditions and watts > 0 and volts > 0:
            left_out = name in str(row.get("left_out", "")).split()
            yield Point(condition, volts, watts, left_out, None)


# ---- detector laws


def _laws(panels: list[Axes], sides: list[Side]) -> None:
    """Draw both laws on a common scale."""
    all_v = [volts for side in sides for volts in _reading_range(side) if volts > 0] or [1.0]
    top_v = ABOVE * max(all_v)
    reach_v = np.geomspace(min(min(all_v) / MARGIN, top_v / LAW_SPAN), top_v, CURVE_POINTS)
    ends_w = [
        *(watts for side in sides for watts in side.watts(reach_v[[0, -1]])),
        *(point.watts for side in sides for point in side.points),
    ]
    for axes, side in zip(panels, sides, strict=True):
        sheet.logarithmic(axes, "x", reach_v[0], reach_v[-1])
        sheet.logarithmic(axes, "y", min(ends_w) / MARGIN, max(ends_w) * MARGIN)
        axes.set_title(f"{side.name} detector")
        axes.set_xlabel(f"{side.name} reading less its zero, V")
        axes.set_ylabel(f"{POWER[side.name]}, {side.unit}")
        lines = axes.legend(handles=_law(axes, side, reach_v), loc="upper left")
        points = side.points
        marks = _mark(axes, side, points, [p.volts for p in points], [p.watts for p in points])
        if marks:
            axes.legend(handles=marks, loc="lower right")
            axes.add_artist(lines)


def _reading_range(side: Side) -> Iterator[float]:
    yield from (side.low_v, side.high_v)
    yield from (point.volts for point in side.points)


def _law(axes: Axes, side: Side, reach_v: Floats) -> list[Artist]:
    """Draw the law; return the artists of its legend."""
    low_v = max(side.low_v, reach_v[0])
    high_v = max(side.high_v, reach_v[0])
    inside_v = np.append(reach_v[reach_v < high_v], high_v)
    above_v = np.append(high_v, reach_v[reach_v > high_v])
    handles: list[Artist] = [
        *axes.plot(inside_v, side.watts(inside_v), color=INK, lw=1.3, label="law"),
        *axes.plot(
            above_v, side.watts(above_v), color=INK, lw=1.1, ls="--", label="law, extrapolated"
        ),
        axes.axvspan(low_v, high_v, color=SHADE, zorder=0, label="calibrated range"),
    ]
    if side.uncorrected is not None:
        watts = side.uncorrected.exact_watts(reach_v + side.law.zero_v)
        handles += axes.plot(
            reach_v, watts, color=GREY, lw=1.0, ls=":", label="without its correction"
        )
    if side.end_v is not None and reach_v[0] < side.end_v < reach_v[-1]:
        handles.append(axes.axvline(side.end_v, color=GREY, lw=1.0, ls="-.", label="end of range"))
    return handles


def _mark(
    axes: Axes, side: Side, points: list[Point], xs: list[float], ys: list[float]
) -> list[Artist]:
    """Draw bench points at `xs` and `ys`: filled if used by the fit, hollow and crossed if not.

    Returns the artists of a legend.
    """
    handles: dict[str, Artist] = {}

    def draw_marks(label: str, chosen: list[bool], **look: Any) -> None:
        indices = [n for n, choice in enumerate(chosen) if choice]
        if indices:
            look = {"ms": 3.4 if len(xs) > MANY else 5.0, "mew": 0.8, **look}
            (line,) = axes.plot([xs[n] for n in indices], [ys[n] for n in indices], ls="", **look)
            line.set_label(label)
            handles.setdefault(label, line)

    for condition, (colour, shape) in LOOKS.items():
        is_condition = [point.condition == condition for point in points]
        is_used = [m and not point.left_out for m, point in zip(is_condition, points, strict=True)]
        is_unused = [m and point.left_out for m, point in zip(is_condition, points, strict=True)]
        draw_marks(condition, is_used, marker=shape, mfc=colour, mec=INK, mew=0.4)
        draw_marks(condition, is_unused, marker=shape, mfc=PAPER, mec=colour)
    clipped = [side.clipped(point) for point in points]
    outlier = [p.left_out and not c for p, c in zip(points, clipped, strict=True)]
    draw_marks("left out: clipped", clipped, marker="+", mec=INK, ms=9.0)
    draw_marks("left out: outlier", outlier, marker="x", mec=INK, ms=7.0)
    attach(axes, xs, ys, [_words(side, point) for point in points])
    return list(handles.values())


def _words(side: Side, point: Point) -> str:
    words = f"{point.condition}: {point.volts:.4g} V, {_reference_w(side, point):.4g} {side.unit}"
    if point.residual is not None:
        error_db = COVERAGE * point.residual.error_db
        words += f", law {signed(point.residual.residual_db, 2)} dB (±{error_db:.2f})"
    return f"{words}, left out" if point.left_out else words


# ---- residuals


def _residuals(panels: list[Axes], sides: list[Side]) -> None:
    """Draw the deviations of the laws from the reference, both ports on a common scale."""
    points = [point for side in sides for point in side.points]
    watts = [_reference_w(side, point) for side in sides for point in side.points]
    usual_db = max((_reach_db(point) for point in points if not point.left_out), default=0.0)
    shown_db = [_reach_db(point) for point in points if _reach_db(point) <= FAR * usual_db]
    most_db = 1.15 * max([LEAST_DB, *shown_db])
    panels[0].set_ylabel("law minus reference, dB")
    for axes, side in zip(panels, sides, strict=True):
        sheet.logarithmic(axes, "x", min(watts) / MARGIN, max(watts) * MARGIN)
        axes.set_ylim(-most_db, most_db)
        axes.axhline(0, color=INK, lw=0.9)
        axes.set_title(f"residuals, {side.name}")
        axes.set_xlabel(f"{POWER[side.name]}, {side.unit}")
        if side.points:
            _bars(axes, side, most_db)
        else:
            sheet.note(axes, 0.6, "no bench points for this port", bbox={"fc": PAPER, "ec": "none"})


def _reference_w(side: Side, point: Point) -> float:
    """Return the power by the reference; if that is unknown or relative, the power by the fit."""
    if point.residual is None or side.content.watts == "relative":
        return point.watts
    return point.residual.watts


def _reach_db(point: Point) -> float:
    """Return the distance from zero to the outer end of the point's error bar, dB."""
    assert point.residual is not None
    return abs(point.residual.residual_db) + COVERAGE * point.residual.error_db


def _bars(axes: Axes, side: Side, most_db: float) -> None:
    watts = [_reference_w(side, point) for point in side.points]
    point_residuals = [point.residual for point in side.points if point.residual is not None]
    values = [residual.residual_db for residual in point_residuals]
    errors = [COVERAGE * residual.error_db for residual in point_residuals]
    axes.errorbar(watts, values, errors, fmt="none", ecolor=INK, elinewidth=0.7, capsize=1.5)
    edge_db = EDGE * most_db
    _mark(axes, side, side.points, watts, [min(max(v, -edge_db), edge_db) for v in values])
    off_scale = [signed(value, 1) for value in values if abs(value) > most_db]
    if off_scale:
        title = f"off scale: {', '.join(off_scale[:NAMED])} dB{', …' * (len(off_scale) > NAMED)}"
        axes.set_title(title, loc="right", fontsize=7, fontweight="normal")


# ---- the smallest SWR


def _claims(axes: Axes, coupler: Coupler) -> list[str]:
    """Draw the smallest SWR that can be claimed; return the caveats as lines."""
    content = coupler.content
    unit = "W (relative)" if coupler.relative_watts else "W"
    floor_w = coupler.readable_floor_w(bench_noise(coupler))
    low_w, high_w = content.valid.forward_w
    bottom_w, top_w = _span_w(floor_w, low_w, high_w)
    axes.set_title("smallest SWR that can be claimed (95 %)")
    axes.set_xlabel(f"incident power, {unit}")
    axes.set_ylabel("SWR")
    sheet.logarithmic(axes, "x", bottom_w, top_w)
    axes.axvspan(max(low_w, bottom_w), max(high_w, bottom_w), color=SHADE, zorder=0)
    if not floor_w and not coupler.worst_leak:
        sheet.note(axes, 0.5, "neither noise nor directivity is known: nothing can be claimed")
        axes.set_yticks([])
        return []
    powers = np.geomspace(max(floor_w, bottom_w), top_w, CURVE_POINTS)
    highest = 1.0
    for pairs, colour, dashes, label in PAIRS:
        claims = smallest_swr(coupler, powers, pairs)
        axes.plot(powers, claims, color=colour, ls=dashes, lw=1.6, label=label)
        highest = max(highest, float(np.nanmax(claims)))
        words = (
            f"{watts:.3g} {unit}, {label}: SWR {claim:.2f}"
            for watts, claim in zip(powers, claims, strict=True)
        )
        attach(axes, powers, claims, words)
    if highest > WIDE_SWR:
        sheet.logarithmic(axes, "y", 1.0, 1.1 * highest)
    else:
        axes.set_ylim(1.0, 1.0 + 1.15 * max(highest - 1.0, LEAST_SWR))
    if floor_w > 0:
        _floor(axes, floor_w, bottom_w, unit)
    # Placed beside the title, as in every corner of the panel some calibration has a curve.
    sheet.legend_beside_title(axes, len(PAIRS))
    return textwrap.wrap(" ".join(_caveats(content, floor_w)), WRAP)


def _span_w(floor_w: float, low_w: float, high_w: float) -> tuple[float, float]:
    """Return the range of powers: the floor, the highest bench power, and a margin around them."""
    high_w = high_w if high_w > 0 else floor_w or 1.0
    low_w = floor_w or max(low_w, high_w / CLAIM_SPAN)
    return min(low_w, high_w) / 2, max(ABOVE * high_w, CLAIM_SPAN / 2 * floor_w)


def _floor(axes: Axes, floor_w: float, bottom_w: float, unit: str) -> None:
    axes.axvline(floor_w, color=INK, lw=1.2)
    axes.axvspan(bottom_w, floor_w, fill=False, hatch="///", ec=GREY, lw=0)
    axes.annotate(
        f"readable floor {floor_w:.3g} {unit}",
        (floor_w, 0.5),
        (-4, 0),
        xycoords=axes.get_xaxis_transform(),
        textcoords="offset points",
        rotation=90,
        ha="right",
        va="center",
        bbox={"fc": PAPER, "ec": "none", "pad": 1.5},
    )


def _caveats(content: CalibrationFile, floor_w: float) -> Iterator[str]:
    if floor_w > content.valid.forward_w[1]:
        yield "The readable floor is above the highest power of the bench."
    if floor_w and not content.converter.step_v:
        yield "The converter's step is unknown, so the floor may be too optimistic."
    if not floor_w:
        yield "Noise and converter are not known, so no floor is shown."
    if content.directivity is None:
        yield "Directivity is not known, so only noise is included: a match may read more."
