"""Bands by name: data, and what a user writes for one."""

from __future__ import annotations

import re
from typing import NamedTuple

_RANGE = re.compile(r"(\d+(?:\.\d+)?)\s*(?:-|to)\s*(\d+(?:\.\d+)?)(?:\s*MHz)?", re.IGNORECASE)


class Band(NamedTuple):
    """A band: its usual name, and its edges in MHz."""

    name: str
    low_mhz: float
    high_mhz: float


# Amateur bands: what is allocated in any of the three ITU regions, so that segments are the same
# everywhere (tests/references/bands.csv has each region). 11m holds the citizens bands.
BANDS = (
    Band("2200m", 0.1357, 0.1378),
    Band("630m", 0.472, 0.479),
    Band("160m", 1.8, 2.0),
    Band("80m", 3.5, 4.0),
    Band("60m", 5.3515, 5.3665),
    Band("40m", 7.0, 7.3),
    Band("30m", 10.1, 10.15),
    Band("20m", 14.0, 14.35),
    Band("17m", 18.068, 18.168),
    Band("15m", 21.0, 21.45),
    Band("12m", 24.89, 24.99),
    Band("11m", 26.96, 28.0),
    Band("10m", 28.0, 29.7),
    Band("6m", 50.0, 54.0),
    Band("2m", 144.0, 148.0),
    Band("1.25m", 220.0, 225.0),
    Band("70cm", 430.0, 440.0),
)


def band_at(mhz: float) -> Band | None:
    """Return the band of a frequency, None if it is in none."""
    return next((band for band in BANDS if band.low_mhz <= mhz <= band.high_mhz), None)


def parse_band(text: str) -> Band:
    """Return the band of a name such as `20m`, or of a range in MHz such as `26.9-27.5`.

    Raises ValueError.
    """
    name = text.replace(" ", "").lower()
    for band in BANDS:
        if band.name == name:
            return band
    match = _RANGE.fullmatch(text.strip())
    if match is None or float(match[1]) >= float(match[2]):
        names = ", ".join(band.name for band in BANDS)
        raise ValueError(f"{text!r} is no band; give one of {names}, or a range such as 26.9-27.5")
    return Band(text, float(match[1]), float(match[2]))
