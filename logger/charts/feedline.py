"""Chart that compares cables on one sheet: loss, delivered power and SWR over the length."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.charts import sheet
from logger.charts.palette import BRICK, INDIGO, INK, OCHRE, TEAL
from logger.feedline.cables import Attenuation
from logger.feedline.comparison import Terms
from logger.feedline.loss import S_UNIT_DB, line
from logger.feedline.words import sources

# Millimetres, heights from the lower edge.
WIDTH, HIGH = 152.0, 58.0
PANELS = (174.0, 99.0, 24.0)
LOOKS = ((INDIGO, "-"), (BRICK, "--"), (TEAL, "-."), (OCHRE, ":"), (INK, (0, (5, 1, 1, 1))))
BEYOND = 1.5  # the length axis extends to this multiple of the longest length
POINTS = 200
LEAST_SWR, HIGHEST_SWR = 2.0, 50.0  # least and greatest upper end of the SWR scale
MOST_LINES = 6


def draw(cables: Sequence[Attenuation], lengths_m: Sequence[float], terms: Terms) -> Figure:
    """Draw the upright A4 sheet; up to 5 cables differ by colour and dash."""
    with sheet.style():
        figure = sheet.blank()
        where = "antenna" if terms.at_antenna else "shack"
        sheet.write_title(figure, "Cable losses")
        words = f"{terms.frequency_mhz:g} MHz, SWR {terms.swr:g} at the {where}"
        sheet.write(figure, sheet.LEFT, sheet.TITLE - 6.5, words, fontsize=9.5)
        sheet.write_lines(
            figure, sheet.TITLE - 12.5, list(sources(cables))[:MOST_LINES], fontsize=8
        )
        loss, power, swr = (
            sheet.panel(figure, sheet.LEFT, bottom, WIDTH, HIGH) for bottom in PANELS
        )
        length_m = np.linspace(0, BEYOND * max(lengths_m), POINTS)
        for number, cable in enumerate(cables):
            colour, dash = LOOKS[number % len(LOOKS)]
            nominal, low, high = (
                line(length_m / 100 * db, terms.swr, at_antenna=terms.at_antenna)
                for db in (cable.nominal, cable.low, cable.high)
            )
            loss.fill_between(
                length_m, low.total_db, high.total_db, color=colour, alpha=0.15, linewidth=0
            )
            look: dict[str, Any] = {"color": colour, "linestyle": dash, "label": cable.cable}
            far_swr = nominal.swr_shack if terms.at_antenna else nominal.swr_antenna
            loss.plot(length_m, nominal.total_db, **look)
            power.plot(length_m, 100 * nominal.arrives, **look)
            swr.plot(length_m, far_swr, **look)
        _label(loss, power, swr, terms)
        for axes in (loss, power, swr):
            axes.set_xlim(0, length_m[-1])
            for length in lengths_m:
                axes.axvline(length, color=INK, linewidth=0.6, linestyle=":")
        return figure


def _label(loss: Axes, power: Axes, swr: Axes, terms: Terms) -> None:
    loss.set(title="Total loss, with the range of the sources", ylabel="dB")
    loss.set_ylim(bottom=0)
    loss.legend(loc="upper left")
    units = loss.secondary_yaxis("right", functions=(_s_units, _decibels))
    units.set_ylabel("S-units")
    power.set(
        title="What reaches the antenna", ylabel="% of the net power into the line", ylim=(0, 102)
    )
    far_end = "shack" if terms.at_antenna else "antenna"
    swr.set(title=f"SWR at the {far_end}", ylabel="SWR", xlabel="length, m")
    values = np.concatenate([np.asarray(curve.get_ydata(), dtype=float) for curve in swr.lines])
    highest = 1.1 * float(values[np.isfinite(values)].max())
    swr.set_ylim(1, min(max(highest, LEAST_SWR), HIGHEST_SWR))


def _s_units(db: Any) -> Any:
    return np.asarray(db) / S_UNIT_DB


def _decibels(s_units: Any) -> Any:
    return np.asarray(s_units) * S_UNIT_DB
