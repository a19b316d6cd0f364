"""Prints which share of the opens of a chattering contact is found and counted, and their time.

Stations of `tests/foreign_stations` with detectors that follow within 2 ms transmit FM at 1 W and
more. Once in an over the contact opens in a burst: 2 to 6 times for 10 to 200 ms, 20 ms to 1.5 s
apart (`burst`), the same from 50 ms after key-down on (`key-down`), or once for 0.6 to 0.95 s, or
opens that leave hardly a gap (`dense`: 20 to 60 ms apart), or go to 20 to 500 ohm only (`series`).
Every third over is sound.

An open counts if it changes |Gamma| by 0.05 or more. It is *found* if an excursion overlaps it, two
samples more or less; excursions outside of bursts are *false*. *Counted* is the number of
excursions in bursts over that of their opens, *time* the sum of durations over the true one.
*Ideal* is the share that could be found at all: by a detector that knows the readings without noise
of the sound and of the open station, thus all time constants, and errs once in 10 h.

python -m tests.bench.chatter [--stations 20] [--overs 30] [--seed 1] [--missed]
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from logger.config.load import StationOptions
from logger.pipeline import Pipeline
from logger.rows import Excursion
from tests.bench.foreign_noise import calibrate
from tests.foreign_stations import (
    Condition,
    Converter,
    Detector,
    Open,
    Over,
    Station,
    blocks,
    draw_burst,
    draw_station,
    render,
)
from tests.station_model.pipeline import Settings

SHOWS = 0.05
KINDS = ("burst", "key-down", "long", "dense", "series")
BAR, TIME_BAR = 0.99, 0.10
LOOKS = 10 * 3600 * 200 * 10  # pairs in 10 h, and ten lengths of an open tried at each
IDEAL_SIGMAS = float(norm.isf(1 / LOOKS))


@dataclass
class Tally:
    """How the opens of one kind fared."""

    opens: int = 0
    found: int = 0
    ideal: float = 0.0
    excursions: int = 0
    true_s: float = 0.0
    seen_s: float = 0.0

    def line(self, name: str) -> str:
        """For a person."""
        if not self.opens:
            return f"  {name:<16} none"
        return (
            f"  {name:<16}{self.opens:6d}  found {100 * self.found / self.opens:6.2f} %"
            f"  ideal {100 * self.ideal / self.opens:6.2f} %"
            f"  counted {100 * self.excursions / self.opens:6.1f} %"
            f"  time {100 * self.seen_s / self.true_s:6.1f} %"
        )


def make_station(seed: int, rate_hz: float) -> Station:
    """Return a station with detectors that follow within 2 ms and a usual converter."""
    rng = np.random.default_rng([9, seed])
    converter = Converter(
        bits=int(rng.choice([10, 12])),
        reference_v=float(rng.choice([3.3, 5.0])),
        offset_lsb=(float(rng.uniform(-1, 4)),) * 2,
        noise_lsb=float(rng.uniform(0.3, 1.0)),
    )
    station = draw_station(seed, converter=converter, rate_hz=rate_hz, highest_w=5.0, skew_s=0.0)
    decay_s = float(rng.uniform(0.2e-3, 2e-3))

    def quick(detector: Detector) -> Detector:
        return replace(detector, attack_s=0.5 * decay_s, decay_s=decay_s)

    return replace(
        station,
        forward=quick(station.forward),
        reflected=quick(station.reflected),
        channels=(20,),
        jitter_s=0.0,
    )


def draw_opens(rng: np.random.Generator, over: Over, kind: str) -> list[Open]:
    """Return the opens of one burst in the over."""
    if kind == "long":
        return draw_burst(over, rng, "long")[:1]
    if kind == "key-down":
        return draw_burst(over, rng, "key-down")
    at_s = over.start_s + float(rng.uniform(1.0, over.duration_s - 6.0))
    opens = draw_burst(over, rng, "series" if kind == "series" else "open", at_s=at_s)
    if kind == "dense":
        for index in range(1, len(opens)):
            before = opens[index - 1]
            begin_s = before.start_s + before.duration_s + float(rng.uniform(0.02, 0.06))
            opens[index] = replace(opens[index], start_s=begin_s)
    return opens


def ideal_chances(
    station: Station, plan: Sequence[Over], opens: Sequence[Open], seed: int, end_s: float
) -> dict[Open, float]:
    """Return the chance that an ideal detector finds each open.

    It sums the difference of both readings from those of the sound station, in standard deviations
    of noise and rounding, over the pairs of the open. What a change of power would show as well
    does not count. The wander of the load is taken as known, so this is an upper bound.
    """
    converter = station.converter
    exact = replace(
        station, converter=replace(converter, bits=24, noise_lsb=0.0, offset_lsb=(0.0, 0.0))
    )
    sd_v = converter.lsb_v * np.hypot(converter.noise_lsb, 12**-0.5)
    times_s = np.zeros(0)

    def read(opens: Sequence[Open], power_factor: float = 1.0) -> NDArray[np.float64]:
        nonlocal times_s
        condition = Condition(power_factor=power_factor)
        record = render(exact, plan, opens, (), condition, seed=seed, idle_s=0, span_s=(0.0, end_s))
        times_s = (record.time_ns - record.start_ns) * 1e-9
        return np.stack([record.forward_v, record.reflected_v]) / sd_v

    shown = read(opens)
    away = shown - read([])
    by_power = read(opens, 1.02) - shown
    by_power /= np.maximum(np.hypot(*by_power), 1e-9)
    away -= (away * by_power).sum(axis=0) * by_power
    chances = {}
    for one in opens:
        span = [one.start_s, one.start_s + one.duration_s + 2 / station.rate_hz]
        part = slice(*np.searchsorted(times_s, span).tolist())
        distance = np.sqrt((away[:, part] ** 2).sum())
        chances[one] = float(norm.cdf(distance - IDEAL_SIGMAS))
    return chances


def run(seed: int, overs: int, rate_hz: float, *, missed: bool) -> tuple[dict[str, Tally], int]:
    """Play one station; return tallies by kind and the number of false excursions."""
    rng = np.random.default_rng([8, seed])
    station = make_station(seed, rate_hz)
    now_s, plan, opens, spans = 70.0, [], [], []
    for number in range(overs):
        over = Over(now_s, float(rng.uniform(10, 25)), "fm", float(rng.choice([1.0, 2.0, 4.0])))
        plan.append(over)
        if number % 3:
            kind = KINDS[int(rng.integers(len(KINDS)))]
            opens += (own := draw_opens(rng, over, kind))
            spans.append((kind, own))
        now_s = over.end_s + float(rng.uniform(2.0, 10.0))
    record = render(station, plan, opens, seed=seed, idle_s=0, span_s=(0.0, now_s))
    pipeline = Pipeline(Settings(station=StationOptions(channel=20)), calibrate(station))
    rows = [row for block in blocks(station, record) for row in pipeline.process(block)]
    rows += pipeline.finish()
    seen = [
        ((row.time_ns - record.start_ns) / 1e9, row.duration_ms / 1e3)
        for row in rows
        if isinstance(row, Excursion)
    ]
    changes = dict(zip(record.truth.opens, record.truth.open_change, strict=True))
    chances = ideal_chances(station, plan, opens, seed, now_s)
    tallies: dict[str, Tally] = defaultdict(Tally)
    slack_s = 2 / rate_hz
    false = len(seen)
    for kind, own in spans:
        shown = [one for one in own if abs(changes.get(one, 0.0)) >= SHOWS]
        if not own:
            continue
        begin_s, end_s = own[0].start_s - slack_s, own[-1].start_s + own[-1].duration_s + slack_s
        inside = [(at, length) for at, length in seen if at + length >= begin_s and at <= end_s]
        false -= len(inside)
        if len(shown) < len(own):
            continue  # a burst that does not show wholly is not counted
        gaps = np.diff([one.start_s for one in own]) - [one.duration_s for one in own[:-1]]
        near = float(gaps.min()) if len(gaps) else np.inf
        spacing = "single" if not len(gaps) else "below 60 ms" if near < 0.06 else "60 ms and more"
        for name in (kind, spacing, "all"):
            tally = tallies[name]
            tally.opens += len(own)
            tally.excursions += len(inside)
            tally.true_s += sum(one.duration_s for one in own)
            tally.seen_s += sum(length for _, length in inside)
            for one in own:
                hit = any(
                    at <= one.start_s + one.duration_s + slack_s
                    and at + length >= one.start_s - slack_s
                    for at, length in inside
                )
                tally.found += hit
                tally.ideal += chances[one]
                if missed and not hit and name == "all":
                    print(
                        f"    missed at station {seed}: {kind}, {1e3 * one.duration_s:.0f} ms at"
                        f" {one.start_s:.3f} s by {changes[one]:+.2f}, ideal {chances[one]:.3f};"
                        f" seen {[(round(a, 3), round(d, 3)) for a, d in inside]} of"
                        f" {[(round(o.start_s, 3), round(o.duration_s, 3)) for o in own]}"
                    )
    return tallies, false


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--overs", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--missed", action="store_true")
    args = parser.parse_args()
    total: dict[str, Tally] = defaultdict(Tally)
    false = 0
    for number in range(args.stations):
        tallies, more = run(100 * args.seed + number, args.overs, args.rate, missed=args.missed)
        false += more
        for name, tally in tallies.items():
            own = total[name]
            for key in vars(own):
                setattr(own, key, getattr(own, key) + getattr(tally, key))
    for name in sorted(total):
        print(total[name].line(name))
    every = total["all"]
    met = every.found >= BAR * every.opens
    met &= abs(every.seen_s / max(every.true_s, 1e-9) - 1) <= TIME_BAR
    print(f"  false: {false}; bar: 99 % found, time within 10 %: {'met' if met else 'MISSED'}")


if __name__ == "__main__":
    main()
