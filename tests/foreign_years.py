"""Years of transmissions of an invented station, by formulas that the package does not use.

`make_years(seed)` returns the readings of a station on 1 to 5 channels of one antenna,
`make_five_bands(seed)` those of five bands with an antenna each. Both add the truth: steps,
repairs, slope, and the season of each channel by day. `write_store(store, history)` writes a
history into a store; `transmission_rows`, `weather_rows` and `journal_entries` are its parts.

    history = make_years(7, years=3, channels=3, slope=0.05, steps=2, weather=1.0)
    days = history.times_ns // 86_400_000_000_000    # history.channel, .swr, .noise_low, ...
    [(step.day, step.sizes) for step in history.truth.steps]   # SWR by which each channel moved
    with StoreWriter.open(path) as store: write_store(store, history)

All of the truth is in units of the SWR that a noiseless reading at the radio would show, so a
constant error of the coupler is part of it and does not appear anywhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from logger.rows import Flag, Transmission, WeatherRow
from logger.store.journal import Journal
from logger.utc import DAY_NS

if TYPE_CHECKING:
    from logger.store.writer import StoreWriter

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

HOUR_NS = DAY_NS // 24
YEAR_DAYS = 365.25
LEAST_SWR = 1.10  # the lowest that any channel is to reach by its steady part and its season
CB_LOW_KHZ, CB_STEP_KHZ, CB_CHANNELS = 26_965.0, 10.0, 40
BANDS_KHZ = (3_650.0, 7_100.0, 14_200.0, 21_200.0, 28_400.0)
CALIBRATION_ID = "invented"


@dataclass(frozen=True)
class Step:
    """An unannounced change of the station at `day` (fraction, since `History.start_ns`).

    `sizes` (channels,) in SWR, 0 for channels that do not take part. `kind` is "line" (alike on all
    channels of the antenna) or "detuned" (its resonance moved). `antenna` is None for all antennas.
    """

    day: float
    sizes: Floats
    kind: str
    antenna: int | None = None


@dataclass(frozen=True)
class Repair:
    """Announced work at `day` that undoes the steps since the last; `sizes` as those of a step."""

    day: float
    sizes: Floats
    text: str


@dataclass(frozen=True)
class Truth:
    """How the station really was.

    slope    (channels,) SWR a year, growth of vegetation included
    steady   (days, channels) at noon, without season, weather and noise
    season   (days, channels) what the season adds at noon; its mean need not be 0
    ice      (first day, last day) of each episode of ice on the antenna
    """

    steps: list[Step]
    repairs: list[Repair]
    slope: Floats
    steady: Floats
    season: Floats
    ice: list[tuple[float, float]]


@dataclass(frozen=True)
class History:
    """Transmissions in the order of their start, (n,) each, and what happened meanwhile.

    `channel` counts channels of the history from 0; `names` are their numbers at the radio, None
    for bands. SWR and its bounds are nan where the power was too low to read it. `low..high` is the
    95 % interval of what the SWR is, `noise_low..noise_high` that of noise alone. `quiet` (n,) is
    the SWR without weather and noise.
    """

    seed: int
    start_ns: int
    days: int
    names: tuple[int | None, ...]
    frequencies_khz: Floats
    times_ns: Integers
    duration_s: Floats
    channel: Integers
    forward_w: Floats
    reflected_w: Floats
    swr: Floats
    low: Floats
    high: Floats
    noise_low: Floats
    noise_high: Floats
    quiet: Floats
    weather: Weather
    truth: Truth

    def day_of(self, time_ns: int) -> float:
        """Days since the start."""
        return (time_ns - self.start_ns) / DAY_NS

    def time_ns(self, day: float) -> int:
        """UTC of a day of the history."""
        return self.start_ns + round(day * DAY_NS)


@dataclass(frozen=True)
class Weather:
    """Weather by the hour, (hours,) each. `wetness` is 0 to about 1, `ice` in SWR."""

    temperature_c: Floats
    rain_mm: Floats
    wind_m_s: Floats
    wetness: Floats
    ice: Floats
    ice_days: list[tuple[float, float]]


@dataclass(frozen=True)
class _Antennas:
    """Antennas behind their lines; each dips in reflection around its resonance.

    The reflected share at the antenna is `1 - depth / (1 + u^2) ** sharpness` where u is the
    distance to resonance in half bandwidths, bent so that the far side is steeper. Arrays are
    (channels,); `antenna` numbers the one that serves a channel.
    """

    antenna: Integers
    frequency_khz: Floats
    resonance_khz: Floats
    half_width_khz: Floats
    depth: Floats
    sharpness: Floats
    bend: Floats
    line_db: Floats
    offset: Floats

    def swr(self, channel: Integers, moved: Floats) -> Floats:
        """SWR at the radio with the resonance moved by so many half bandwidths."""
        width = self.half_width_khz[channel]
        u = (self.frequency_khz - self.resonance_khz)[channel] / width - moved
        u = u + self.bend[channel] * u * np.abs(u) / (1 + np.abs(u))
        share = 1 - self.depth[channel] / (1 + u * u) ** self.sharpness[channel]
        share = share * 10 ** (-self.line_db[channel] / 5)  # there and back, of power
        root = np.sqrt(share)
        return (1 + root) / (1 - root) + self.offset[channel]


def make_years(
    seed: int,
    *,
    years: float = 3,
    channels: int = 3,
    slope: float | None = None,
    steps: int | Sequence[tuple[float, float]] | None = None,
    repairs: bool = True,
    weather: float = 1.0,
    season: float = 1.0,
    growth: float | None = None,
    per_day: float | None = None,
    start: str = "2021-03-05",
) -> History:
    """Return a station with one antenna on 1 to 5 channels. What is None is drawn by chance.

    slope    SWR a year, the same on all channels but for a third
    steps    how many, or (day, size of the channel that moves most) for each
    repairs  False: nobody ever repairs anything
    weather, season  factors; 0 leaves only the noise of readings, or no season
    growth   by which share of their first year leaves matter more every year
    per_day  transmissions a day on average
    """
    rng = np.random.default_rng([seed, channels, 1])
    spacing = CB_CHANNELS // channels
    first = int(rng.integers(1, spacing + 1)) if channels > 1 else int(rng.integers(1, 41))
    numbers = np.array([first + spacing * i for i in range(channels)])
    frequency = CB_LOW_KHZ + CB_STEP_KHZ * (numbers - 1)
    width = rng.uniform(350, 900)
    antennas = _Antennas(
        antenna=np.zeros(channels, dtype=np.int64),
        frequency_khz=frequency,
        resonance_khz=np.full(channels, rng.uniform(26_900, 27_450)),
        half_width_khz=np.full(channels, width),
        depth=np.full(channels, rng.uniform(0.955, 0.998)),
        sharpness=np.full(channels, rng.uniform(0.8, 1.2)),
        bend=np.full(channels, rng.uniform(-0.25, 0.25)),
        line_db=np.full(channels, rng.uniform(0.3, 2.0)),
        offset=np.zeros(channels),
    )
    names = tuple(int(number) for number in numbers)
    settings = _Settings(years, slope, steps, repairs, weather, season, growth, per_day, start)
    return _live_through(rng, seed, names, antennas, settings)


def make_five_bands(
    seed: int,
    *,
    years: float = 3,
    slope: float | None = None,
    steps: int | Sequence[tuple[float, float]] | None = None,
    repairs: bool = True,
    weather: float = 1.0,
    season: float = 1.0,
    growth: float | None = None,
    per_day: float | None = None,
    start: str = "2021-03-05",
) -> History:
    """Return a station on five bands with an antenna each; arguments as in `make_years`.

    Three steps in four concern a single antenna, the others the line that all share. Slope, season
    and wetness of an antenna have nothing to do with those of another.
    """
    rng = np.random.default_rng([seed, 5, 2])
    frequency = np.array(BANDS_KHZ)
    width = frequency * rng.uniform(0.012, 0.03, 5)
    antennas = _Antennas(
        antenna=np.arange(5),
        frequency_khz=frequency,
        resonance_khz=frequency + width * rng.uniform(-0.5, 0.5, 5),
        half_width_khz=width,
        depth=rng.uniform(0.94, 0.998, 5),
        sharpness=rng.uniform(0.8, 1.2, 5),
        bend=rng.uniform(-0.25, 0.25, 5),
        line_db=rng.uniform(0.2, 0.6) * np.sqrt(frequency / 3_650),
        offset=np.zeros(5),
    )
    names = (None,) * 5
    settings = _Settings(years, slope, steps, repairs, weather, season, growth, per_day, start)
    return _live_through(rng, seed, names, antennas, settings)


@dataclass(frozen=True)
class _Settings:
    years: float
    slope: float | None
    steps: int | Sequence[tuple[float, float]] | None
    repairs: bool
    weather: float
    season: float
    growth: float | None
    per_day: float | None
    start: str


def _live_through(
    rng: np.random.Generator,
    seed: int,
    names: tuple[int | None, ...],
    antennas: _Antennas,
    settings: _Settings,
) -> History:
    days = round(settings.years * YEAR_DAYS)
    start_ns = int(np.datetime64(settings.start, "ns").astype(np.int64))
    new_year = np.datetime64(settings.start, "Y").astype("datetime64[D]")
    first_day = int((np.datetime64(settings.start, "D") - new_year).astype(np.int64))
    channels = len(names)
    noon = np.arange(days) + 0.5

    season = _Season.draw(rng, antennas.antenna, settings, first_day, days)
    injected = _draw_slope(rng, antennas.antenna, settings.slope)
    events = _draw_events(rng, antennas, settings, days)
    every = np.arange(channels)
    level = events.level(np.repeat(noon, channels), np.tile(every, days), antennas)
    steady = level.reshape(days, channels) + np.outer(noon / YEAR_DAYS, injected)
    seasons = np.stack([season.at(noon, np.full(days, c)) for c in every], axis=1)
    # Bad matching to begin with, lest a falling SWR end at 1.
    short = np.maximum(LEAST_SWR - (steady + seasons).min(axis=0), 0)
    antennas, steady = replace(antennas, offset=short), steady + short

    sky = _draw_weather(rng, days, first_day)
    day, channel = _draw_use(rng, days, channels, settings.per_day)
    n = len(day)
    moved = events.moved(day, channel)
    quiet = (
        events.level(day, channel, antennas)
        + injected[channel] * day / YEAR_DAYS
        + season.at(day, channel)
    )
    weathered = _weather_effect(rng, antennas, sky, moved, day, channel)
    real = _bent_floor(quiet + settings.weather * weathered)

    low_power = rng.random(n) < 0.08
    nominal = rng.choice([4.0, 10.0, 50.0, 95.0], p=[0.7, 0.1, 0.1, 0.1])
    forward = nominal * (1 - 0.03 * (real - 1.3)) * np.exp(0.02 * rng.standard_normal(n))
    forward *= np.where(low_power, 10 ** rng.uniform(-1.6, -0.3, n), 1)
    duration = np.clip(np.exp(rng.normal(np.log(25), 0.9, n)), 1.5, 600)
    # The converter's noise and, which no interval covers, that of people, wind and contacts.
    reading = np.hypot(0.0006 * np.sqrt(nominal / forward) / np.sqrt(duration / 10), 2e-4)
    rho = (real - 1) / (real + 1) + reading * rng.standard_normal(n)
    gust = np.interp(day * 24, np.arange(len(sky.wind_m_s)), sky.wind_m_s) / 10
    unrest = settings.weather * rng.uniform(0.0015, 0.005) * (0.5 + gust**2)
    rho = np.clip(rho + unrest * rng.standard_t(3, n), 0.001, 0.95)
    directivity = rng.uniform(0.012, 0.05)
    swr, readable = (1 + rho) / (1 - rho), forward > 0.06 * nominal

    def shown(change: Floats | float) -> Floats:
        bound = np.clip(rho + change, 0, 0.98)
        return np.where(readable, (1 + bound) / (1 - bound), np.nan)

    return History(
        seed=seed,
        start_ns=start_ns,
        days=days,
        names=names,
        frequencies_khz=antennas.frequency_khz,
        times_ns=start_ns + np.round(day * (DAY_NS / 1000)).astype(np.int64) * 1000,
        duration_s=duration,
        channel=channel,
        forward_w=forward,
        reflected_w=forward * rho**2,
        swr=np.where(readable, swr, np.nan),
        low=shown(-directivity - 2 * reading),
        high=shown(directivity + 2 * reading),
        noise_low=shown(-2 * reading),
        noise_high=shown(2 * reading),
        quiet=quiet,
        weather=sky,
        truth=Truth(
            steps=events.steps,
            repairs=events.repairs,
            slope=injected + season.growing(),
            steady=steady,
            season=seasons - np.outer(noon / YEAR_DAYS, season.growing()),
            ice=sky.ice_days,
        ),
    )


def _bent_floor(swr: Floats) -> Floats:
    """SWR that approaches 1 instead of passing it."""
    return 1.005 + 0.01 * np.logaddexp(0, (swr - 1.005) / 0.01)


# --- slow: slope and season


def _draw_slope(rng: np.random.Generator, antenna: Integers, slope: float | None) -> Floats:
    """SWR a year for each channel; antennas of their own differ if the slope is drawn."""
    antennas = int(antenna.max()) + 1
    drawn = np.where(
        rng.random(antennas) < 0.35,
        0.0,
        rng.choice([-1, 1], antennas) * np.exp(rng.uniform(np.log(0.02), np.log(0.2), antennas)),
    )
    common = drawn if slope is None else np.full(antennas, slope)
    return common[antenna] * rng.uniform(0.85, 1.15, len(antenna))


@dataclass(frozen=True)
class _Season:
    """A year that is no sine: two harmonics, one of them clipped by an exponential, and leaves.

    Arrays are (channels,), phases in turns. `vigour` (years + 2,) is how strong a year is.
    """

    first_day: int
    annual: Floats
    annual_phase: Floats
    peaked: Floats
    half: Floats
    half_phase: Floats
    leaves: Floats
    growth: float
    vigour: Floats
    spring: float
    autumn: float

    @classmethod
    def draw(
        cls,
        rng: np.random.Generator,
        antenna: Integers,
        settings: _Settings,
        first_day: int,
        days: int,
    ) -> _Season:
        """Draw one; channels of an antenna resemble each other, phases differ by some weeks."""
        n, antennas = len(antenna), int(antenna.max()) + 1
        factor = settings.season * np.exp(0.25 * rng.standard_normal(n))
        growth = rng.uniform(0, 0.12) if settings.growth is None else settings.growth
        return cls(
            first_day=first_day,
            annual=factor * rng.choice([-1, 1]) * rng.uniform(0.01, 0.10, antennas)[antenna],
            annual_phase=rng.uniform(0, 1, antennas)[antenna] + rng.normal(0, 0.07, n),
            peaked=rng.uniform(0.2, 2.0, antennas)[antenna],
            half=factor * rng.uniform(0.0, 0.035, antennas)[antenna],
            half_phase=rng.uniform(0, 1, antennas)[antenna] + rng.normal(0, 0.1, n),
            leaves=factor * rng.choice([0, 0.02, 0.06], antennas)[antenna],
            growth=growth,
            vigour=np.exp(0.12 * rng.standard_normal(days // 365 + 3)),
            spring=rng.uniform(95, 130),
            autumn=rng.uniform(285, 315),
        )

    def at(self, day: Floats, channel: Integers) -> Floats:
        """SWR that the season adds, (n,) for days since the start."""
        date = day + self.first_day
        turn = date / YEAR_DAYS
        wave = 2 * np.pi * (turn - self.annual_phase[channel])
        peaked = self.peaked[channel]
        # Steep when rising, slow when falling: the phase itself runs unevenly.
        skewed = np.cos(wave + 0.5 * np.sin(wave))
        annual = (np.exp(peaked * skewed) - np.exp(-peaked)) / (2 * np.sinh(peaked)) - 0.5
        half = np.cos(4 * np.pi * (turn - self.half_phase[channel]))
        vigour = np.interp(turn, np.arange(len(self.vigour)) + 0.5, self.vigour)
        return (
            2 * self.annual[channel] * vigour * annual
            + self.half[channel] * half
            + self.leaves[channel] * (1 + self.growth * day / YEAR_DAYS) * self._foliage(date)
        )

    def _foliage(self, date: Floats) -> Floats:
        date = np.mod(date, YEAR_DAYS)
        return 1 / (1 + np.exp((self.spring - date) / 7)) / (1 + np.exp((date - self.autumn) / 10))

    def growing(self) -> Floats:
        """SWR a year by which growth raises the mean of a channel."""
        return self.leaves * self.growth * float(self._foliage(np.arange(365.0)).mean())


# --- sudden: steps and repairs


@dataclass(frozen=True)
class _Events:
    """Steps and repairs as jumps of two states: SWR added, and resonance moved (half widths).

    `when` (events + 1,) in days, the first is before all; `added`, `shift` (events + 1, channels).
    """

    steps: list[Step]
    repairs: list[Repair]
    when: Floats
    added: Floats
    shift: Floats

    def moved(self, day: Floats, channel: Integers) -> Floats:
        """By how many half widths the resonance has moved."""
        return self.shift[self._state(day), channel]

    def level(self, day: Floats, channel: Integers, antennas: _Antennas) -> Floats:
        """SWR by antenna, steps and repairs alone."""
        state = self._state(day)
        return antennas.swr(channel, self.shift[state, channel]) + self.added[state, channel]

    def _state(self, day: Floats) -> Integers:
        return np.searchsorted(self.when, day, side="right") - 1


def _draw_events(
    rng: np.random.Generator, antennas: _Antennas, settings: _Settings, days: int
) -> _Events:
    plan = _plan_steps(rng, settings.steps, days)
    channels = len(antennas.antenna)
    every = np.arange(channels)
    residue = np.zeros(channels)  # what repairs did not quite restore
    added, shift = np.zeros(channels), np.zeros(channels)
    states = [(-np.inf, added, shift)]
    steps: list[Step] = []
    repairs: list[Repair] = []
    several = len(set(antennas.antenna.tolist())) > 1
    for number, (day, size) in enumerate(plan):
        before = antennas.swr(every, shift) + added
        only = int(rng.integers(channels)) if several and rng.random() < 0.75 else None
        taking_part = every >= 0 if only is None else every == only
        moves = None
        if rng.random() < 0.5 and not (several and only is None):
            moves = _detune(rng, antennas, shift, taking_part, abs(size), np.sign(size))
        kind = "line" if moves is None else "detuned"
        if moves is None:
            alike = rng.uniform(0.7, 1.0, channels) if several else rng.uniform(0.9, 1.0, channels)
            alike /= alike[taking_part].max()
            added = added + np.where(taking_part, size * alike, 0)
        else:
            shift = shift + np.where(taking_part, moves, 0)
        after = antennas.swr(every, shift) + added
        states.append((day, added, shift))
        steps.append(Step(day, after - before, kind, only))

        until = plan[number + 1][0] if number + 1 < len(plan) else float(days)
        wait = rng.exponential(90) + 3
        if settings.repairs and rng.random() < 0.45 and day + wait < until - 5:
            residue = residue + rng.normal(0, 0.008, channels) * (added - residue != 0)
            added, shift = residue, np.zeros(channels)
            restored = antennas.swr(every, shift) + added
            states.append((day + wait, added, shift))
            repairs.append(Repair(day + wait, restored - after, "plug at the mast replaced"))
    when, adds, shifts = zip(*states, strict=True)
    return _Events(steps, repairs, np.array(when), np.array(adds), np.array(shifts))


def _plan_steps(
    rng: np.random.Generator, steps: int | Sequence[tuple[float, float]] | None, days: int
) -> list[tuple[float, float]]:
    """Days and sizes; two in five come soon after the one before, mostly the other way."""
    if steps is not None and not isinstance(steps, int):
        return sorted((float(day), float(size)) for day, size in steps)
    number = int(rng.choice(6, p=[0.3, 0.25, 0.2, 0.1, 0.1, 0.05])) if steps is None else steps
    anew = np.sort(rng.uniform(20, days - 20, number))
    plan: list[tuple[float, float]] = []
    for day in anew:
        size = rng.uniform(0.1, 0.5) * rng.choice([-1, 1])
        if plan and rng.random() < 0.4:
            soon = plan[-1][0] + rng.uniform(8, 70)
            if soon < days - 10:
                day = soon
                size = -np.copysign(size, plan[-1][1]) if rng.random() < 0.7 else size
        if plan and day < plan[-1][0] + 4:
            day = min(plan[-1][0] + 4 + rng.exponential(15), days - 1.5)
        plan.append((float(day), float(size)))
    return sorted(plan)


def _detune(
    rng: np.random.Generator,
    antennas: _Antennas,
    shift: Floats,
    taking_part: NDArray[np.bool_],
    size: float,
    sign: float,
) -> float | None:
    """Return the least move of the resonance whose greatest effect is `size`, of that sign.

    None where no move of up to two half widths does it.
    """
    channel = np.flatnonzero(taking_part)
    moves = np.linspace(0, 2, 401)[1:]
    found: list[float] = []
    for direction in (-1, 1):
        grid = np.tile(channel, len(moves))
        to = np.repeat(direction * moves, len(channel)) + np.tile(shift[channel], len(moves))
        change = antennas.swr(grid, to).reshape(len(moves), -1)
        change = change - antennas.swr(channel, shift[channel])
        largest = change[np.arange(len(moves)), np.abs(change).argmax(axis=1)]
        enough = np.flatnonzero((largest * sign >= size) & (largest * sign < size + 0.1))
        if len(enough):
            found.append(float(direction * moves[enough[0]]))
    return float(rng.choice(found)) if found else None


# --- weather


def _draw_weather(rng: np.random.Generator, days: int, first_day: int) -> Weather:
    hours = days * 24 + 48
    clock = np.arange(hours) / 24
    yearly = np.cos(2 * np.pi * (clock + first_day - 200) / YEAR_DAYS)
    daily = np.cos(2 * np.pi * (clock - 0.62))
    # Fronts: a damped oscillation of some days driven by shocks with heavy tails.
    days_round, damping = rng.uniform(4, 9), rng.uniform(0.990, 0.996)
    turn = 2 * damping * np.cos(2 * np.pi / (24 * days_round))
    fronts = lfilter([1.0], [1, -turn, damping**2], rng.standard_t(3.5, hours))
    fronts = fronts / np.std(fronts)
    temperature = rng.uniform(6, 13) + 9 * yearly + 3.5 * daily * (1 + 0.3 * yearly) + 3 * fronts

    rain, wind = np.zeros(hours), np.abs(3 + 1.5 * fronts + 0.8 * rng.standard_normal(hours))
    wetness = np.zeros(hours)
    for begin in np.cumsum(rng.exponential(rng.uniform(70, 140), hours // 60)).astype(int):
        if begin >= hours - 2:
            break
        lasting = 1 + int(rng.gamma(1.2, 5))
        amount = rng.pareto(2.2) * 5 + 0.3
        shower = slice(begin, begin + lasting)
        rain[shower] += amount / lasting
        # Days to dry, at random: sun and wind after one, fog after another.
        drying_h = 24 * np.exp(rng.normal(np.log(1.2), 0.7))
        tail = np.arange(min(hours - begin, int(8 * drying_h) + lasting))
        rise = np.minimum((tail + 1) / lasting, 1)
        soaked = (1 - np.exp(-amount / 7)) * rise
        soaked = soaked * np.exp(-np.maximum(tail - lasting, 0) / drying_h)
        wetness[begin : begin + len(tail)] = np.hypot(wetness[begin : begin + len(tail)], soaked)
        if rng.random() < 0.08:
            storm = slice(begin, begin + int(rng.uniform(6, 40)))
            wind[storm] += rng.uniform(6, 16)
    ice, ice_days = np.zeros(hours), []
    for _ in range(rng.poisson(1.5 * days / YEAR_DAYS)):
        year = rng.integers(0, days // 365 + 2)
        begin = int(24 * (year * YEAR_DAYS - first_day + rng.normal(10, 25)))
        growing, lasting = int(rng.uniform(4, 20)), int(rng.uniform(8, 120))
        end = begin + growing + lasting
        if begin < 0 or end + 3 > days * 24:
            continue
        shape = np.minimum(np.arange(growing + lasting) / growing, 1)
        shape[-3:] *= [0.8, 0.4, 0.1]
        ice[begin:end] += shape * rng.gamma(2.5, 0.18)
        temperature[begin:end] = np.minimum(temperature[begin:end], rng.normal(-1, 0.5))
        ice_days.append((begin / 24, end / 24))
    return Weather(temperature, rain, wind, wetness, ice, sorted(ice_days))


def _weather_effect(
    rng: np.random.Generator,
    antennas: _Antennas,
    sky: Weather,
    moved: Floats,
    day: Floats,
    channel: Integers,
) -> Floats:
    """SWR that weather adds to each transmission."""
    antenna, n = antennas.antenna, int(antennas.antenna.max()) + 1
    hour = day * 24
    grid = np.arange(len(sky.rain_mm))
    wet, cold, ice = (
        np.interp(hour, grid, values)
        for values in (sky.wetness, sky.temperature_c - sky.temperature_c.mean(), sky.ice)
    )
    of = antenna[channel]
    # Wet and cold move the resonance, so channels on its two sides part.
    move = -rng.uniform(0, 0.06, n)[of] * wet + rng.normal(0, 0.0012, n)[of] * cold
    detuned = antennas.swr(channel, moved + move) - antennas.swr(channel, moved)
    absorbed = rng.uniform(-0.02, 0.05, n)[of] * wet
    # Something else that lasts for days and is not written down anywhere, by antenna and channel.
    unknown = np.zeros(len(day))
    for share, count, key in ((0.012, n, of), (0.006, len(antenna), channel)):
        memory = np.exp(-1 / (24 * rng.uniform(0.5, 8, count)))
        for i in range(count):
            shocks = rng.standard_t(3, len(grid)) * np.sqrt((1 - memory[i] ** 2) / 3)
            course = lfilter([1.0], [1, -memory[i]], shocks)
            unknown += np.where(key == i, share * np.interp(hour, grid, course), 0)
    iced = ice * (0.6 + 0.8 * rng.random(len(antenna)))[channel]
    return detuned + absorbed + unknown + iced


# --- use


def _draw_use(
    rng: np.random.Generator, days: int, channels: int, per_day: float | None
) -> tuple[Floats, Integers]:
    """Start of each transmission in days, in order, and its channel."""
    mean = np.exp(rng.uniform(np.log(2.5), np.log(9))) if per_day is None else per_day
    idle = rng.uniform(0.1, 0.5)
    weekday = np.arange(days) % 7
    rate = mean / (1 - idle) * np.where(weekday >= 5, 1.6, 0.76)
    rate = rate * rng.gamma(0.9, 1 / 0.9, days) * (rng.random(days) >= idle)
    for _ in range(rng.poisson(1.6 * days / YEAR_DAYS)):  # holidays
        begin = int(rng.integers(0, days))
        rate[begin : begin + int(rng.uniform(6, 40))] = 0
    count = np.minimum(rng.poisson(rate), 60)
    of_day = np.repeat(np.arange(days), count)
    evening = rng.random(len(of_day)) < 0.65
    hour = np.where(evening, rng.normal(19.5, 1.6, len(of_day)), rng.normal(11, 2.5, len(of_day)))
    start = np.unique(np.round(of_day * 86_400 + np.clip(hour, 0, 23.9) * 3600, 3))
    start = start[np.diff(start, prepend=-1e9) > 605]  # they do not overlap
    liking = rng.dirichlet(np.full(channels, 1.8)) + 0.05
    # A conversation stays on its channel for some overs.
    n = len(start)
    other = rng.choice(channels, n, p=liking / liking.sum())
    fresh = np.flatnonzero((rng.random(n) < 0.4) | (np.diff(start, prepend=-1e9) > 7200))
    since = fresh[np.searchsorted(fresh, np.arange(n), side="right") - 1]
    return start / 86_400, other[since]


# --- for the package


def transmission_rows(history: History, calibration_id: str = CALIBRATION_ID) -> list[Transmission]:
    """Return a row for each transmission, as the store takes them."""

    def optional(values: Floats) -> list[float | None]:
        return [None if value != value else value for value in values.tolist()]

    khz = history.frequencies_khz.tolist()
    end_ns = history.times_ns + np.round(history.duration_s * 1e6).astype(np.int64) * 1000
    readable = np.isfinite(history.swr)
    columns = zip(
        history.times_ns.tolist(),
        end_ns.tolist(),
        history.duration_s.tolist(),
        history.channel.tolist(),
        history.forward_w.tolist(),
        history.reflected_w.tolist(),
        optional(history.swr),
        optional(history.low),
        optional(history.high),
        optional(history.noise_low),
        optional(history.noise_high),
        np.where(readable, 0, int(Flag.BELOW_FLOOR)).tolist(),
        strict=True,
    )
    return [
        Transmission(
            start_ns=start,
            end_ns=end,
            ended=True,
            samples=round(100 * duration),
            forward_w_mean=forward,
            forward_w_max=1.02 * forward,
            reflected_w_mean=reflected,
            reflected_w_max=1.05 * reflected,
            swr=swr,
            swr_low=low,
            swr_high=high,
            swr_max=None if swr is None else 1 + 1.03 * (swr - 1),
            energy_j=forward * duration,
            channel=history.names[channel],
            frequency_khz=khz[channel],
            calibration_id=calibration_id,
            flags=flags,
            swr_noise_low=noise_low,
            swr_noise_high=noise_high,
            settled_samples=max(round(100 * duration) - 20, 1),
        )
        for (
            start,
            end,
            duration,
            channel,
            forward,
            reflected,
            swr,
            low,
            high,
            noise_low,
            noise_high,
            flags,
        ) in columns
    ]


def weather_rows(history: History) -> list[WeatherRow]:
    """Return the weather by the hour, as a weather file would have it."""
    sky = history.weather
    return [
        WeatherRow(
            time_ns=history.start_ns + hour * HOUR_NS,
            temperature_c=temperature,
            rain_mm=rain,
            wind_m_s=wind,
        )
        for hour, (temperature, rain, wind) in enumerate(
            zip(
                sky.temperature_c.tolist(),
                sky.rain_mm.tolist(),
                sky.wind_m_s.tolist(),
                strict=True,
            )
        )
    ]


def journal_entries(history: History) -> list[tuple[int, str, str]]:
    """Return time, kind and text of what people noted: their repairs."""
    return [(history.time_ns(r.day), "repair", r.text) for r in history.truth.repairs]


def write_store(store: StoreWriter, history: History, *, with_weather: bool = False) -> None:
    """Write a history into a store: transmissions, journal and, if asked for, hours of weather."""
    store.insert_calibration(CALIBRATION_ID, "{}")
    store.write(transmission_rows(history))
    if with_weather:
        store.write(weather_rows(history))
    for time_ns, kind, text in journal_entries(history):
        Journal(store.database).insert(time_ns, kind, text)
