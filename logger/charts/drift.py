"""Chart of the drift of channels over years: one sheet, or one channel alone for a screen."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import Any, TypeVar

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from logger.charts import drift_panels, sheet
from logger.charts.drift_panels import MANY, Span
from logger.charts.palette import GREY
from logger.rows import Alarm
from logger.trend.account import Account, ChannelAccount, JournalEntry, date
from logger.trend.outcome import Trend
from logger.wording import count

E = TypeVar("E", JournalEntry, Alarm)

MOST_CHANNELS = 4  # per sheet

# Millimetres, heights from the lower edge.
WIDTH = 165.0
FOOT, LIST_LINE = 10.0, 3.9
LANES = 10.0
STRIP = 11.0  # weather
DATES = 8.0  # below the lowest panel
CAPTION = 8.0  # above a channel's panel
BETWEEN = 2.5
LEGEND_HEIGHT = 4.0
LABEL = 13.0  # distance of axis labels from the frames
WRAP, LIST_WRAP, TITLE_WRAP = 112, 118, 40  # characters per line
MOST_LISTED = 9  # lines
NEAR, NEAR_SMALL = 0.05, 0.12  # share of the time shown; marks closer than this share a label
TICKS, TICKS_SMALL = 9, 4
LEGEND: dict[str, Any] = {"ncols": 7, "frameon": False, "borderaxespad": 0.1, "markerscale": 1.6}
FINDINGS: dict[str, Any] = {"fontsize": 8.5, "fontweight": "normal", "color": GREY}


def draw(account: Account, span: Span | None = None) -> Figure:
    """Draw an account of 1 to MOST_CHANNELS channels on an upright A4 sheet.

    `span` are the days shown; by default all days with readings.
    """
    span = span or account.span
    entries, alarms = _within(account.entries, span), _within(account.alarms, span)
    with sheet.style():
        figure = sheet.blank()
        top = _heading(figure, account, span) - LEGEND_HEIGHT
        bottom = _list_marks(figure, account, entries, alarms) + DATES
        panels: list[Axes] = []
        for draw_strip in reversed(list(drift_panels.weather_strips(account.weather, span))):
            panels.append(sheet.panel(figure, sheet.LEFT, bottom, WIDTH, STRIP))
            draw_strip(panels[-1])
            bottom += STRIP + BETWEEN
        panels.append(sheet.panel(figure, sheet.LEFT, bottom, WIDTH, LANES))
        drift_panels.draw_lanes(panels[-1], entries, alarms, span)
        drift_panels.write_numbers(
            panels[-1], drift_panels.group_entries(entries, span, NEAR), span
        )
        bottom += LANES + BETWEEN
        share = (top - bottom) / len(account.channels)
        for number, channel in enumerate(account.channels, 1):
            base = top - number * share + BETWEEN
            panels.append(sheet.panel(figure, sheet.LEFT, base, WIDTH, share - CAPTION - BETWEEN))
            _draw_channel(panels[-1], account, channel, entries, span, spread=True)
            panels[-1].set_title(channel.name)
            panels[-1].set_title(_describe(channel.trend), loc="right", **FINDINGS)
        _legend(figure, [axes for axes in panels if axes.get_title("left")], top)
        for axes in panels:
            drift_panels.label_dates(axes, span, TICKS, labelled=axes is panels[0])
            axes.yaxis.set_label_coords(-LABEL / WIDTH, 0.5)
    return figure


def small(account: Account, channel: ChannelAccount, width: float, height: float) -> Figure:
    """Draw one channel alone, `width` by `height` mm.

    Journal entries keep their numbers in the account.
    """
    left, right, above, below, lane = 15.5, 12.0, 8.0, 6.0, 8.0
    span = account.span
    with sheet.style():
        figure = sheet.blank(width, height)
        wide = width - left - right
        lowest = sheet.panel(figure, left, below, wide, lane)
        drift_panels.draw_lanes(lowest, account.entries, account.alarms, span)
        drift_panels.write_numbers(
            lowest, drift_panels.group_entries(account.entries, span, NEAR_SMALL), span
        )
        base = below + lane + BETWEEN
        upper = sheet.panel(figure, left, base, wide, height - base - above)
        few = len(channel.days.day) <= MANY
        _draw_channel(upper, account, channel, account.entries, span, spread=few)
        for axes in (upper, lowest):
            drift_panels.label_dates(axes, span, TICKS_SMALL, labelled=axes is lowest)
        upper.yaxis.set_label_coords(-12.0 / wide, 0.5)
        sheet.legend_above(upper, 1.0, fontsize=6.5, **LEGEND)
    return figure


def _within(items: Sequence[E], span: Span) -> list[E]:
    return [item for item in items if span[0] <= item.day <= span[1]]


def _draw_channel(
    axes: Axes,
    account: Account,
    channel: ChannelAccount,
    entries: Sequence[JournalEntry],
    span: Span,
    *,
    spread: bool,
) -> None:
    drift_panels.draw_readings(axes, channel, account.limit, span, spread=spread)
    drift_panels.mark_work(axes, entries)
    drift_panels.mark_steps(axes, channel.trend.steps, span)


def _describe(trend: Trend) -> str:
    """Return level, slope and season as text."""
    words = [f"level {trend.level:.2f} at the end"]
    if trend.slope_per_year is not None:
        low, high = trend.slope_low, trend.slope_high
        words.append(f"{trend.slope_per_year:+.3f} a year ({low:+.3f} to {high:+.3f})")
    if trend.season_amplitude is not None:
        words.append(f"season ±{trend.season_amplitude:.2f}")
    else:
        words.append("season unknown so far")
    return ", ".join(words)


def _legend(figure: Figure, channels: Sequence[Axes], top: float) -> None:
    """Draw one legend for the marks of all channels, above the first panel."""
    marks = {
        label: handle
        for axes in channels
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)
    }
    figure.legend(
        marks.values(), marks.keys(),
        loc="lower left",
        bbox_to_anchor=(sheet.LEFT / sheet.WIDTH_MM, top / sheet.HEIGHT_MM),
        **LEGEND,
    )  # fmt: skip


def _heading(figure: Figure, account: Account, span: Span) -> float:
    """Write title and facts; return the upper edge for the panels, mm."""
    title = _short(account.station, TITLE_WRAP)
    sheet.write_title(figure, f"Drift at {title}")
    transmissions, days = 0, set[int]()
    for channel in account.channels:
        is_shown = (span[0] <= channel.days.day) & (channel.days.day <= span[1])
        transmissions += int(channel.days.transmissions[is_shown].sum())
        days |= set(channel.days.day[is_shown].tolist())
    facts = (
        f"{date(span[0])} to {date(span[1])}, UTC. {count(transmissions, 'transmission')} on"
        f" {count(len(days), 'day')}. Each point is a day's median, its bar one standard deviation"
        " either way. The heavy line is the level without the effects of season and weather,"
        " hatched within its 95 % interval; the fine line includes them. A wedge spans the days"
        " within which a step may have occurred; ticks at the top edge are repairs and adjustments."
    )
    return sheet.write_lines(figure, sheet.TITLE - 7, textwrap.wrap(facts, WRAP))


def _list_marks(
    figure: Figure, account: Account, entries: Sequence[JournalEntry], alarms: Sequence[Alarm]
) -> float:
    """List what the marks mean, at the foot; return the lower edge for the panels, mm."""
    lines = [
        f"{number}  {date(entry.day)} {entry.kind}: {entry.text}"
        for number, entry in enumerate(entries, 1)
    ]
    if len(lines) > MOST_LISTED:
        rest = len(lines) - MOST_LISTED + 1
        lines[MOST_LISTED - 1 :] = [f"… and {rest} more: `mismatchd journal list`"]
    if alarms:
        kinds = Counter(alarm.kind for alarm in alarms)
        lines.append("Alarms: " + ", ".join(f"{kind} {count}" for kind, count in kinds.items()))
    without_limit = [c for c in account.channels if not drift_panels.shows_limit(c, account.limit)]
    for side, is_above in (("Above", True), ("Below", False)):
        names = [c.name for c in without_limit if (c.trend.level > account.limit) is is_above]
        if names:
            limit = f"the limit of SWR {account.limit:g}"
            lines.append(f"{side} {limit} throughout: {', '.join(names)}.")
    short = (_short(line, LIST_WRAP) for line in reversed(lines))
    return sheet.write_lines(figure, FOOT, short, -LIST_LINE, fontsize=7.5, color=GREY) + 1


def _short(text: str, most: int) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"
