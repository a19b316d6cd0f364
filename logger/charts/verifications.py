"""Control charts of the verifications on one sheet: forward powers, and both balances."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.charts import sheet
from logger.charts.drift_panels import date_ticks
from logger.charts.palette import BRICK, FAINT, INDIGO, INK, SHADE, TEAL
from logger.charts.values import attach
from logger.utc import DAY_NS, format_ns
from logger.verification.control_chart import LAMBDA, ControlChart
from logger.verification.judgement import charts_of, judge
from logger.verification.row import Verification
from logger.verification.words import TITLES, figures, verdict

# Millimetres from the lower left corner of the sheet.
WIDTH, HIGH, BETWEEN, TOP, TEXT = 165.0, 46.0, 18.0, 258.0, 66.0
LEAST_DB = 0.3  # half the height of a panel
AROUND_DAYS = 20  # beside the first and the last verification
TICKS = 9
AGAINST = {
    True: "dB from the reference meter",
    False: "dB above 1 W (no meter: the transmitter is part of it)",
}
BALANCE = "reflected over forward, dB"


def draw(verifications: Sequence[Verification], station: str) -> Figure:
    """Draw the upright A4 sheet of one verification or more, in order of time."""
    last = verifications[-1]
    charts = charts_of(verifications)
    days = [format_ns(row.time_ns)[:10] for row in (verifications[0], last)]
    with sheet.style():
        figure = sheet.blank()
        sheet.write_title(figure, "Checks against the dummy load")
        line = f"{station}, {days[0]} to {days[1]}, calibration {last.calibration_id}"
        sheet.write(figure, sheet.LEFT, sheet.TITLE - 6.5, line, fontsize=9.5)
        span = (
            verifications[0].time_ns // DAY_NS - AROUND_DAYS,
            last.time_ns // DAY_NS + AROUND_DAYS,
        )
        bottom = TOP
        high = min(HIGH, (TOP - TEXT) / len(charts) - BETWEEN)
        for name, (rows, chart) in charts.items():
            bottom -= high
            axes = sheet.panel(figure, sheet.LEFT, bottom, WIDTH, high)
            _panel(axes, rows, chart, span)
            is_power = name in ("forward", "usual")
            label = AGAINST[last.reference_w is not None] if name == "forward" else BALANCE
            if name == "usual":
                label = "dB above 1 W, on the days since the check before"
            if not is_power and getattr(rows[0], f"{name}_expected_u_db") is not None:
                label += " from the calibration"
            axes.set_title(f"{TITLES[name]}: {label}")
            bottom -= BETWEEN
        text = [*figures(verifications), *verdict(judge(verifications)), "", *_legend()]
        folded = [line for sentence in text for line in textwrap.wrap(sentence, 105) or [""]]
        sheet.write_lines(figure, bottom + 4.0, folded, fontsize=8)
        return figure


def _panel(
    axes: Axes, rows: Sequence[Verification], chart: ControlChart, span: tuple[int, int]
) -> None:
    time = np.array([row.time_ns / DAY_NS for row in rows])
    edges = np.array([span[0], *((time[1:] + time[:-1]) / 2), span[1]])
    target = chart.target

    def steps(reach: np.ndarray, sign: float) -> np.ndarray:
        return np.append(target + sign * reach, target + sign * reach[-1])

    axes.fill_between(
        edges,
        steps(chart.ewma_reach, -1.0),
        steps(chart.ewma_reach, 1.0),
        step="post",
        color=SHADE,
        linewidth=0,
    )
    for sign in (-1.0, 1.0):
        axes.step(edges, steps(chart.reach, sign), where="post", color=INK, linewidth=0.8)
    axes.axhline(target, color=FAINT, linewidth=0.8)
    axes.plot(time, chart.ewma, color=TEAL, linewidth=1.4)
    out = chart.is_out
    for mask, colour, shape in ((~out, INDIGO, "o"), (out, BRICK, "D")):
        axes.errorbar(
            time[mask],
            chart.value[mask],
            yerr=chart.u[mask],
            fmt=shape,
            color=colour,
            markersize=4,
            linewidth=0.7,
        )
    words = [
        f"{format_ns(row.time_ns)[:10]}: {value:+.2f} dB (±{2 * u:.2f}), limits"
        f" {target - reach:+.2f} to {target + reach:+.2f}, average {average:+.2f}"
        for row, value, u, reach, average in zip(
            rows, chart.value, chart.u, chart.reach, chart.ewma, strict=True
        )
    ]
    attach(axes, time, chart.value, words)
    outer = np.abs(chart.value - target) + chart.u
    far = max(float(outer.max()), float(np.median(chart.reach)))
    half = max(LEAST_DB, 1.15 * far)
    axes.set(xlim=span, ylim=(target - half, target + half), ylabel="dB")
    sheet.label_axis(axes.xaxis, date_ticks(span, TICKS))


def _legend() -> list[str]:
    return [
        "Dots: readings with their repeatability (one standard deviation); black steps: their"
        " limits, three standard deviations from the grey target (Shewhart). Teal: exponentially"
        f" weighted average, weight {LAMBDA:g}; shaded: its limits. Diamonds: one of the two is"
        " outside. The limits contain the uncertainty of the target.",
    ]
