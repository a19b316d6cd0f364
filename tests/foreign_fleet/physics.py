"""What a station's coupler shows: antenna, outdoor plug, line, shack plug; chained impedances.

All impedances are complex ohms at the frequencies of the transmissions, MHz. Nothing here knows of
levels, steps or neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.foreign_fleet.weather import STEP_H, Floats, Weather

Complex = NDArray[np.complex128]

Z0 = 50.0
LIGHT_M_S = 299.792458e6
# Rounded figures of data sheets at 27 MHz: dB per 100 m, velocity factor.
CABLES = {
    "RG-58": (8.0, 0.66),
    "RG-8X": (5.4, 0.80),
    "RG-213": (3.4, 0.66),
    "RG-59": (6.3, 0.66),
}
DB_PER_NEPER = 20 / np.log(10)


@dataclass(frozen=True)
class Build:
    """How a station is built, and how weather and age reach each part."""

    cable: str
    length_m: float
    age_years: float  # of the cable, on the first day
    resistance_ohm: float
    q: float
    resonance_mhz: float
    shelter: float  # 1: the antenna is in the open, 0: no ice, little wind
    film: float  # how far a wet insulator lowers the resonance, relative
    film_dry_h: float
    leak: float  # what water the outdoor plug takes up, 0 to 1
    leak_dry_h: float
    soil: float  # relative change of the resistance from dry to wet ground
    shack_ohm: float  # of the plug at the radio, in series
    directivity: complex
    corrosion_ohm_per_year: float
    soaking_db_per_year: float


@dataclass(frozen=True)
class Change:
    """A lasting change of a part from an hour on, at full size after `ramp_h` hours."""

    hour: float
    ramp_h: float = 0.0
    series_ohm: float = 0.0  # at the outdoor plug
    resonance: float = 0.0  # relative
    resistance: float = 0.0  # relative
    shunt_s: complex = 0.0  # at the outdoor plug
    line_db: float = 0.0


@dataclass(frozen=True)
class Wetness:
    """Water on the insulator and in the outdoor plug, (steps,), 0 to 1."""

    film: Floats
    plug: Floats


def wetness(build: Build, weather: Weather, station: int) -> Wetness:
    """Return how wet the parts of a station are in each step."""
    rain, temperature = weather.rain_mm[:, station], weather.temperature_c[:, station]
    wind = weather.wind_m_s[:, station]
    drying = np.clip(0.3 + 0.03 * temperature + 0.04 * wind, 0.15, 2.0) * (rain <= 0)
    film, plug = np.empty(len(rain)), np.empty(len(rain))
    on_film = in_plug = 0.0
    for step in range(len(rain)):
        on_film += (1 - on_film) * (1 - np.exp(-rain[step] / 1.0))
        on_film *= np.exp(-STEP_H / build.film_dry_h * drying[step])
        driven = rain[step] * (0.5 + wind[step] / 8)  # by the wind, into the plug
        in_plug += (1 - in_plug) * (1 - np.exp(-driven / 9.0))
        in_plug *= np.exp(-STEP_H / build.leak_dry_h * drying[step])
        film[step], plug[step] = on_film, in_plug
    return Wetness(film, plug)


def reflection(
    build: Build,
    weather: Weather,
    wet: Wetness | None,
    station: int,
    hour: Floats,
    mhz: Floats,
    changes: list[Change],
    sway: Floats | float = 0.0,
) -> Complex:
    """Return the reflection at the coupler in transmissions (n,); dry and still if `wet` is None.

    sway  relative shift of the resonance by wind, (n,)
    """
    step = np.minimum((hour / STEP_H).astype(np.int64), len(weather.soil) - 1)
    film = plug = ice = np.zeros(len(hour))
    soil = np.full(len(hour), 0.5)
    if wet is not None:
        film, plug = wet.film[step], wet.plug[step]
        ice = weather.ice_mm[step, station] * build.shelter
        soil = weather.soil[step, station]
    years = hour / 24 / 365.25
    share = [np.clip((hour - c.hour) / max(c.ramp_h, 0.01), 0, 1) for c in changes]

    def changed(name: str) -> Complex:
        parts = [s * getattr(c, name) for s, c in zip(share, changes, strict=True)]
        return np.asarray(sum(parts, np.zeros(len(hour))), dtype=np.complex128)

    resonance = build.resonance_mhz * (
        1 - build.film * film - 0.0035 * ice + sway + changed("resonance").real
    )
    resistance = build.resistance_ohm * (
        1 + build.soil * (soil - 0.5) + 0.015 * ice + changed("resistance").real
    )
    load = resistance + 1j * build.resistance_ohm * build.q * (mhz / resonance - resonance / mhz)
    load = load + build.corrosion_ohm_per_year * years + changed("series_ohm")
    water = build.leak * plug * (0.9e-3 + 1j * 2 * np.pi * mhz * 1e6 * 11e-12)
    load = 1 / (1 / load + water + changed("shunt_s"))
    db_per_100m, velocity = CABLES[build.cable]
    loss_db: Floats = np.full(len(hour), db_per_100m * build.length_m / 100)
    loss_db = loss_db + build.soaking_db_per_year * years + changed("line_db").real
    turn = 2 * np.pi * mhz * 1e6 / (velocity * LIGHT_M_S) * build.length_m
    at_load = (load - Z0) / (load + Z0)
    at_radio = at_load * np.exp(-2 * (loss_db / DB_PER_NEPER + 1j * turn))
    impedance = Z0 * (1 + at_radio) / (1 - at_radio) + build.shack_ohm
    return np.asarray((impedance - Z0) / (impedance + Z0))


def shown_swr(gamma: Complex, directivity: complex) -> Floats:
    """Return the SWR that a coupler of some directivity shows, (n,)."""
    magnitude = np.minimum(np.abs(gamma + directivity), 0.97)
    return np.asarray((1 + magnitude) / (1 - magnitude))
