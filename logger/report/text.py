"""The report for a terminal: text, then a chart of months and a table."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import numpy as np

from logger.report.summary import Summary
from logger.report.words import sections
from logger.trend.account import Account, ChannelAccount

NARROWEST, WIDEST = 40, 100
HEIGHTS = "▁▂▃▄▅▆▇█"
LEAST_RANGE = 0.1  # SWR between the lowest and the highest block


def page(summary: Summary, account: Account, width: int) -> str:
    """Return the report, wrapped to `width` limited to NARROWEST..WIDEST."""
    width = limit_width(width)
    lines = [*wrap(f"Feedline at {summary.station}, {summary.generated_utc[:10]}", width), ""]
    lines += wrap(summary.sentence, width)
    for section in sections(summary):
        lines += ["", section.title]
        for line in section.lines:
            lines += wrap(line, width, "  ")
        for number, step in enumerate(section.steps, 1):
            lines += wrap(f"{number}. {step}", width, "  ")
    if account.channels:
        lines += ["", "Months (lowest to highest)", *_months(account, width)]
        lines += ["", *_table(summary, width)]
    return "\n".join(lines)


def limit_width(width: int) -> int:
    """Return the width of the report on a terminal of this width."""
    return min(max(width, NARROWEST), WIDEST)


def wrap(text: str, width: int, indent: str = "") -> list[str]:
    """Return the lines of a paragraph."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=indent + "  " if indent else "",
        break_on_hyphens=False,
    )


def _months(account: Account, width: int) -> Iterator[str]:
    """Yield a line of block characters per channel, one block per month, the latest last."""
    names = max(len(channel.name) for channel in account.channels)
    last = np.datetime64(account.span[1], "D").astype("M8[M]").astype(int)
    first = np.datetime64(account.span[0], "D").astype("M8[M]").astype(int)
    first = max(first, last - max(width - names - 18, 6))
    for channel in account.channels:
        values = _monthly(channel, int(first), int(last))
        finite = values[np.isfinite(values)]
        if not len(finite):
            continue
        low, high = float(finite.min()), float(finite.max())
        steps = (values - low) / max(high - low, LEAST_RANGE) * (len(HEIGHTS) - 1)
        blocks = "".join(HEIGHTS[round(step)] if np.isfinite(step) else " " for step in steps)
        yield f"  {channel.name:{names}} {blocks} {low:.2f} to {high:.2f}"


def _monthly(channel: ChannelAccount, first: int, last: int) -> np.ndarray:
    """Return the median of each month's daily values, NaN without any; (last - first + 1,)."""
    month = channel.days.day.astype("M8[D]").astype("M8[M]").astype(int)
    return np.array(
        [
            float(np.median(channel.days.swr[month == number]))
            if (month == number).any()
            else np.nan
            for number in range(first, last + 1)
        ]
    )


def _table(summary: Summary, width: int) -> Iterator[str]:
    """Yield the table of channels; wide terminals get more columns."""
    wide = width >= 72
    names = max(8, *(len(line.name) for line in summary.trend))
    head = f"  {'':{names}}  SWR   a year  "
    yield (head + ("95 %              season  " if wide else "") + "verdict").rstrip()
    for line in summary.trend:
        text = f"  {line.name:{names}} {line.level:5.2f} {_number(line.slope_per_year):>7}  "
        if wide:
            interval = (
                f"{_number(line.slope_low)} to {_number(line.slope_high)}"
                if line.slope_low is not None
                else "-"
            )
            season = "-" if line.season_amplitude is None else f"±{line.season_amplitude:.2f}"
            text += f"{interval:16}  {season:6}  "
        yield text + line.verdict


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:+.3f}"
