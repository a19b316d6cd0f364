"""Account of a station's years: trend per channel, journal entries and alarms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from logger.daily import Days, Weather
from logger.places import with_antenna
from logger.rows import Alarm, Severity
from logger.trend.instrument import Instrument
from logger.trend.outcome import StationState, Trend
from logger.utc import DAY_NS, format_ns
from logger.wording import join


@dataclass(frozen=True)
class JournalEntry:
    """Entry of the journal."""

    time_ns: int
    kind: str
    text: str

    @property
    def day(self) -> int:
        return self.time_ns // DAY_NS


@dataclass(frozen=True)
class ChannelAccount:
    """Daily values of one antenna and channel (or frequency) and their trend.

    With verifications, the coupler's part (`instrument`) is taken out of both; without, it is not.
    """

    days: Days
    trend: Trend
    instrument: Instrument | None = None

    @property
    def name(self) -> str:
        return channel_name(self.days.channel, self.days.frequency_khz, self.days.antenna)


@dataclass(frozen=True)
class Account:
    """Account of a station: most used channel first, entries and alarms in order of time."""

    station: str
    limit: float  # SWR
    now_ns: int
    channels: tuple[ChannelAccount, ...]
    entries: tuple[JournalEntry, ...]
    alarms: tuple[Alarm, ...]
    weather: Weather | None
    state: StationState | None = None

    @property
    def open_alarms(self) -> list[Alarm]:
        """Open alarms: critical ones first, the latest first."""
        waiting = [alarm for alarm in self.alarms if alarm.cleared_ns is None]
        return sorted(
            waiting, key=lambda alarm: (alarm.severity != Severity.CRITICAL, -alarm.raised_ns)
        )

    @property
    def today(self) -> int:
        """The present day."""
        return self.now_ns // DAY_NS

    @property
    def span(self) -> tuple[int, int]:
        """First and last day with readings on any channel."""
        return (
            min(int(channel.days.day[0]) for channel in self.channels),
            max(int(channel.days.day[-1]) for channel in self.channels),
        )


def channel_name(
    channel: int | None, frequency_khz: float | None, antenna: str | None = None
) -> str:
    """Return the name of a channel or frequency, with the word `channel` before a number."""
    if channel is not None:
        name = f"channel {channel}"
    else:
        name = "" if frequency_khz is None else f"{frequency_khz / 1000:.3f} MHz"
    return with_antenna(name, antenna) or "all readings"


class OnChannel(Protocol):
    """Anything that is about one channel or frequency."""

    @property
    def channel(self) -> int | None: ...
    @property
    def frequency_khz(self) -> float | None: ...
    @property
    def antenna(self) -> str | None: ...


def name_channels(items: Sequence[OnChannel]) -> str:
    """Return the names of the channels or frequencies of some items as an enumeration."""
    names = []
    for antenna in dict.fromkeys(item.antenna for item in items):
        own = [item for item in items if item.antenna == antenna]
        numbers = [str(item.channel) for item in own if item.channel is not None]
        if 1 < len(own) == len(numbers):
            names.append(with_antenna(f"channels {join(numbers)}", antenna))
        else:
            names += [channel_name(item.channel, item.frequency_khz, antenna) for item in own]
    return join(names)


def date(day: int) -> str:
    """Return a day as an ISO date."""
    return format_ns(day * DAY_NS)[:10]
