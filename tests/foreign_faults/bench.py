"""Rendering: a plan of a station becomes what an instrument measures of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.foreign_faults.causes import Cause, HotJoint, Moments, Opening
from tests.foreign_faults.draws import (
    DAY_S,
    YEAR_DAYS,
    Floats,
    Integers,
    Random,
    draw_ar1,
    log_uniform,
)
from tests.foreign_faults.habits import QUARTER_S, SETTLE_S, Gap, Traffic, Weather
from tests.foreign_faults.records import (
    Carrier,
    Excursion,
    History,
    JournalEntry,
    MeasuredOver,
    Quarters,
    draw_envelope,
    draw_unrest,
    quarter_lengths,
)
from tests.foreign_faults.station import (
    MIDDLE_KHZ,
    Feedline,
    Reading,
    Station,
    antenna_reflection,
    contact_ohm,
    frequency_khz,
    read,
)

Mask = NDArray[np.bool_]

EPOCH_NS = 1_704_067_200_000_000_000  # 2024-01-01T00:00:00Z, a Monday
HOLD_S = 0.05  # window of the highest reflection
LONGEST_EXCURSION_S = 1.0
LEAST_RHO = 0.015  # a level that changed
LEAST_RISE = 0.01  # within a transmission
LEAST_DEPARTURE = 0.05
LEAST_DB = 0.7  # of incident power
PLAIN = 2.5  # times these: a sign that nobody overlooks
MAX_TO_MEAN = {"fm": 1.02, "am": 2.7, "ssb": 4.0}
NOISE_FACTOR = {"fm": 1.0, "am": 1.3, "ssb": 3.0}


@dataclass(frozen=True)
class Plan:
    """What is to happen to a station. `works` are (time, kHz) by which work moved the resonance."""

    station: Station
    start_ns: int
    days: int
    weather: Weather
    traffic: Traffic
    causes: tuple[Cause, ...] = ()
    works: tuple[tuple[float, float], ...] = ()
    journal: tuple[JournalEntry, ...] = ()
    resets: tuple[Gap, ...] = ()
    crashes: int = 0


def render(plan: Plan, rng: Random, seed: int, relation: str = "") -> History:
    """Return what is measured of a plan."""
    gaps = plan.resets + tuple(gap for cause in plan.causes for gap in cause.gaps())
    gaps = tuple(sorted(gaps, key=lambda gap: gap.begin_s))
    traffic = plan.traffic.silence(gaps)
    bench = Bench(plan, traffic, rng)
    overs = bench.measure()
    signs: list[int | None] = []
    for number, cause in enumerate(plan.causes):
        times = [over.start_ns for over in overs if number in over.visible]
        times += [plan.start_ns + round(gap.begin_s * 1e9) for gap in cause.gaps()]
        signs.append(min(times, default=None))
    return History(
        seed, plan.station, plan.start_ns, plan.days, plan.weather, tuple(overs), gaps,
        bench.carriers, plan.causes, tuple(signs), plan.journal,
        len(plan.traffic) - len(traffic), relation, bench.rest, bench.mean_w,
    )  # fmt: skip


@dataclass(frozen=True)
class Departure:
    """An opening and what is read of it, without noise."""

    opening: Opening
    cause: int | None
    rho_before: float
    rho: float
    forward_w: float

    @property
    def reflected_w(self) -> float:
        return self.forward_w * self.rho**2


class Bench:
    """Measures all key-downs of a plan."""

    def __init__(self, plan: Plan, traffic: Traffic, rng: Random) -> None:
        self.plan, self.traffic, self.rng = plan, traffic, rng
        self.station, self.weather = plan.station, plan.weather
        n = len(traffic)
        self.mean_w = traffic.mean_w() * np.exp(0.01 * rng.standard_normal(n))
        self.rest = self._draw_rest()
        gust = self.weather.interpolate(self.weather.gust_m_s, traffic.start_s)
        self.sway = self.station.sway * (0.3 + (gust / 8) ** 2)
        factor = np.array([NOISE_FACTOR[mode] for mode in traffic.mode])
        self.pair_noise = self.station.pair_noise * factor * np.sqrt(4 / self.mean_w)
        self.carriers = self._draw_carriers()
        self.openings: list[tuple[int | None, Opening]] = []  # with the cause
        for number, cause in enumerate(plan.causes):
            drawn = cause.openings(traffic, self.weather, rng)
            self.openings += [(number, opening) for opening in drawn]
        for _ in range(plan.crashes):
            over = int(rng.integers(n))
            start = rng.uniform(0.2, traffic.duration_s[over] - 0.2)
            crash = Opening(over, start, log_uniform(rng, 0.002, 0.02), rho=rng.uniform(0.4, 1))
            self.openings.append((None, crash))
        self.openings = _separate(self.openings)

    def _draw_rest(self) -> Feedline:
        """Draw the sound condition at each key-down, with season, wetness, and unknown wander."""
        traffic, station, weather = self.traffic, self.station, self.weather
        time_s = traffic.start_s
        wet = weather.interpolate(weather.wetness, time_s)
        warm = weather.interpolate(weather.temperature_c, time_s) - 9
        hourly = draw_ar1(self.rng, len(weather.wetness), np.exp(-1 / 70))
        date = (self.plan.start_ns - EPOCH_NS) / 1e9 / DAY_S + time_s / DAY_S
        leaves = 1 / (1 + np.exp(-10 * (0.35 - np.cos(2 * np.pi * (date - 15) / YEAR_DAYS))))
        move = station.khz_per_degree * warm - station.wet_khz * wet
        move += 6 * weather.interpolate(hourly, time_s) - station.leaves_khz * leaves
        for work_s, work_khz in self.plan.works:
            move += work_khz * (time_s >= work_s)
        zero = np.zeros(len(traffic))
        gains = [
            gain + slope * 0.15 * warm
            for gain, slope in zip(station.gain_db, station.gain_db_per_degree, strict=True)
        ]
        wave = zero.astype(np.complex128)
        resonance = station.resonance_khz + move
        khz = frequency_khz(traffic.channel)
        return Feedline(khz, resonance, 0.1 * wet, zero, wave, wave, gains[0], gains[1])

    def _draw_carriers(self) -> tuple[Carrier, ...]:
        """Draw neighbours' signals: conversations of some minutes, also across own key-downs."""
        rng, carriers = self.rng, []
        per_day = log_uniform(rng, 0.1, 1.5)
        for begin in np.sort(rng.uniform(0, self.plan.days, rng.poisson(per_day * self.plan.days))):
            watts = log_uniform(rng, 1e-4, 0.03)
            time_s = (np.floor(begin) + np.clip(rng.normal(0.8, 0.08), 0.3, 0.99)) * DAY_S
            for _ in range(rng.integers(1, 6)):
                end_s = time_s + rng.uniform(3, 60)
                carriers.append(Carrier(time_s, end_s, watts))
                time_s = end_s + rng.uniform(2, 60)
        for over in np.flatnonzero(rng.random(len(self.traffic)) < 0.003):
            begin_s = self.traffic.start_s[over] + rng.uniform(-5, self.traffic.duration_s[over])
            length = rng.uniform(1, 30)
            carriers.append(Carrier(begin_s, begin_s + length, log_uniform(rng, 1e-4, 0.03)))
        return tuple(sorted(carriers, key=lambda carrier: carrier.begin_s))

    def read(self, causes: Sequence[Cause], over: Integers, inside_s: Floats) -> Reading:
        """Read moments within key-downs, with only these causes and without noise."""
        line = self.condition(causes, over, inside_s)
        return read(self.station, line, self.mean_w[over])

    def condition(self, causes: Sequence[Cause], over: Integers, inside_s: Floats) -> Feedline:
        """Return the condition at moments within key-downs."""
        moments = Moments(self.traffic, self.weather, over, inside_s)
        line = self.rest.take(over)
        for cause in causes:
            line = cause.change(line, moments)
        return line

    def measure(self) -> list[MeasuredOver]:
        """Measure all key-downs."""
        departures = self._read_openings()
        grouped: dict[int, list[Departure]] = {}
        for departure in departures:
            grouped.setdefault(departure.opening.over, []).append(departure)
        overs = self._measure_calm(*(self._list_visible(departures, x) for x in (1, PLAIN)))
        for i, quarters in self._measure_quarters(grouped).items():
            overs[i] = self._amend(overs[i], quarters, grouped.get(i, ()))
        return overs

    def _measure_calm(self, visible: Sequence[Mask], plain: Sequence[Mask]) -> list[MeasuredOver]:
        """Measure all key-downs as if nothing happened during them."""
        traffic, n = self.traffic, len(self.traffic)
        line = self.condition(self.plan.causes, np.arange(n), np.zeros(n))
        level = read(self.station, line, self.mean_w)
        duration, end = traffic.duration_s, traffic.start_s + traffic.duration_s
        settled_s = duration - SETTLE_S
        noise = self.noise(settled_s)
        error = np.hypot(noise, self.sway / np.sqrt(1 + duration / 3))
        rho = np.abs(level.rho + error * self.rng.standard_normal(n)) + 1e-4
        # The highest of many windows, each with its noise.
        held = rho + self.noise(HOLD_S) * np.sqrt(2 * np.log(duration / HOLD_S))
        peak = np.array([MAX_TO_MEAN[mode] for mode in traffic.mode])
        columns: dict[str, NDArray[Any]] = {
            "start_ns": self.plan.start_ns
            + np.round(traffic.start_s * 4).astype(int) * 250_000_000,
            "duration_s": duration,
            "channel": traffic.channel,
            "frequency_khz": line.khz,
            "mode": traffic.mode,
            "power_w": traffic.power_w,
            "antenna_reflection": antenna_reflection(self.station, line),
            "line_db": self.station.line_db * np.sqrt(line.khz / MIDDLE_KHZ) + line.wet_db,
            "true_rho": level.true_rho,
            "rho": rho,
            "noise_rho": noise,
            "quarter_noise_rho": self.noise(QUARTER_S),
            "pair_noise_rho": self.pair_noise,
            "sway_rho": self.sway,
            "settled_pairs": (settled_s * self.station.pair_hz).astype(int),
            "forward_w_mean": level.forward_w,
            "forward_w_max": level.forward_w * peak,
            "reflected_w_mean": level.forward_w * rho**2,
            "reflected_w_max": level.forward_w * held**2 * peak,
            "held_rho": held,
            "held_at_s": self.rng.uniform(SETTLE_S + HOLD_S, duration),
            "is_cut": traffic.is_cut,
        }
        lists: dict[str, list[Any]] = {name: column.tolist() for name, column in columns.items()}
        lists["gain_db"] = list(
            zip(line.forward_db.tolist(), line.reflected_db.tolist(), strict=True)
        )
        lists["active"] = _list_indices([cause.is_active(end) for cause in self.plan.causes], n)
        lists["visible"] = _list_indices(visible, n)
        lists["plain"] = _list_indices(plain, n)
        rows = zip(*lists.values(), strict=True)
        return [MeasuredOver(**dict(zip(lists, row, strict=True))) for row in rows]

    def _amend(
        self, over: MeasuredOver, quarters: Quarters, departures: Sequence[Departure]
    ) -> MeasuredOver:
        """Return the key-down with what happened during it."""
        forward, rho = quarters.mean()
        number = int(quarters.rho.argmax())
        held = float(quarters.rho[number]) + over.held_rho - over.rho
        held_at_s = number * QUARTER_S + SETTLE_S + HOLD_S
        reflected = max([forward * held**2, *(departure.reflected_w for departure in departures)])
        for departure in departures:
            part = min(departure.opening.duration_s / HOLD_S, 1)
            mixed = float(np.sqrt(part * departure.rho**2 + (1 - part) * departure.rho_before**2))
            if mixed > held:
                held, held_at_s = mixed, departure.opening.start_s + HOLD_S
        return replace(
            over,
            rho=rho,
            forward_w_mean=forward,
            forward_w_max=forward * MAX_TO_MEAN[over.mode],
            reflected_w_mean=forward * rho**2,
            reflected_w_max=reflected * MAX_TO_MEAN[over.mode],
            held_rho=held,
            held_at_s=min(held_at_s, over.duration_s),
            excursions=self._list_excursions(departures),
            quarters=quarters,
        )

    def noise(self, window_s: Floats | float) -> Floats:
        """Return rms of noise of |Gamma| (n,) over a window."""
        return np.asarray(
            np.hypot(self.pair_noise / np.sqrt(window_s * self.station.pair_hz), 1e-4)
        )

    def _read_openings(self) -> list[Departure]:
        """Read what each opening makes of the reflection."""
        if not self.openings:
            return []
        over = np.array([opening.over for _, opening in self.openings])
        inside = np.array([opening.start_s for _, opening in self.openings])
        ohm = np.array([opening.resistance for _, opening in self.openings])
        line = self.condition(self.plan.causes, over, inside)
        closed = read(self.station, line, self.mean_w[over])
        contact = contact_ohm(ohm, line.khz)
        causes = self.plan.causes
        is_mast = np.array([c is not None and causes[c].place == "mast" for c, _ in self.openings])
        is_radio = np.array([c is not None and causes[c].place != "mast" for c, _ in self.openings])
        line = line.add(mast_ohm=contact * is_mast, radio_ohm=contact * is_radio)
        opened = read(self.station, line, self.mean_w[over])
        departures = []
        for i, (number, opening) in enumerate(self.openings):
            forward, rho = float(opened.forward_w[i]), float(opened.rho[i])
            if opening.rho is not None:
                rho = opening.rho
            departures.append(Departure(opening, number, float(closed.rho[i]), rho, forward))
        return departures

    def _is_sign(self, departure: Departure, factor: float = 1) -> bool:
        """True if the departure is well above noise and lasts a pair."""
        change = abs(departure.rho - departure.rho_before)
        least = max(factor * LEAST_DEPARTURE, 6 * self.pair_noise[departure.opening.over])
        return bool(change > least and departure.opening.duration_s * self.station.pair_hz >= 1)

    def _list_excursions(self, departures: Sequence[Departure]) -> tuple[Excursion, ...]:
        """List departures that an instrument calls excursions, with their noise."""
        listed = []
        for departure in departures:
            opening = departure.opening
            if not self._is_sign(departure) or opening.duration_s > LONGEST_EXCURSION_S:
                continue
            start_s = float(self.traffic.start_s[opening.over]) + opening.start_s
            noise = self.pair_noise[opening.over]
            beside = departure.rho_before + noise / 4 * self.rng.standard_normal(2)
            outward = np.sign(departure.rho - departure.rho_before) * abs(
                self.rng.standard_normal()
            )
            pairs = max(round(opening.duration_s * self.station.pair_hz), 1)
            listed.append(
                Excursion(
                    time_ns=self.plan.start_ns + round(start_s * 1e9),
                    duration_ms=1000 * pairs / self.station.pair_hz,
                    rho_peak=max(float(departure.rho + noise * outward), 0.0),
                    rho_before=abs(float(beside[0])),
                    rho_after=abs(float(beside[1])),
                    cause=departure.cause,
                )
            )
        return tuple(listed)

    def _measure_quarters(self, grouped: dict[int, list[Departure]]) -> dict[int, Quarters]:
        """Measure quarter-seconds of key-downs in which something happens."""
        traffic = self.traffic
        start, end = traffic.start_s, traffic.start_s + traffic.duration_s
        is_eventful = np.zeros(len(traffic), dtype=np.bool_)
        is_eventful[list(grouped)] = True
        for cause in self.plan.causes:
            is_eventful |= (start < cause.onset_s) & (end > cause.onset_s)
            if isinstance(cause, HotJoint):
                is_eventful |= cause.is_active(start)
        overlaps: dict[int, list[Carrier]] = {}
        for carrier in self.carriers:
            first, last = (
                np.searchsorted(end, carrier.begin_s),
                np.searchsorted(start, carrier.end_s),
            )
            for i in range(int(first), int(last)):
                is_eventful[i] = True
                overlaps.setdefault(i, []).append(carrier)
        eventful = np.flatnonzero(is_eventful)
        lengths = [quarter_lengths(float(traffic.duration_s[i])) for i in eventful]
        if not lengths:
            return {}
        over = np.repeat(eventful, [len(length) for length in lengths])
        inside = np.concatenate([QUARTER_S * np.arange(len(length)) for length in lengths])
        inside += np.concatenate(lengths) / 2
        reading = self.read(self.plan.causes, over, inside)
        noise = self.noise(QUARTER_S)
        measured: dict[int, Quarters] = {}
        position = 0
        for i, length in zip(eventful.tolist(), lengths, strict=True):
            part = slice(position, position + len(length))
            position += len(length)
            forward, reflected = reading.forward_w[part].copy(), reading.reflected_w[part].copy()
            for departure in grouped.get(i, ()):
                opening = departure.opening
                share = _overlap(length, opening.start_s, opening.end_s)
                forward += share * (departure.forward_w - forward)
                reflected += share * (departure.reflected_w - reflected)
            envelope = draw_envelope(self.rng, str(traffic.mode[i]), length)
            forward, reflected = forward * envelope, reflected * envelope
            for carrier in overlaps.get(i, ()):
                share = _overlap(length, carrier.begin_s - start[i], carrier.end_s - start[i])
                reflected += share * carrier.reflected_w
            unrest = draw_unrest(self.rng, len(length), self.sway[i], noise[i])
            rho = np.maximum(np.sqrt(reflected / forward) + unrest, 1e-4)
            measured[i] = Quarters(rho, forward, length)
        return measured

    def _list_visible(self, departures: Sequence[Departure], factor: float) -> list[Mask]:
        """Return for each cause the key-downs (n,) in which it shows, `factor` times the least."""
        traffic, n = self.traffic, len(self.traffic)
        index = np.arange(n)
        noise = np.hypot(self.noise(QUARTER_S), self.sway)
        # Just inside the key-up, as causes may end or begin within.
        end = traffic.duration_s - 1e-3
        sound = self.read((), index, end)
        visible = []
        for number, cause in enumerate(self.plan.causes):
            late = self.read((cause,), index, end)
            early = self.read((cause,), index, np.zeros(n))
            change = np.abs(late.rho - sound.rho)
            ratio_db = 10 * np.abs(np.log10(late.forward_w / sound.forward_w))
            rise = np.abs(late.rho - early.rho)
            is_visible = (change > np.maximum(factor * LEAST_RHO, 5 * noise)) | (
                ratio_db > factor * LEAST_DB
            )
            is_visible |= rise > np.maximum(factor * LEAST_RISE, 5 * noise)
            for departure in departures:
                if departure.cause == number and self._is_sign(departure, factor):
                    is_visible[departure.opening.over] = True
            visible.append(is_visible)
        return visible


def _separate(openings: list[tuple[int | None, Opening]]) -> list[tuple[int | None, Opening]]:
    """Sort openings, dropping those within 20 ms of the one before."""
    separate: list[tuple[int | None, Opening]] = []
    for cause, opening in sorted(openings, key=lambda pair: (pair[1].over, pair[1].start_s)):
        last = separate[-1][1] if separate else None
        if last is None or last.over != opening.over or opening.start_s > last.end_s + 0.02:
            separate.append((cause, opening))
    return separate


def _list_indices(masks: Sequence[Mask], n: int) -> list[tuple[int, ...]]:
    """Return for each of n key-downs the numbers of the masks (n,) that are set."""
    if not masks:
        return [()] * n
    rows = np.array(masks).T.tolist()
    return [tuple(number for number, is_set in enumerate(row) if is_set) for row in rows]


def _overlap(length: Floats, begin_s: float, end_s: float) -> Floats:
    """Return which share of each quarter-second lies between two times since key-down."""
    edge = QUARTER_S * np.arange(len(length))
    shared = np.minimum(edge + length, end_s) - np.maximum(edge, begin_s)
    return np.asarray(np.maximum(shared, 0) / length)
