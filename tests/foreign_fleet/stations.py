"""Draws the stations of a fleet: how they are built, used, and fail; what each then reads."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.foreign_fleet.physics import (
    CABLES,
    Build,
    Change,
    Complex,
    reflection,
    shown_swr,
    wetness,
)
from tests.foreign_fleet.weather import (
    HEIGHT_KM,
    PER_DAY,
    STEP_H,
    WIDTH_KM,
    Floats,
    Weather,
    make_weather,
)

Integers = NDArray[np.int64]

FIRST_DAY = 20_089  # 2025-01-01
SOUTH_WEST = (53.2, 7.4)  # latitude and longitude of the region's corner
LEAST_CHANGE = 0.18  # SWR, of a fault, on some channel
MOST_CHANGE = 1.2
CHANNELS_MHZ = {n: 26.965 + 0.01 * (n - 1) for n in range(1, 41)}
WET_MM, ICED_MM, STORM_M_S = 2.0, 0.4, 13.0


@dataclass(frozen=True)
class Fault:
    """An own fault: hour of its onset since the start, kind, change of SWR by channel when dry."""

    hour: float
    kind: str
    sizes: dict[int, float]
    in_bad_weather: bool


@dataclass
class Station:
    """A station and its transmissions, (n,), by the station's own clock; and the truth."""

    latitude: float
    longitude: float
    place_km: tuple[float, float]
    build: Build
    clock_h: float  # by which its clock is ahead
    hour: Floats  # since the start of FIRST_DAY
    channel: Integers
    swr: Floats
    error: Floats  # standard deviation of the reading's noise
    power_w: Floats
    seconds: Floats
    excursions: Integers  # in each transmission
    faults: list[Fault]
    updated_h: list[float]  # when the changes that reach all stations reached it
    excursions_per_hour: float  # keyed, expected in this weather
    slope: dict[int, float]  # SWR a year of ageing by channel, the truth
    bad: NDArray[np.bool_] = field(repr=False)  # (steps,)

    def is_bad_weather(self, hour: float, around_h: float = 48.0) -> bool:
        """True if rain, ice or storm was there at about this hour by the station's clock."""
        first, last = (int((hour - self.clock_h + side) / STEP_H) for side in (-around_h, 0))
        return bool(self.bad[max(first, 0) : last + 1].any())

    @property
    def day(self) -> Integers:
        """UTC day of each transmission by its clock, from 1970-01-01."""
        return np.asarray(FIRST_DAY + np.floor(self.hour / 24).astype(np.int64))


@dataclass(frozen=True)
class Fleet:
    """Stations in one weather; `updates` are the hours of changes that reach all of them."""

    stations: list[Station]
    updates: list[float]
    days: int


def make_fleet(
    seed: int, stations: int = 200, days: int = 550, faults: float = 1.0, updates: int = 1
) -> Fleet:
    """Return a fleet; `faults` is the mean number of each station."""
    place_rng, weather_rng, update_rng = (
        np.random.default_rng([seed, 9_100, part]) for part in range(3)
    )
    place = place_rng.uniform(0, 1, (4096, 2)) * [WIDTH_KM, HEIGHT_KM]
    towns = place_rng.uniform(0, 1, (12, 2)) * [WIDTH_KM, HEIGHT_KM]
    town = place_rng.integers(0, 12, 4096)
    in_town = place_rng.random(4096) < 0.6
    near = towns[town] + place_rng.normal(0, 9, (4096, 2))
    place = np.clip(np.where(in_town[:, None], near, place), 0, [WIDTH_KM, HEIGHT_KM])[:stations]
    altitude = 20 + 280 * place_rng.beta(1.2, 4, 4096)[:stations]
    weather = make_weather(weather_rng, place, altitude, days, first_day=0)
    hours = np.sort(update_rng.uniform(200, days - 40, updates)) * 24
    scales = update_rng.choice([-1, 1], updates) * update_rng.uniform(0.10, 0.22, updates)
    made = [
        _station(np.random.default_rng([seed, 9_200, n]), n, place[n], weather, days, faults)
        for n in range(stations)
    ]
    for n, station in enumerate(made):
        _update(np.random.default_rng([seed, 9_300, n]), station, hours, scales)
    return Fleet(made, hours.tolist(), days)


def _station(
    rng: np.random.Generator,
    number: int,
    place_km: Floats,
    weather: Weather,
    days: int,
    faults: float,
) -> Station:
    build = _build(rng)
    channels = rng.choice(
        np.arange(1, 41), 1 + int(rng.choice(3, p=[0.45, 0.35, 0.2])), replace=False
    )
    clock_h = float(rng.uniform(-30, 30)) if rng.random() < 0.07 else 0.0
    hour, seconds, power = _use(rng, days)
    channel = rng.choice(channels, len(hour), p=_shares(rng, len(channels)))
    wet = wetness(build, weather, number)
    bad = _is_bad(weather, number)
    planned = _faults(rng, build, weather, number, channels, bad, days, faults)
    changes = [change for change, _ in planned]
    mhz = np.vectorize(CHANNELS_MHZ.get, otypes=[float])(channel)
    step = np.minimum((hour / STEP_H).astype(np.int64), len(bad) - 1)
    wind = weather.wind_m_s[step, number]
    sway = 4e-4 * build.shelter * (wind / 10) ** 2 * rng.standard_normal(len(hour))
    gamma = reflection(build, weather, wet, number, hour, mhz, changes, sway)
    error = 0.004 + 0.012 / np.sqrt(power * np.minimum(seconds, 20))
    swr = shown_swr(gamma, build.directivity)
    swr = np.maximum(swr + error * (swr - 0.8) * rng.standard_normal(len(hour)), 1.005)
    rate = float(np.exp(rng.normal(_usual_ln_rate(build), 0.9)))
    expected = rate * (1 + (wind / 12) ** 2) * seconds / 3600
    slope = {}
    for one in channels.tolist():
        ends = reflection(
            build, weather, None, number, np.array([0.0, 8766.0]),
            np.full(2, CHANNELS_MHZ[one]), [],
        )  # fmt: skip
        slope[one] = float(np.diff(shown_swr(ends, build.directivity))[0])
    return Station(
        SOUTH_WEST[0] + place_km[1] / 111.2,
        SOUTH_WEST[1] + place_km[0] / (111.2 * np.cos(np.radians(SOUTH_WEST[0]))),
        (float(place_km[0]), float(place_km[1])),
        build,
        clock_h,
        hour + clock_h,
        channel,
        swr,
        error * (swr - 0.8),
        power,
        seconds,
        rng.poisson(expected),
        [fault for _, fault in planned],
        [],
        float(expected.sum() / (seconds.sum() / 3600)),
        slope,
        bad,
    )


def _build(rng: np.random.Generator) -> Build:
    cable = str(rng.choice(list(CABLES), p=[0.45, 0.2, 0.25, 0.1]))
    age = float(rng.gamma(2.0, 5.0))
    angle = rng.uniform(0, 2 * np.pi)
    is_leaky = rng.random() < 0.45
    old = min(age / 20, 1.5)
    weak = {"RG-58": 1.3, "RG-59": 1.5, "RG-8X": 1.0, "RG-213": 0.5}[cable]
    return Build(
        cable=cable,
        length_m=float(rng.uniform(7, 38)),
        age_years=age,
        resistance_ohm=float(rng.uniform(32, 66)),
        q=float(rng.uniform(7, 15)),
        resonance_mhz=float(rng.normal(27.2, 0.22)),
        shelter=float(rng.choice([0.15, 0.6, 1.0], p=[0.3, 0.3, 0.4])),
        film=0.0016 * float(rng.gamma(1.5, 0.7)),
        film_dry_h=float(np.exp(rng.normal(np.log(7), 0.5))),
        leak=float(rng.beta(2, 2)) if is_leaky else 0.08 * float(rng.random()),
        leak_dry_h=float(np.exp(rng.normal(np.log(32), 0.7))),
        soil=float(rng.normal(0, 0.10)),
        shack_ohm=float(rng.exponential(0.5)),
        directivity=complex(10 ** (-rng.uniform(25, 36) / 20) * np.exp(1j * angle)),
        corrosion_ohm_per_year=weak * (0.3 + old) * float(rng.gamma(1.5, 0.5)),
        soaking_db_per_year=weak * old * 0.04 * float(rng.gamma(1.5, 0.8)),
    )


def _usual_ln_rate(build: Build) -> float:
    """Return the log of the excursions in a keyed hour that are usual for its cable and age."""
    cable = {"RG-58": 0.5, "RG-59": 0.9, "RG-8X": 0.0, "RG-213": -0.8}[build.cable]
    return float(np.log(0.5) + cable + 0.04 * build.age_years)


def _shares(rng: np.random.Generator, count: int) -> Floats:
    """Return how often each channel is used."""
    share = np.sort(rng.dirichlet(np.full(count, 2.0)))[::-1]
    return np.asarray(share / share.sum())


def _use(rng: np.random.Generator, days: int) -> tuple[Floats, Floats, Floats]:
    """Return hour, length (s) and power (W) of each transmission."""
    activity = rng.uniform(0.35, 0.97)
    active = rng.random(days) < activity
    for _ in range(rng.poisson(1.2 * days / 365)):  # away
        first = rng.integers(0, days)
        active[first : first + rng.integers(5, 25)] = False
    if rng.random() < 0.06:  # given up
        active[rng.integers(days // 2, days) :] = False
    if rng.random() < 0.06:  # joined later
        active[: rng.integers(0, days // 3)] = False
    count = np.where(active, 1 + rng.poisson(rng.gamma(2.0, 1.2), days), 0)
    day = np.repeat(np.arange(days), count)
    evening = rng.uniform(17, 21)
    of_day = np.where(
        rng.random(len(day)) < 0.7, rng.normal(evening, 1.5, len(day)), rng.uniform(7, 22, len(day))
    )
    order = np.argsort(day * 24 + np.clip(of_day, 0, 23.9), kind="stable")
    hour = (day * 24 + np.clip(of_day, 0, 23.9))[order]
    seconds = np.clip(np.exp(rng.normal(np.log(18), 0.8, len(day))), 3, 240)
    base = float(rng.choice([1.0, 4.0, 4.0, 10.0]))
    power = base * np.where(rng.random(len(day)) < 0.2, 0.5, 1.0)
    return hour, seconds, power


def _is_bad(weather: Weather, number: int) -> NDArray[np.bool_]:
    rain = weather.rain_mm[:, number]
    sums = np.convolve(rain, np.ones(PER_DAY))[: len(rain)]  # of the 24 hours before
    is_iced = weather.ice_mm[:, number] > ICED_MM
    return np.asarray((sums > WET_MM) | is_iced | (weather.wind_m_s[:, number] > STORM_M_S))


def _faults(
    rng: np.random.Generator,
    build: Build,
    weather: Weather,
    number: int,
    channels: Integers,
    bad: NDArray[np.bool_],
    days: int,
    mean: float,
) -> list[tuple[Change, Fault]]:
    """Return faults that begin at random, half of them in bad weather, 60 days apart or more."""
    planned: list[tuple[Change, Fault]] = []
    mhz = np.array([CHANNELS_MHZ[c] for c in channels.tolist()])
    for _ in range(rng.poisson(mean)):
        wanted = bool(rng.random() < 0.5)
        steps = np.flatnonzero(bad == wanted)
        steps = steps[(steps > 160 * PER_DAY) & (steps < (days - 45) * PER_DAY)]
        if not len(steps):
            continue
        hour = float(rng.choice(steps)) * STEP_H + rng.uniform(0, STEP_H)
        if any(abs(fault.hour - hour) < 60 * 24 for _, fault in planned):
            continue
        for _ in range(40):
            kind, change = _change(rng, hour)
            earlier = [other for other, _ in planned if other.hour < hour]

            def level(changes: list[Change], late_h: float) -> Complex:
                at = np.full(len(mhz), late_h)
                gamma = reflection(build, weather, None, number, at, mhz, changes)
                return np.asarray(shown_swr(gamma, build.directivity))

            late_h = hour + change.ramp_h + 1
            sizes = (level([*earlier, change], late_h) - level(earlier, late_h)).real
            if LEAST_CHANGE <= np.abs(sizes).max() <= MOST_CHANGE:
                by_channel = dict(zip(channels.tolist(), sizes.tolist(), strict=True))
                planned.append((change, Fault(hour, kind, by_channel, wanted)))
                break
    return sorted(planned, key=lambda pair: pair[0].hour)


def _change(rng: np.random.Generator, hour: float) -> tuple[str, Change]:
    """Return a fault: its kind, and what it changes."""
    size = float(np.exp(rng.normal(0, 0.6)))
    sign = float(rng.choice([-1, 1]))
    angle = rng.uniform(0, np.pi / 2)
    return [
        ("corroded plug", Change(hour, 6.0, series_ohm=8 * size)),
        ("slipped element", Change(hour, 0.0, resonance=sign * 0.006 * size)),
        ("broken radial", Change(hour, 0.0, resistance=sign * 0.2 * size)),
        ("water in the plug", Change(hour, 30.0, shunt_s=3e-3 * size * np.exp(1j * angle))),
        ("soaked line", Change(hour, 60.0, line_db=1.0 * size)),
    ][int(rng.integers(5))]


def _update(rng: np.random.Generator, station: Station, hours: Floats, scales: Floats) -> None:
    """Change what the station reads from some hours on, as another program's formula would."""
    for hour, scale in zip(hours.tolist(), scales.tolist(), strict=True):
        if rng.random() < 0.08:
            continue  # not updated
        at = hour + rng.uniform(0, 8) + station.clock_h
        factor = 1 + scale * rng.uniform(0.7, 1.3)
        rho = (station.swr - 1) / (station.swr + 1)
        rho = np.where(station.hour >= at, np.clip(rho * factor + 0.25 * abs(scale), 0, 0.95), rho)
        station.swr = (1 + rho) / (1 - rho)
        station.updated_h.append(at)
