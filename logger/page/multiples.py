"""SWR of the last days as small drawings, one a channel, all to one scale. Pure functions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from logger.daily import Days
from logger.live.figures import swr_text
from logger.page.reading import place
from logger.places import place_name
from logger.utc import DAY_NS, format_ns
from logger.wording import count

DAYS = 30
MOST = 8  # channels, the most used ones
STEP, HEIGHT = 10.0, 80.0  # of a day and of the scale, in units of the drawing


class Mark(NamedTuple):
    """A day on a drawing: place, ends of the bar of its spread, and text."""

    x: float
    y: float
    top: float
    bottom: float
    text: str


class Multiple(NamedTuple):
    """The days of one channel; `path` joins those that follow each other."""

    name: str
    latest: str
    marks: list[Mark]
    path: str


class Multiples(NamedTuple):
    """Drawings, the height of the alarm limit on all of them, and the channels left out."""

    drawings: list[Multiple]
    limit_y: float
    hidden: int


def draw_days(days: Sequence[Days], last_day: int, limit: float) -> Multiples:
    """Return drawings of the DAYS days up to `last_day`; the scale is linear in reflection."""
    used = sorted(days, key=lambda channel: -int(channel.transmissions.sum()))
    shown = sorted(used[:MOST], key=lambda channel: (channel.antenna or "", channel.channel or 0))
    highest = max([limit, *(float((channel.swr + channel.spread).max()) for channel in shown)])
    top = place(highest) * 1.05

    def y(swr: float) -> float:
        return round(HEIGHT * (1 - place(swr) / top), 1)

    drawings = []
    for channel in shown:
        marks = [
            Mark(
                round(STEP * (int(day) - last_day + DAYS - 0.5), 1),
                y(swr),
                y(swr + spread),
                y(swr - spread),
                f"{format_ns(int(day) * DAY_NS)[:10]}: SWR {swr_text(swr)},"
                f" {count(int(number), 'transmission')}",
            )
            for day, swr, spread, number in zip(
                channel.day, channel.swr, channel.spread, channel.transmissions, strict=True
            )
        ]
        follows = np.diff(channel.day, prepend=channel.day[0] - 2) == 1
        path = "".join(
            f"{'L' if joined else 'M'}{mark.x:g} {mark.y:g}"
            for mark, joined in zip(marks, follows, strict=True)
        )
        name = place_name(
            channel.channel, channel.frequency_khz, channel.antenna, "unknown channel"
        )
        drawings.append(Multiple(name, swr_text(float(channel.swr[-1])), marks, path))
    return Multiples(drawings, y(limit), len(used) - len(shown))
