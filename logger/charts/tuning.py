"""Chart of a tuning session on one sheet: SWR against frequency for each position."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.charts import sheet
from logger.charts.palette import BRICK, GREY, INDIGO, INK, OCHRE, TEAL
from logger.charts.values import attach
from logger.live.figures import swr_text
from logger.physics.antenna import rho
from logger.physics.reflection import swr
from logger.tune.estimate import Posterior
from logger.tune.positions import Position
from logger.tune.session import TuningState
from logger.tune.words import line, outcome, setting
from logger.utc import format_ns
from logger.wording import count

# Millimetres from the lower left corner of the sheet.
BOTTOM, WIDTH, HIGH = 140.0, 165.0, 115.0
TABLE, LINE_MM = 116.0, 5.0
MOST_LINES = 18
# The last position stands out; earlier ones also differ by shape.
LOOKS = ((INDIGO, "s"), (TEAL, "^"), (OCHRE, "D"), (GREY, "v"))
LAST = (BRICK, "o")
MARGIN = 0.15  # share of the frequency span, on either side
POINTS = 160
HIGHEST = 10.0


def draw(state: TuningState, station: str, ended_ns: int) -> Figure:
    """Draw the upright A4 sheet; `state.read` must have a position."""
    with sheet.style():
        figure = sheet.blank()
        sheet.write_title(figure, "Adjusting the antenna")
        day = format_ns(ended_ns)[:10]
        sheet.write(figure, sheet.LEFT, sheet.TITLE - 6.5, f"{station}, {day}", fontsize=9.5)
        _curves(sheet.panel(figure, sheet.LEFT, BOTTOM, WIDTH, HIGH), state)
        sheet.write_lines(figure, TABLE, _lines(state), LINE_MM, fontsize=8.5)
        return figure


def small(state: TuningState, width_mm: float, height_mm: float) -> Figure:
    """Draw the chart alone, for a page."""
    with sheet.style():
        figure = sheet.blank(width_mm, height_mm)
        axes = sheet.panel(figure, 13.0, 11.0, 0.97 * width_mm - 13.0, 0.97 * height_mm - 11.0)
        _curves(axes, state)
        axes.set_title("")
        return figure


def _curves(axes: Axes, state: TuningState) -> None:
    positions, posterior = state.read, state.posterior()
    keyed = [reading.frequency_khz for position in positions for reading in position.readings]
    span = max(max(keyed) - min(keyed), 50.0)
    khz = np.linspace(min(keyed) - MARGIN * span, max(keyed) + MARGIN * span, POINTS)
    for number, position in enumerate(positions):
        is_last = number == len(positions) - 1
        colour, shape = LAST if is_last else LOOKS[number % len(LOOKS)]
        low, middle, high = _model(posterior, number, khz)
        if is_last:
            axes.fill_between(khz / 1e3, low, high, color=colour, alpha=0.15, linewidth=0)
        axes.plot(khz / 1e3, middle, color=colour, linewidth=1.6 if is_last else 0.9)
        _readings(
            axes,
            position,
            colour,
            shape,
            f"{number + 1}: {setting(state.adjustment.unit, position.setting)}",
        )
    axes.axvline(state.target / 1e3, color=INK, linewidth=0.8, linestyle=":")
    highest = max(reading.swr for position in positions for reading in position.readings)
    sheet.logarithmic(axes, "y", 1.0, min(max(2.0, 1.15 * highest), HIGHEST))
    axes.set(
        title="SWR at each position, with the antenna that explains it",
        xlabel="MHz (dotted: where resonance is wanted)",
        ylabel="SWR",
        xlim=(khz[0] / 1e3, khz[-1] / 1e3),
    )
    axes.legend(loc="best")


def _model(
    posterior: Posterior, number: int, khz: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return 2.5 %, 50 % and 97.5 % quantiles of the SWR at each frequency, (points,) each."""
    resonance = posterior.resonance_khz[:, number]
    swr_samples = swr(
        rho(khz[:, None], resonance, posterior.resistance_ohm, posterior.q, posterior.loss_db)
    )
    low, middle, high = np.quantile(swr_samples, (0.025, 0.5, 0.975), axis=1)
    return low, middle, high


def _readings(axes: Axes, position: Position, colour: str, shape: str, label: str) -> None:
    mhz = np.array([reading.frequency_khz for reading in position.readings]) / 1e3
    swr_values = np.array([min(reading.swr, HIGHEST) for reading in position.readings])
    errors = np.array(
        [
            (reading.swr - reading.swr_low, max(min(reading.swr_high, 99.0) - reading.swr, 0.0))
            for reading in position.readings
        ]
    )
    axes.errorbar(
        mhz,
        swr_values,
        yerr=np.maximum(errors.T, 0.0),
        fmt=shape,
        color=colour,
        markersize=5,
        linewidth=0.8,
        capsize=2,
        label=label,
    )
    words = [
        f"{label}, {reading.frequency_khz / 1e3:g} MHz: SWR {swr_text(reading.swr)}"
        f" ({swr_text(reading.swr_low)} to {swr_text(reading.swr_high)})"
        for reading in position.readings
    ]
    attach(axes, mhz, swr_values, words)


def _lines(state: TuningState) -> Sequence[str]:
    """Return the positions as text, followed by the outcome."""
    lines = [f"{n}: {line(state.adjustment, position)}" for n, position in enumerate(state.read, 1)]
    omitted = len(lines) - MOST_LINES
    if omitted > 0:
        lines = [f"not listed: {count(omitted, 'earlier position')}", *lines[omitted:]]
    return [*lines, "", *_fold(outcome(state))]


def _fold(text: str) -> list[str]:
    return textwrap.wrap(f"{text[0].upper()}{text[1:]}.", 100)
