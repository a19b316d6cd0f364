"""Prints how often the diagnosis names a planted fault first: the confusion matrix, the shares
named and left open, and how often anything is blamed on sound stations.

    python -m tests.bench.diagnosis [--faults 500] [--sound 100] [--seed 1]

Each station of `tests/station_model` is played through the pipeline into a store of its own: five
evenings at intervals of two days before the fault and five at intervals of four after it, seven
overs each, at 50 pairs a second. A permanent open and a permanent short count as one, for two
detectors cannot tell them apart.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.diagnosis.evidence import Evidence, gather
from logger.diagnosis.findings import findings
from logger.diagnosis.history import read
from logger.diagnosis.rules import SHACK
from logger.diagnosis.scoring import LIKELY, Diagnosis, diagnose
from logger.pipeline import Pipeline
from logger.store.writer import StoreWriter
from tests.station_model import Open, Over, Station, exact, random_opens, random_station
from tests.station_model.faults import NAMES, Fault
from tests.station_model.pipeline import Settings, blocks
from tests.station_model.station import DAY_S, EPOCH_NS, KHZ

BEFORE, AFTER = 5, 5
BEFORE_DAYS, AFTER_DAYS = 2.0, 4.0
OVERS = 7
RATE_HZ = 50.0
SOUND = "nothing"
DONT_KNOW = "don't know"
GROUPS = {
    "intermittent-contact": "intermittent-contact",
    "permanent-open": "open-or-short",
    "permanent-short": "open-or-short",
    "hot-joint": "hot-joint",
    "wet-line": "wet-line",
    "slipped-element": "antenna-moved",
    "interference": "one-channel",
    "transmitter-change": "transmitter-change",
    "coupler-fault": "coupler-fault",
    SOUND: SOUND,
}
assert set(GROUPS) == {*NAMES, "intermittent-contact", SOUND}


class Outcome(NamedTuple):
    """What was planted and what was said of it."""

    planted: str
    fault: Fault | None
    evidence: Evidence
    diagnosis: Diagnosis

    @property
    def said(self) -> str:
        """A cause, nothing or DONT_KNOW."""
        first = self.diagnosis.causes[0]
        return first.name if first.likely >= LIKELY else DONT_KNOW


def evenings(rng: np.random.Generator, at_s: float) -> list[list[Over]]:
    """Overs of one person's station: some channels, modes and powers that it usually has."""
    channels = rng.choice(list(KHZ), int(rng.integers(3, 6)), replace=False)
    modes = [("fm",), ("fm", "am"), ("fm", "ssb"), ("fm", "am", "ssb")][int(rng.integers(4))]
    powers = rng.choice([1.0, 4.0, 12.0], int(rng.integers(1, 3)), replace=False)
    days = [*(-BEFORE_DAYS * np.arange(BEFORE, 0, -1)), *(AFTER_DAYS * (np.arange(AFTER) + 1))]
    found = []
    for day in days:
        begin_s = at_s + day * DAY_S + float(rng.uniform(-3, 3)) * 3600
        overs = []
        for _ in range(OVERS):
            mode, watts = str(rng.choice(modes)), float(rng.choice(powers))
            length = float(rng.uniform(5, 20))
            overs.append(
                Over(
                    begin_s,
                    begin_s + length,
                    mode,
                    int(rng.choice(channels)),
                    min(watts, 4.0) if mode == "am" else watts,
                    droop=float(rng.uniform(0, 0.02)),
                    seed=int(rng.integers(2**62)),
                )
            )
            begin_s += length + float(rng.lognormal(2.5, 0.8)) + 5.0
        found.append(overs)
    return found


def played(planted: str, seed: int, folder: Path) -> Outcome:
    """One station with one fault (or none), from its own random numbers."""
    rng = np.random.default_rng(seed)
    at_s = 30 * DAY_S
    talks = evenings(rng, at_s)
    channels = sorted({over.channel for talk in talks for over in talk})
    fault = NAMES[planted](rng, at_s, channels) if planted in NAMES else None
    station = replace(
        random_station(rng, hum_lsb=float(rng.uniform(0, 5))),
        rate_hz=RATE_HZ,
        faults=() if fault is None else (fault,),
    )
    late = [over for talk in talks for over in talk if over.start_s >= at_s]
    opens = random_opens(rng, late) if planted == "intermittent-contact" else []
    store = StoreWriter.open(folder / f"{seed}.sqlite")
    try:
        _play(station, talks, rng, store, opens)
        evidence = gather(read(store, EPOCH_NS + int((at_s + 2 * DAY_S) * 1e9)))
        return Outcome(planted, fault, evidence, diagnose(evidence))
    finally:
        store.close()


def _play(
    station: Station,
    talks: list[list[Over]],
    rng: np.random.Generator,
    store: StoreWriter,
    opens: list[Open],
) -> None:
    coupler = Coupler(exact(station.coupler))
    store.insert_calibration(coupler.id, dump(coupler.content))
    pipeline = Pipeline(Settings(), coupler)
    for index, overs in enumerate(talks):
        record = station.record(rng, overs, opens)
        rows = [row for block in blocks(station, record) for row in pipeline.process(block)]
        if index == len(talks) - 1:
            rows += pipeline.finish()
        store.write(rows)


def outcomes(count: int, names: list[str], seed: int) -> list[Outcome]:
    """So many stations, the names in turn."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for index in range(count):
            found.append(played(names[index % len(names)], seed * 100_000 + index, Path(folder)))
            (Path(folder) / f"{seed * 100_000 + index}.sqlite").unlink()
    return found


def named(found: list[Outcome]) -> float:
    """The share whose cause was named first and for sure."""
    return sum(one.said == GROUPS[one.planted] for one in found) / len(found)


def unknown(found: list[Outcome]) -> float:
    """The share of which it was said that the cause is not known."""
    return sum(one.said == DONT_KNOW for one in found) / len(found)


def matrix(found: list[Outcome]) -> str:
    """Planted down, said across."""
    counts = Counter((one.planted, one.said) for one in found)
    said = [*dict.fromkeys(GROUPS.values()), SHACK, DONT_KNOW]
    heads = [name.replace("-", " ").split() for name in said]
    lines = [
        " " * 21 + "".join(f"{head[row][:7] if len(head) > row else '':>8}" for head in heads)
        for row in (0, 1, 2)
    ]
    for planted in GROUPS:
        row = [counts[planted, name] for name in said]
        if sum(row):
            lines.append(f"{planted:21}" + "".join(f"{n or '.':>8}" for n in row))
    return "\n".join(line.rstrip() for line in lines)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--faults", type=int, default=500)
    parser.add_argument("--sound", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[name for name in GROUPS if name != SOUND])
    parser.add_argument("--wrong", action="store_true", help="show what was not named")
    args = parser.parse_args()
    names = [args.only] if args.only else [name for name in GROUPS if name != SOUND]
    begun = time.perf_counter()
    faults = outcomes(args.faults, names, args.seed)
    sound = outcomes(args.sound, [SOUND], args.seed + 1)
    lapse_s = time.perf_counter() - begun
    print(matrix(faults + sound))
    wrong = 1 - named(faults) - unknown(faults)
    print(
        f"{len(faults)} faults: {named(faults):.1%} named first, {unknown(faults):.1%} not known,"
        f" {wrong:.1%} wrong"
    )
    if sound:
        blamed = sum(one.said not in (SOUND, DONT_KNOW) for one in sound) / len(sound)
        print(f"{len(sound)} sound stations: something was blamed on {blamed:.1%}")
    print(f"{lapse_s:.0f} s")
    if args.wrong:
        for one in faults + sound:
            if one.said != GROUPS[one.planted]:
                print(f"\n{one.planted}: {one.fault}\n  {one.said}: {one.diagnosis.odds}")
                print(f"  {one.evidence}")
                print({name: each.degree for name, each in findings(one.evidence).items()})


if __name__ == "__main__":
    main()
