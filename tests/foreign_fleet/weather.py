"""Weather of a region of 320 by 200 km, in steps of three hours.

Fronts come from the west, more often in winter, and cross the region in some hours; their rain is
patchy. Summer showers are local. Frost with rain or fog covers what is outdoors with ice, the more
the higher and the more exposed a station is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WIDTH_KM, HEIGHT_KM = 320.0, 200.0
STEP_H = 3
PER_DAY = 24 // STEP_H
YEAR_DAYS = 365.25


@dataclass(frozen=True)
class Weather:
    """Weather at each station, (steps, stations); `rain_mm` falls within the step."""

    temperature_c: Floats
    rain_mm: Floats
    wind_m_s: Floats
    ice_mm: Floats
    soil: Floats  # moisture, 0 to 1


def make_weather(
    rng: np.random.Generator, place_km: Floats, altitude_m: Floats, days: int, first_day: int
) -> Weather:
    """Return the weather of `days` at places (stations, 2), east and north.

    first_day  of the year, 0 is the first of January
    """
    steps, stations = days * PER_DAY, len(place_km)
    hour: Floats = np.arange(steps, dtype=np.float64) * STEP_H
    year = 2 * np.pi * (first_day + hour / 24) / YEAR_DAYS
    winter = (1 + np.cos(year - 0.3)) / 2  # 1 in the middle of January
    rain = np.zeros((steps, stations))
    wind = 3.0 + 2.0 * winter[:, None] + np.zeros((steps, stations))
    wind = wind * np.exp(0.3 * _slow(rng, steps, 18.0))[:, None]
    cloud = np.zeros((steps, stations))
    for day in range(-1, days):
        strength = float(winter[min(max(day, 0) * PER_DAY, steps - 1)])
        if rng.random() < 0.16 + 0.16 * strength:
            _add_front(rng, day * 24.0, hour, place_km, strength, rain, wind, cloud)
        if rng.random() < 0.25 * (1 - strength):
            _add_shower(rng, day * 24.0, hour, place_km, rain)
    clock = 2 * np.pi * (hour % 24 - 15) / 24
    regional = 9.0 - 9.5 * np.cos(year - 0.35) + 4.0 * _slow(rng, steps, 60.0)
    swing = (1.0 + 3.5 * (1 - winter)) * np.cos(clock)
    temperature = regional[:, None] + swing[:, None] * (1 - 0.6 * np.minimum(cloud, 1))
    temperature = temperature - 6.5e-3 * altitude_m + 0.6 * rng.standard_normal(stations)
    ice = _ice(rng, temperature, rain, wind, winter, altitude_m)
    soil = np.empty((steps, stations))
    moisture = np.full(stations, 0.5)
    for step in range(steps):
        thirst = 0.002 + 0.006 * np.maximum(temperature[step], 0) / 20
        moisture = np.clip(moisture + 0.012 * rain[step] - thirst * moisture, 0, 1)
        soil[step] = moisture
    return Weather(temperature, rain, wind, ice, soil)


def _add_front(
    rng: np.random.Generator,
    begin_h: float,
    hour: Floats,
    place_km: Floats,
    strength: float,
    rain: Floats,
    wind: Floats,
    cloud: Floats,
) -> None:
    heading = rng.normal(0.0, 0.45)  # from the west
    speed = rng.uniform(22, 60)  # km/h
    along = place_km @ np.array([np.cos(heading), np.sin(heading)])
    arrival = begin_h + rng.uniform(0, 24) + along / speed
    length = rng.uniform(3, 15) * np.exp(0.2 * rng.standard_normal())
    patch = np.zeros(len(place_km))
    for _ in range(10):
        direction, wavelength = rng.uniform(0, 2 * np.pi), rng.uniform(50, 350)
        wave = 2 * np.pi / wavelength * np.array([np.cos(direction), np.sin(direction)])
        patch += np.cos(place_km @ wave + rng.uniform(0, 2 * np.pi))
    patch /= np.sqrt(5)
    amount = np.maximum(patch + rng.uniform(-0.4, 1.6), 0.0)
    rate = 0.7 * np.exp(0.8 * rng.standard_normal())  # mm an hour
    position = (hour[:, None] - arrival) / length
    rain += STEP_H * rate * amount * np.where((position >= 0) & (position < 1), 1.0, 0.0)
    gust = rng.uniform(2, 7) * (0.6 + 0.6 * strength)
    wind += gust * np.exp(-0.5 * ((position - 0.3) / 0.7) ** 2)
    cloud += np.exp(-0.5 * (position / 1.5) ** 2)


def _add_shower(
    rng: np.random.Generator, begin_h: float, hour: Floats, place_km: Floats, rain: Floats
) -> None:
    centre = rng.uniform(0, 1, 2) * [WIDTH_KM, HEIGHT_KM]
    distance = np.hypot(*(place_km - centre).T)
    reach = rng.uniform(8, 35)
    at = begin_h + rng.uniform(12, 20)
    during = (hour >= at - STEP_H) & (hour < at)
    rain += np.outer(during, rng.gamma(1.5, 6.0) * np.exp(-0.5 * (distance / reach) ** 2))


def _ice(
    rng: np.random.Generator,
    temperature: Floats,
    rain: Floats,
    wind: Floats,
    winter: Floats,
    altitude_m: Floats,
) -> Floats:
    """Return the thickness of ice on a rod in the open, mm."""
    steps, stations = temperature.shape
    fog = (_slow(rng, steps, 30.0) > 1.1) & (winter > 0.5)
    height = 0.5 + altitude_m / 300
    ice, thickness = np.zeros((steps, stations)), np.zeros(stations)
    for step in range(steps):
        freezing = (temperature[step] > -6) & (temperature[step] < 0.6)
        gain = np.minimum(0.4 * rain[step], 2.0) + fog[step] * 0.10 * wind[step] / 5 * height
        shed = 0.02 + 0.004 * wind[step]  # by sun and wind, also in frost
        thaw = 1.2 * np.maximum(temperature[step] - 0.8, 0) + shed
        thickness = np.where(freezing, thickness + gain, thickness - thaw)
        thickness = np.clip(thickness, 0, 9)
        ice[step] = thickness
    return ice


def _slow(rng: np.random.Generator, steps: int, hours: float) -> Floats:
    """Return a stationary random course (steps,) of variance 1 that forgets within `hours`."""
    keep = np.exp(-STEP_H / hours)
    noise = rng.standard_normal(steps)
    course = np.empty(steps)
    value = noise[0]
    for step in range(steps):
        value = keep * value + np.sqrt(1 - keep**2) * noise[step]
        course[step] = value
    return course
