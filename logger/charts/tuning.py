"""Chart of an adjusting session on one sheet: SWR against frequency for each position."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.charts.palette import BRICK, GREY, INDIGO, INK, OCHRE, TEAL
from logger.charts.sheet import MM_PER_INCH, blank, logarithmic, panel, style, write
from logger.physics.antenna import rho
from logger.physics.reflection import swr
from logger.tune.estimate import Posterior
from logger.tune.positions import Position
from logger.tune.session import TuningState
from logger.tune.words import line, outcome, setting
from logger.utc import format_ns

# Millimetres from the lower left corner of the sheet.
LEFT, TITLE, BOTTOM, WIDTH, HIGH = 23.0, 279.0, 140.0, 165.0, 115.0
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
    with style():
        figure = blank()
        write(figure, LEFT, TITLE, "Adjusting the antenna", fontsize=16, fontweight="bold")
        day = format_ns(ended_ns)[:10]
        write(figure, LEFT, TITLE - 6.5, f"{station}, {day}", fontsize=9.5)
        _curves(panel(figure, LEFT, BOTTOM, WIDTH, HIGH), state)
        for number, text in enumerate(_lines(state)):
            write(figure, LEFT, TABLE - number * LINE_MM, text, fontsize=8.5)
        return figure


def small(state: TuningState, width_mm: float, height_mm: float) -> Figure:
    """Draw the chart alone, for a page."""
    with style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
        left, bottom = 13 / width_mm, 11 / height_mm
        axes = figure.add_axes((left, bottom, 0.97 - left, 0.97 - bottom))
        _curves(axes, state)
        axes.set_title("")
        return figure


def _curves(axes: Axes, state: TuningState) -> None:
    read, posterior = state.read, state.posterior()
    keyed = [reading.frequency_khz for one in read for reading in one.readings]
    span = max(max(keyed) - min(keyed), 50.0)
    khz = np.linspace(min(keyed) - MARGIN * span, max(keyed) + MARGIN * span, POINTS)
    for number, one in enumerate(read):
        last = number == len(read) - 1
        colour, shape = LAST if last else LOOKS[number % len(LOOKS)]
        low, middle, high = _model(posterior, number, khz)
        if last:
            axes.fill_between(khz / 1e3, low, high, color=colour, alpha=0.15, linewidth=0)
        axes.plot(khz / 1e3, middle, color=colour, linewidth=1.6 if last else 0.9)
        _readings(
            axes, one, colour, shape, f"{number + 1}: {setting(state.adjustment.unit, one.setting)}"
        )
    axes.axvline(state.target / 1e3, color=INK, linewidth=0.8, linestyle=":")
    highest = max(reading.swr for one in read for reading in one.readings)
    logarithmic(axes, "y", 1.0, min(max(2.0, 1.15 * highest), HIGHEST))
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
    found = swr(
        rho(khz[:, None], resonance, posterior.resistance_ohm, posterior.q, posterior.loss_db)
    )
    low, middle, high = np.quantile(found, (0.025, 0.5, 0.975), axis=1)
    return low, middle, high


def _readings(axes: Axes, one: Position, colour: str, shape: str, label: str) -> None:
    mhz = np.array([each.frequency_khz for each in one.readings]) / 1e3
    value = np.array([min(each.swr, HIGHEST) for each in one.readings])
    away = np.array(
        [
            (each.swr - each.swr_low, max(min(each.swr_high, 99.0) - each.swr, 0.0))
            for each in one.readings
        ]
    )
    axes.errorbar(
        mhz,
        value,
        yerr=np.maximum(away.T, 0.0),
        fmt=shape,
        color=colour,
        markersize=5,
        linewidth=0.8,
        capsize=2,
        label=label,
    )


def _lines(state: TuningState) -> Sequence[str]:
    """Return the positions as text, followed by the outcome."""
    told = [f"{n}: {line(state.adjustment, one)}" for n, one in enumerate(state.read, 1)]
    hidden = len(told) - MOST_LINES
    if hidden > 0:
        told = [f"{hidden} earlier positions are not listed", *told[hidden:]]
    return [*told, "", *_folded(outcome(state))]


def _folded(text: str) -> list[str]:
    return textwrap.wrap(text[0].upper() + text[1:] + ".", 100)
