"""Account of a station's years: trend per channel, journal entries and alarms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger.daily import Days, Weather
from logger.trend.outcome import Trend
from logger.trend.state_outcome import StationState
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
class Alarm:
    """State of an alarm."""

    id: int
    kind: str
    severity: str
    raised_ns: int
    cleared_ns: int | None
    acknowledged: bool
    channel: int | None
    detail: str

    @property
    def day(self) -> int:
        return self.raised_ns // DAY_NS


@dataclass(frozen=True)
class ChannelAccount:
    """Daily values of one channel (or frequency) and their trend."""

    days: Days
    trend: Trend

    @property
    def name(self) -> str:
        return channel_name(self.days.channel, self.days.frequency_khz)


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
    def span(self) -> tuple[int, int]:
        """First and last day with readings on any channel."""
        return (
            min(int(one.days.day[0]) for one in self.channels),
            max(int(one.days.day[-1]) for one in self.channels),
        )


def channel_name(channel: int | None, frequency_khz: float | None) -> str:
    """Return the name of a channel or frequency, with the word `channel` before a number."""
    if channel is not None:
        return f"channel {channel}"
    return "all readings" if frequency_khz is None else f"{frequency_khz / 1000:.3f} MHz"


def named(channels: Sequence[tuple[int | None, float | None]]) -> str:
    """Return the names of channels or frequencies (kHz) as an enumeration."""
    names = [channel_name(*one) for one in channels]
    if len(names) == 1:
        return names[0]
    if all(channel is not None for channel, _ in channels):
        names = [str(channel) for channel, _ in channels]
        return f"channels {join(names)}"
    return join(names)


def date(day: int) -> str:
    """Return a day as an ISO date."""
    return format_ns(day * DAY_NS)[:10]
