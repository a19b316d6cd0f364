"""Panels of a drift chart: one per channel, one for journal and alarms, strips for the weather.

Every colour goes with its own shape or stroke. Positions along the time axis are days since
1970-01-01; the value of a day is drawn at noon.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.markers import TICKDOWN
from matplotlib.patches import Polygon
from matplotlib.transforms import ScaledTranslation

from logger.charts import sheet
from logger.charts.palette import BRICK, FAINT, GREY, INDIGO, INK, PAPER, TEAL
from logger.charts.values import attach
from logger.daily import FloatArray, Weather
from logger.live.figures import swr_text
from logger.physics.reflection import return_loss_db, rho_of_return_loss, rho_of_swr, swr
from logger.rows import Alarm, Severity
from logger.store.journal import WORK
from logger.trend.account import ChannelAccount, JournalEntry, date
from logger.trend.outcome import Step
from logger.utc import DAY_NS, format_ns
from logger.wording import count

Span = tuple[int, int]  # first and last day shown

LEAST_SPAN = 0.15  # least range of a scale, SWR
FENCE = 3.0  # interquartile ranges beyond the quartiles: "far out" after Tukey (EDA, 1977)
HEADROOM = 0.08
HIGHEST = 20.0  # upper bound of a scale, SWR
LIMIT_NEAR = 1.5  # the scale grows at most by this factor to show the limit
LOSSES_DB = (60, 50, 40, *range(36, 22, -2), *range(22, 0, -1))
EDGE_POINTS = 4.0  # from the edge to the arrows of values beyond it
CLOSE = 0.16  # least distance between labels on the right, as a share of the scale
WORDY = 1.1  # panel height in inches, above which "return loss" is written out
MANY = 150  # days, above which dots are small
WEDGE_POINTS, LEAST_BASE_POINTS = 10.0, 3.5  # height of the wedge of a step; half its base
AT_THE_EDGE = 0.03  # share of the time shown
LANES = ("journal", "alarms")


class Marks(NamedTuple):
    """Entries close in time: time of the first one in days, and a label with their numbers."""

    time: float
    label: str


def group_entries(entries: Sequence[JournalEntry], span: Span, close: float) -> list[Marks]:
    """Number entries from 1 and group those closer than a share `close` of the time shown."""
    nearest = (span[1] - span[0] + 1) * close
    groups: list[list[int]] = []
    for number, entry in enumerate(entries):
        if groups and entry.day - entries[groups[-1][0]].day < nearest:
            groups[-1].append(number)
        else:
            groups.append([number])
    return [
        Marks(
            entries[group[0]].time_ns / DAY_NS,
            f"{group[0] + 1}" if len(group) == 1 else f"{group[0] + 1}–{group[-1] + 1}",
        )
        for group in groups
    ]


def label_dates(axes: Axes, span: Span, most: int, *, labelled: bool) -> None:
    """Set the time axis to the days shown, with at most `most` dates."""
    pad = max((span[1] - span[0]) * 0.012, 0.5)
    axes.set_xlim(span[0] + 0.5 - pad, span[1] + 0.5 + pad)
    sheet.label_axis(axes.xaxis, date_ticks(span, most))
    axes.tick_params(axis="x", labelbottom=labelled)


def date_ticks(span: Span, most: int) -> list[tuple[float, str]]:
    """Return positions and labels of round dates: years, months or days."""
    first, last = (np.datetime64(day, "D") for day in span)
    months = np.arange(first.astype("M8[M]") + 1, last.astype("M8[M]") + 1)
    if len(months) >= 3:
        for step in (1, 2, 3, 4, 6, 12, 24, 60, 120, 600):
            ticks = [month for month in months if int(month.astype(int)) % step == 0]
            if len(ticks) <= most:
                form = 4 if step >= 12 else 7
                return [
                    (float(month.astype("M8[D]").astype(int)), str(month)[:form]) for month in ticks
                ]
    shown = span[1] - span[0] + 1
    step = next(step for step in (1, 2, 3, 5, 7, 10, 14, 21, 28, 60) if shown / step <= most)
    return [(day + 0.5, date(day)[5:]) for day in range(span[0], span[1] + 1, step)]


def draw_readings(
    axes: Axes, channel: ChannelAccount, limit: float, span: Span, *, spread: bool
) -> None:
    """Draw daily values with optional spread, the level, the season, and the limit if near."""
    days, curve = channel.days, channel.trend.curve
    low, high = _scale(days.swr, curve.low, curve.high)
    top = _reach(high, limit, low)
    sheet.linear(axes, "y", low, top, most=6)
    _values(axes, channel, span, (low, top), spread=spread)
    _level(axes, channel)
    _attach_days(axes, channel)
    if shows_limit(channel, limit):
        axes.axhline(limit, color=INDIGO, lw=1.2, ls="-.", label="limit")
    axes.set_ylabel("SWR")
    _add_return_loss(axes, low, top)


def shows_limit(channel: ChannelAccount, limit: float) -> bool:
    """True if the limit is on the scale of the channel's readings."""
    curve = channel.trend.curve
    low, high = _scale(channel.days.swr, curve.low, curve.high)
    return low < limit < _reach(high, limit, low)


def _reach(high: float, limit: float, low: float) -> float:
    """Return the upper end of the scale, raised if that brings the limit into view."""
    extended = limit + HEADROOM * (limit - low)
    return extended if high < extended <= low + LIMIT_NEAR * (high - low) else high


def _scale(values: FloatArray, low: FloatArray, high: FloatArray) -> tuple[float, float]:
    """Return the ends of a scale for the model's band and the daily values except far outliers."""
    first, third = np.percentile(values, [25, 75])
    fence = FENCE * max(third - first, LEAST_SPAN / FENCE)
    inliers = values[(first - fence <= values) & (values <= third + fence)]
    if inliers.min() > HIGHEST:
        return 1.0, HIGHEST
    least = max(min(float(inliers.min()), float(low.min())), 1.0)
    most = min(max(float(inliers.max()), float(high.max())), HIGHEST)
    if most - least < LEAST_SPAN:
        least = max((least + most - LEAST_SPAN) / 2, 1.0)
        most = least + LEAST_SPAN
    room = HEADROOM * (most - least)
    return max(least - room, 1.0), most + room


def _values(
    axes: Axes, channel: ChannelAccount, span: Span, scale: tuple[float, float], *, spread: bool
) -> None:
    """Draw the daily values, and arrows at the edge for values beyond the scale."""
    days = channel.days
    x, values = days.day + 0.5, days.swr
    is_shown = (span[0] <= days.day) & (days.day <= span[1])
    in_scale = is_shown & (scale[0] <= values) & (values <= scale[1])
    is_sparse = is_shown.sum() <= MANY
    if spread:
        axes.vlines(
            x[in_scale],
            (values - days.spread)[in_scale],
            (values + days.spread)[in_scale],
            color=FAINT,
            lw=1.0 if is_sparse else 0.5,
            zorder=1.6,
        )
    axes.plot(
        x[in_scale],
        values[in_scale],
        ls="",
        marker="D",
        ms=3.0 if is_sparse else 1.4,
        mew=0,
        color=TEAL,
        zorder=3.2 if is_sparse else 2.4,
        label="daily value",
    )
    for is_beyond, edge, marker in ((values > scale[1], 1, "^"), (values < scale[0], 0, "v")):
        if (is_shown & is_beyond).any():
            figure = axes.get_figure(root=True)
            assert figure is not None
            inwards = ScaledTranslation(
                0, EDGE_POINTS / 72 * (1 - 2 * edge), figure.dpi_scale_trans
            )
            axes.plot(
                x[is_shown & is_beyond],
                np.full((is_shown & is_beyond).sum(), edge),
                transform=axes.get_xaxis_transform() + inwards,
                ls="",
                marker=marker,
                ms=4,
                mew=0.8,
                mfc=PAPER,
                color=INK,
                zorder=4,
                label="off the scale" if edge else None,
            )


def _attach_days(axes: Axes, channel: ChannelAccount) -> None:
    days, curve = channel.days, channel.trend.curve
    levels = {
        int(day): f"; level {swr_text(level)} ({swr_text(low)} to {swr_text(high)})"
        for day, level, low, high in zip(
            curve.day,
            curve.swr - curve.season,
            curve.low - curve.season,
            curve.high - curve.season,
            strict=True,
        )
    }
    words = [
        f"{date(day)}: SWR {swr_text(swr)}, {count(number, 'transmission')}{levels.get(day, '')}"
        for day, swr, number in zip(
            days.day.tolist(), days.swr, days.transmissions.tolist(), strict=True
        )
    ]
    attach(axes, days.day + 0.5, days.swr, words)


def _level(axes: Axes, channel: ChannelAccount) -> None:
    """Draw the level as an ink line on a hatched ribbon, its 95 % interval.

    The course of season and weather is a fine line. Both are interrupted at each step.
    """
    curve = channel.trend.curve
    if len(curve.day) < 2:
        return
    steps = np.searchsorted(curve.day, [step.day for step in channel.trend.steps])
    x, swr, season, low, high = (
        np.insert(values.astype(float), steps, np.nan)
        for values in (curve.day + 0.5, curve.swr, curve.season, curve.low, curve.high)
    )
    axes.fill_between(
        x, low - season, high - season, fc="none", ec=INK, hatch="////", lw=0.4, zorder=2.8,
        label="95 %",
    )  # fmt: skip
    axes.plot(x, swr - season, color=INK, lw=1.6, label="level", zorder=3)
    if np.nanmax(np.abs(season)) > 0:
        axes.plot(x, swr, color=INK, lw=0.6, label="season", zorder=2.9)


def _add_return_loss(axes: Axes, low: float, high: float) -> None:
    """Add a return-loss axis on the right."""
    _, height = sheet.size_inches(axes)
    best = float(return_loss_db(rho_of_swr(max(low, 1.0001))))
    marks = (
        (float(swr(rho_of_return_loss(loss))), f"{loss}") for loss in LOSSES_DB if loss <= best
    )
    close = max(CLOSE, 0.16 / height) * (high - low)
    sheet.second_scale(axes, marks, close, "return loss, dB" if height > WORDY else "dB")


def mark_work(axes: Axes, entries: Sequence[JournalEntry]) -> None:
    """Mark repairs and adjustments by ticks at the upper edge."""
    times = [entry.time_ns / DAY_NS for entry in entries if entry.kind in WORK]
    axes.plot(
        times,
        np.ones(len(times)),
        transform=axes.get_xaxis_transform(),
        ls="",
        marker=TICKDOWN,
        ms=7,
        mew=1.6,
        color=INK,
        zorder=4,
    )


def mark_steps(axes: Axes, steps: Sequence[Step], span: Span) -> None:
    """Draw a wedge on the axis for each step.

    Its base covers the days in which the step may have occurred, its tip is at the most likely day.
    Steps explained by the journal are hollow.
    """
    width, height = 72 * sheet.size_inches(axes)
    least = LEAST_BASE_POINTS / width * (span[1] - span[0] + 1)
    tip = WEDGE_POINTS / height
    for step in steps:
        low, high = min(step.day_low, step.day - least), max(step.day_high + 1, step.day + least)
        axes.add_patch(
            Polygon(
                [(low, 0.0), (step.day, tip), (high, 0.0)],
                transform=axes.get_xaxis_transform(),
                fc=_fill(step),
                ec=INK,
                lw=0.8,
                zorder=4,
            )
        )
    labels = {_fill(step): "step" if step.explained_by is None else "explained" for step in steps}
    for fill, label in labels.items():
        axes.plot([], [], ls="", marker="^", mfc=fill, mec=INK, mew=0.8, ms=4, label=label)


def _fill(step: Step) -> str:
    return BRICK if step.explained_by is None else PAPER


def draw_lanes(
    axes: Axes, entries: Sequence[JournalEntry], alarms: Sequence[Alarm], span: Span
) -> None:
    """Draw journal entries and alarms, one lane each, even if empty."""
    axes.set_ylim(len(LANES) - 0.5, -0.7)
    sheet.label_lanes(axes, LANES)
    for lane, (marks, words) in enumerate(((entries, "no entries"), (alarms, "no alarms"))):
        if not marks:
            middle = (span[0] + span[1] + 1) / 2
            axes.text(middle, lane, words, ha="center", va="center", fontsize=7.0, color=GREY)
    for number, entry in enumerate(entries, 1):
        words = f"{number}: {date(entry.day)} {entry.kind}: {entry.text}"
        attach(axes, [entry.time_ns / DAY_NS], [0.0], [words])
        work = entry.kind in WORK
        look: dict[str, Any] = (
            {"ms": 6, "mew": 2.0, "color": INK} if work else {"ms": 4, "mew": 0.9, "color": GREY}
        )
        axes.plot([entry.time_ns / DAY_NS], [0.3], marker="|", **look)
    for alarm in alarms:
        begin = alarm.raised_ns / DAY_NS
        end = span[1] + 1 if alarm.cleared_ns is None else alarm.cleared_ns / DAY_NS
        words = f"{format_ns(alarm.raised_ns)[:16]}Z alarm {alarm.id}: {alarm.kind}"
        attach(axes, [begin], [1.0], [words])
        axes.plot([begin, max(end, begin)], [1, 1], color=BRICK, lw=1.6)
        fill = BRICK if alarm.severity == Severity.CRITICAL else PAPER
        axes.plot([begin], [1], marker="v", color=BRICK, mfc=fill, ms=5, mew=0.8)


def write_numbers(axes: Axes, marks: Sequence[Marks], span: Span) -> None:
    """Write the numbers of entries above their marks."""
    for mark in marks:
        share = (mark.time - span[0]) / (span[1] - span[0] + 1)
        side = "left" if share < AT_THE_EDGE else "right" if share > 1 - AT_THE_EDGE else "center"
        axes.text(mark.time, -0.33, mark.label, ha=side, va="center", fontsize=6.5)


def weather_strips(weather: Weather | None, span: Span) -> Iterator[Callable[[Axes], None]]:
    """Yield a function for each strip of weather that has data in the days shown."""
    if weather is None:
        return
    is_shown = (span[0] <= weather.day) & (weather.day <= span[1])
    x = weather.day[is_shown] + 0.5
    temperature, rain = weather.temperature_c[is_shown], weather.rain_mm[is_shown]

    def draw_temperature(axes: Axes) -> None:
        axes.plot(x, temperature, color=INK, lw=0.8, marker="." if len(x) < 3 else "")
        axes.set_ylabel("air\n°C")
        low, high = float(np.nanmin(temperature)), float(np.nanmax(temperature))
        sheet.linear(axes, "y", low - 2, high + 2, most=2)

    def draw_rain(axes: Axes) -> None:
        axes.vlines(x, 0, np.nan_to_num(rain), color=INDIGO, lw=1.5 if len(x) <= MANY else 0.6)
        axes.set_ylabel("rain\nmm")
        sheet.linear(axes, "y", 0.0, max(float(np.nanmax(rain)) * 1.1, 1.0), most=2)

    if np.isfinite(temperature).any():
        yield draw_temperature
    if np.isfinite(rain).any():
        yield draw_rain
