"""One line of the feed: what the pairs since the line before come to. JSON, ended by a newline."""

from __future__ import annotations

import msgspec


class LiveReading(msgspec.Struct, frozen=True, kw_only=True):
    """Figures are None where there is nothing to tell; SWR also where the power is too low to read
    it.

    time                      UTC of the newest pair
    pairs                     how many it is of; 0 in a line that only says that the daemon lives
    keyed                     whether the key was down at any of them: then all is of these
    forward_w, reflected_w    mean powers, watts
    peak                      the highest incident power of a pair, watts
    swr, swr_low, swr_high    with the 95 % interval of what it is
    swr_noise_low, .._high    that of noise alone, for asking whether it changed
    channel                   as the bridge or the configuration tells
    alarms                    the kinds that are open
    """

    time: str | None = None
    pairs: int = 0
    keyed: bool = False
    forward_w: float | None = None
    reflected_w: float | None = None
    peak: float | None = None
    swr: float | None = None
    swr_low: float | None = None
    swr_high: float | None = None
    swr_noise_low: float | None = None
    swr_noise_high: float | None = None
    channel: int | None = None
    alarms: tuple[str, ...] = ()


def encode(reading: LiveReading) -> bytes:
    """The line of a reading."""
    return msgspec.json.encode(reading) + b"\n"


_DECODER = msgspec.json.Decoder(LiveReading)


def decode(line: bytes) -> LiveReading:
    """The reading of a line; members that are not known are ignored. Raises
    msgspec.DecodeError."""
    return _DECODER.decode(line)
