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


class Multiple(NamedTuple):
    """The days of one channel as paths: a line through days that follow each other, bars, dots.

    values    words of each day, as `write_panels` returns them
    text      those of the last day
    """

    name: str
    latest: str
    line: str
    bars: str
    dots: str
    values: str
    text: str


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

    def draw(channel: Days) -> Multiple:
        x = [f"{STEP * (int(day) - last_day + DAYS - 0.5):g}" for day in channel.day]
        heights = [y(swr) for swr in channel.swr]
        tops, bottoms = channel.swr + channel.spread, channel.swr - channel.spread
        follows = np.diff(channel.day, prepend=channel.day[0] - 2) == 1
        swrs = [swr_text(swr) for swr in channel.swr]
        numbers = channel.transmissions.tolist()
        places = list(zip(x, heights, strict=True))
        words = [
            f"{format_ns(day * DAY_NS)[:10]}: SWR {swr}, {count(number, 'transmission')}"
            for day, swr, number in zip(channel.day.tolist(), swrs, numbers, strict=True)
        ]
        return Multiple(
            place_name(channel.channel, channel.frequency_khz, channel.antenna, "unknown channel"),
            swrs[-1],
            "".join(
                f"{'L' if joined else 'M'}{at} {height:g}"
                for (at, height), joined in zip(places, follows, strict=True)
            ),
            "".join(
                f"M{at} {y(top):g}V{y(bottom):g}"
                for at, top, bottom in zip(x, tops, bottoms, strict=True)
                if top > bottom
            ),
            "".join(f"M{at} {height:g}h0" for at, height in places),
            "\n".join(
                [
                    f"0 0 {STEP * DAYS:g} {HEIGHT:g}",
                    *(
                        f"{at} {height:g} {text}"
                        for (at, height), text in zip(places, words, strict=True)
                    ),
                ]
            ),
            words[-1],
        )

    drawings = [draw(channel) for channel in shown]
    return Multiples(drawings, y(limit), len(used) - len(shown))
