"""Places where readings can be compared: an antenna with a channel, or with a segment of a band.

SWR belongs to a frequency and an antenna. Where no channel is known, frequencies are grouped into
segments so narrow that an antenna reads about the same throughout, and so wide that somebody who
tunes around fills them. Pure functions; input: antenna, channel and frequency. Output: segments,
keys and names.
"""

from __future__ import annotations

import numpy as np

from logger.bands import BANDS
from logger.blocks import Floats

# Relative width of a segment. |Γ| of a resonant antenna changes by at most Q times this across it:
# with Q = 12, as a dipole of wire or a vertical may have, by 0.05.
SEGMENT = 0.004
_LOW, _HIGH = 1e3 * np.array([(band.low_mhz, band.high_mhz) for band in BANDS]).T
_SEGMENTS = np.ceil(np.log(_HIGH / _LOW) / SEGMENT)
_WIDTH = (_HIGH - _LOW) / _SEGMENTS


def segment_khz(frequency_khz: Floats) -> tuple[Floats, Floats]:
    """Return the lower and the upper edges of the segments of frequencies, kHz, (n,) each.

    NaN where the frequency is not known. Outside the bands, segments are equally wide on a
    logarithmic scale.
    """
    khz = np.asarray(frequency_khz, dtype=np.float64)
    khz = np.where(khz > 0, khz, np.nan)
    band = np.maximum(np.searchsorted(_LOW, khz, side="right") - 1, 0)
    band = np.where(np.isnan(khz), 0, band)
    number = np.minimum(np.floor((khz - _LOW[band]) / _WIDTH[band]), _SEGMENTS[band] - 1)
    low = _LOW[band] + number * _WIDTH[band]
    step = np.floor(np.log(khz) / SEGMENT)
    inside = (khz >= _LOW[band]) & (khz <= _HIGH[band])
    return (
        np.where(inside, low, np.exp(step * SEGMENT)),
        np.where(inside, low + _WIDTH[band], np.exp((step + 1) * SEGMENT)),
    )


def place_key(antenna: str | None, place: float) -> str:
    """Return the key of a place in memories: channel number or lower edge of a segment, kHz.

    It is empty if nothing is known; `place` is NaN if neither channel nor frequency is.
    """
    parts = [antenna or "", "" if np.isnan(place) else f"{place:g}"]
    return "/".join(filter(None, parts))


def place_name(
    channel: int | None, frequency_khz: float | None, antenna: str | None, nowhere: str
) -> str:
    """Return the name under which readings are compared; `nowhere` if nothing is known."""
    if channel is not None:
        name = f"channel {channel}"
    elif frequency_khz is None or not frequency_khz > 0:
        name = ""
    else:
        low, high = (float(edge) / 1e3 for edge in segment_khz(np.array(frequency_khz)))
        name = f"{low:.3f} to {high:.3f} MHz"
    return with_antenna(name, antenna) or nowhere


def with_antenna(name: str, antenna: str | None) -> str:
    """Return the name of a channel or frequency, which may be empty, with that of the antenna."""
    return name if antenna is None else f"{name} ({antenna})" if name else antenna
