"""One line of the feed: figures of the pairs since the previous line, as JSON and a newline."""

from __future__ import annotations

import msgspec


class LiveReading(msgspec.Struct, frozen=True, kw_only=True):
    """Figures of one line; None where not available. SWR is None if the power is too low.

    time                      UTC of the newest pair
    pairs                     number of pairs; 0 in a line that only shows that the daemon runs
    keyed                     key down at any pair; all figures are then of the keyed pairs
    forward_w, reflected_w    mean powers, watts
    peak                      highest incident power of a pair, watts
    swr, swr_low, swr_high    SWR with its 95 % interval
    swr_noise_low, .._high    interval from noise alone, for detecting a change
    channel                   as reported by the bridge or configured
    alarms                    kinds of the open alarms
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
    """Return the line of a reading."""
    return msgspec.json.encode(reading) + b"\n"


_DECODER = msgspec.json.Decoder(LiveReading)


def decode(line: bytes) -> LiveReading:
    """Return the reading of a line, ignoring unknown members. Raises msgspec.DecodeError."""
    return _DECODER.decode(line)
