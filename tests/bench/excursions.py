"""Prints which share of the opens of a loose plug is found, how well in time, and what is false.

Random stations of `tests/station_model` transmit FM at 1 W and more, and speech in single sideband
of 4 and 12 W, at 200 pairs/s. About three times a minute of transmission the plug opens for 10 to
200 ms to a resistance of 20 to 5000 ohm in parallel with the gap's 0.5 to 3 pF; each open lies
wholly within an over, 0.3 s from its edges and 0.5 s from the next.

What counts, from the truth alone:

- An open *shows* when it changes |rho| at the plug by more than 0.05 (FM) at some pair inside.
  20 ohm in series with a line can leave |rho| as it was, or lessen it: no meter of two magnitudes
  sees that. All opens are told beside those that show.
- An open of SSB is *readable* when at least one pair inside has incident power over the readable
  floor (where one pair tells SWR 1.5 from 1, computed from the model's coupler and noise) and
  |rho| changed by more than 0.2. `keyed` are those with such a pair of 0.2 W (the least that is a
  key-down at the defaults) or more.
- It is *found* when an excursion overlaps it, one sample more or less.
- It is *in time* when the start is no earlier than a sample before the open and no later than a
  sample after its first readable pair, and the end likewise: no earlier than a sample before its
  last readable pair, no later than a sample after the open. Under FM every pair is readable, so
  that both ends must be right within one sample.
- Excursions that overlap none are *false*; further ones that overlap an open already found are
  *pieces*.

python -m tests.bench.excursions [--stations 40] [--minutes 10] [--seed 1] [--sway 0.1] [--hum 0]
                                 [--detector product|hindsight]

`hindsight` is no product: it shows what can be found by looking at a whole over at once.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile
from logger.config.load import StationOptions
from logger.pipeline import Pipeline
from logger.rows import Samples
from logger.store.writer import StoreWriter
from tests.coupler_model import TELLS_FROM
from tests.station_model import Record, Station, fitted, random_opens, random_station
from tests.station_model.pipeline import PAIRS, Settings
from tests.station_model.station import EPOCH_NS
from tests.station_model.traffic import random_traffic

Floats = NDArray[np.float64]
Found = tuple[float, float]  # start and duration, s
Detect = Callable[[Floats, Floats, Floats, CalibrationFile], Sequence[Found]]

CHANNEL = 20
SHOWS = 0.05
READABLE_CHANGE = 0.2
KEYED_W = 0.2
BARS = {"fm": ("that show", 0.99), "ssb": ("readable", 0.95)}
POWERS_W = {"fm": (1.0, 2.0, 4.0, 12.0), "ssb": (4.0, 12.0)}


@dataclass(frozen=True)
class Case:
    """One open as the truth has it: when, and when it could be read."""

    start_s: float
    end_s: float
    ohm: float
    change: float  # the most that |rho| moved at any pair inside
    readable: Found | None  # first and last readable pair
    keyed: bool


@dataclass
class Tally:
    """How opens of one kind fared."""

    opens: int = 0
    found: int = 0
    in_time: int = 0
    start_ms: list[float] = field(default_factory=list)
    end_ms: list[float] = field(default_factory=list)
    missed: list[Case] = field(default_factory=list)

    def line(self, name: str) -> str:
        """For a person."""
        if not self.opens:
            return f"  {name:<28} none"
        share, timed = self.found / self.opens, self.in_time / max(self.found, 1)
        text = f"  {name:<28}{self.opens:6d}  found {100 * share:6.2f} %"
        text += f"  of these in time {100 * timed:6.2f} %"
        if self.start_ms:
            low, high = np.percentile(self.start_ms, [1, 99])
            text += f"  start off by {low:+.1f} to {high:+.1f} ms"
            low, high = np.percentile(self.end_ms, [1, 99])
            text += f", end by {low:+.1f} to {high:+.1f} ms (98 %)"
        return text


def cases(station: Station, record: Record, shows: float) -> list[Case]:
    """The opens of a record; `shows` is the change of |rho| that can be read."""
    t = record.t
    change = np.abs(np.abs(record.gamma) - record.calm_rho)
    told: list[Case] = []
    for one in record.opens:
        inside = slice(*np.searchsorted(t, [one.start_s, one.end_s]))
        moved = change[inside]
        watts = record.incident_w[inside]
        if not len(moved):
            continue  # shorter than the time between two pairs
        at = np.flatnonzero((watts >= station.floor_w) & (moved > shows))
        readable = (float(t[inside][at[0]]), float(t[inside][at[-1]])) if len(at) else None
        told.append(
            Case(
                one.start_s,
                one.end_s,
                one.ohm,
                float(moved.max()),
                readable,
                bool(len(at) and watts[at].max() >= KEYED_W),
            )
        )
    return told


def match(
    opens: Sequence[Case], found: Sequence[Found], sample_s: float
) -> tuple[list[Found | None], int, int]:
    """For each open the first excursion that overlaps it, or None; pieces; false ones."""
    slack = sample_s + 1e-6
    whose: list[Found | None] = [None] * len(opens)
    pieces = false = 0
    for start_s, duration_s in sorted(found):
        over = [
            index
            for index, one in enumerate(opens)
            if start_s <= one.end_s + slack and start_s + duration_s >= one.start_s - slack
        ]
        if not over:
            false += 1
            continue
        fresh = [index for index in over if whose[index] is None]
        pieces += not fresh
        for index in fresh:
            whose[index] = (start_s, duration_s)
    return whose, pieces, false


def in_time(case: Case, found: Found, sample_s: float) -> bool:
    """See the module."""
    slack = sample_s + 1e-6
    first, last = case.readable or (case.start_s, case.end_s)
    start_s, end_s = found[0], found[0] + found[1]
    return (
        case.start_s - slack <= start_s <= first + slack
        and last - slack <= end_s <= case.end_s + slack
    )


def by_product(t: Floats, vf: Floats, vr: Floats, calibration: CalibrationFile) -> list[Found]:
    """What the product's pipeline puts into the table `excursions`."""
    converter = calibration.converter
    settings = Settings(station=StationOptions(channel=CHANNEL))
    pipeline = Pipeline(settings, Coupler(calibration))
    time_ns = EPOCH_NS + np.rint(t * 1e6).astype(np.int64) * 1000
    with tempfile.TemporaryDirectory() as folder:
        store = StoreWriter.open(Path(folder) / "station.sqlite")
        for begin in range(0, len(t), PAIRS):
            part = slice(begin, begin + PAIRS)
            block = SampleBlock(
                time_ns[part],
                vf[part],
                vr[part],
                step_v=(converter.step_v, converter.step_v),
                full_scale_v=converter.full_scale_v,
            )
            rows = pipeline.process(block)
            store.write([row for row in rows if not isinstance(row, Samples)])
        store.write([row for row in pipeline.finish() if not isinstance(row, Samples)])
        query = "SELECT time_ns, duration_ms FROM excursions ORDER BY time_ns"
        with store.database.transaction():
            found = store.database.query(query)
        store.close()
    return [((ns - EPOCH_NS) / 1e9, ms / 1e3) for ns, ms in found]


def by_hindsight(t: Floats, vf: Floats, vr: Floats, calibration: CalibrationFile) -> list[Found]:
    """Pairs whose Pr/Pf is beyond noise and sway from the median of the seconds around, joined."""
    coupler = Coupler(calibration)
    forward_w, reflected_w = coupler.forward.watts(vf), coupler.reflected.watts(vr)
    quiet = forward_w < 0.01 * forward_w.max()
    noise_v = max(float(vr[quiet][:500].std()), calibration.converter.step_v)
    sd_w = noise_v * coupler.reflected.slope(vr)
    at = np.flatnonzero(forward_w > TELLS_FROM * noise_v * coupler.reflected.slope(0.0))
    ratio, sd = reflected_w[at] / forward_w[at], sd_w[at] / forward_w[at]
    edges = np.flatnonzero(np.diff(np.floor(t[at] / 4.0), prepend=-1e9, append=1e9))
    odd = np.zeros(len(at), dtype=bool)
    for begin, past in itertools.pairwise(edges):
        own = ratio[begin:past]
        usual = float(np.median(own))
        odd[begin:past] = np.abs(own - usual) > 5.5 * sd[begin:past] + 0.35 * usual
    hits = at[odd]
    if not len(hits):
        return []
    groups = np.split(hits, np.flatnonzero(np.diff(t[hits]) > 0.12) + 1)
    return [(float(t[g[0]]), float(t[g[-1]] - t[g[0]])) for g in groups]


DETECTORS: dict[str, Detect] = {"product": by_product, "hindsight": by_hindsight}


def run(
    mode: str, detect: Detect, stations: int, minutes: float, seed: int, sway: float, hum_lsb: float
) -> dict[str, Tally]:
    """All stations in one mode; prints and returns the tallies by kind of open."""
    tallies = {
        name: Tally() for name in ("all", "of 100 ohm and more", "that show", "readable", "keyed")
    }
    false = pieces = 0
    keyed_s = spent_s = 0.0
    for number in range(stations):
        rng = np.random.default_rng([seed, number, mode == "ssb"])
        station = random_station(rng, sway=sway, hum_lsb=hum_lsb)
        content = fitted(station.coupler, rng)
        overs = random_traffic(
            rng, 0.0, 0.0, 60 * minutes, [CHANNEL], modes=[mode], powers_w=POWERS_W[mode]
        )
        opens = random_opens(rng, overs)
        record = station.record(rng, overs, opens, since_s=-60.0, until_s=overs[-1].end_s + 10)
        keyed_s += float(record.keyed.sum()) / station.rate_hz
        begun = time.perf_counter()
        found = list(detect(record.t, record.forward_v, record.reflected_v, content))
        spent_s += time.perf_counter() - begun
        told = cases(station, record, SHOWS if mode == "fm" else READABLE_CHANGE)
        whose, more_pieces, more_false = match(told, found, 1 / station.rate_hz)
        pieces, false = pieces + more_pieces, false + more_false
        for case, own in zip(told, whose, strict=True):
            kinds = {
                "all": True,
                "of 100 ohm and more": case.ohm >= 100,
                "that show": case.change > SHOWS,
                "readable": case.readable is not None,
                "keyed": case.keyed,
            }
            for name, counted in kinds.items():
                if counted:
                    _count(tallies[name], case, own, 1 / station.rate_hz)
    print(f"{mode}: {stations} stations, {keyed_s / 3600:.1f} h keyed, {spent_s:.1f} s to detect")
    for name, tally in tallies.items():
        print(tally.line(name))
    name, bar = BARS[mode]
    share = tallies[name].found / max(tallies[name].opens, 1)
    print(f"  bar: {100 * bar:g} % of those {name}: {'met' if share >= bar else 'MISSED'}")
    print(f"  false: {false} ({false / (keyed_s / 3600):.2g} an hour keyed), pieces: {pieces}")
    for case in tallies[name].missed[:5]:
        print(
            f"    missed: {1e3 * (case.end_s - case.start_s):.0f} ms, {case.ohm:.0f} ohm,"
            f" |rho| by {case.change:.2f}"
        )
    return tallies


def _count(tally: Tally, case: Case, own: Found | None, sample_s: float) -> None:
    tally.opens += 1
    if own is None:
        tally.missed.append(case)
        return
    tally.found += 1
    tally.in_time += in_time(case, own, sample_s)
    tally.start_ms.append(1e3 * (own[0] - case.start_s))
    tally.end_ms.append(1e3 * (own[0] + own[1] - case.end_s))


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--stations", type=int, default=40)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sway", type=float, default=0.1)
    parser.add_argument("--hum", type=float, default=0.0)
    parser.add_argument("--detector", choices=sorted(DETECTORS), default="product")
    args = parser.parse_args()
    for mode in ("fm", "ssb"):
        run(
            mode,
            DETECTORS[args.detector],
            args.stations,
            args.minutes,
            args.seed,
            args.sway,
            args.hum,
        )


if __name__ == "__main__":
    main()
