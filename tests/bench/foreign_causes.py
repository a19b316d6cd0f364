"""Prints which cause the diagnosis names first for faults of foreign histories: the confusion
matrix, the shares right, wrong and sure, and when power and gain changes raise an alarm.

    python -m tests.bench.foreign_causes [--seeds 20] [--sound 40] [--minutes 2] [--first-seed 1]

Each history of `tests/foreign_stations` (three weeks of sound use, then the fault) is played
through the pipeline, by a calibration fitted from the station's own bench points, into a store. The
diagnosis is made at the end, about the first alarm raised since the fault began, or about the
onset if no alarm was raised. `--stores FOLDER` keeps stores and calibrations and reuses them. All
of it takes about a quarter of an hour on one core: the station transmits two minutes a day, and
its idle time has a pair an hour.
"""

from __future__ import annotations

import argparse
import copy
import copyreg
import importlib
import shutil
import tempfile
import time
import types
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from logger.calibration.coupler import Coupler
from logger.calibration.file import dump, load
from logger.config.load import FaultsOptions, NoDataOptions, WatchdogOptions
from logger.diagnosis.alarms import diagnosis_of
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import read
from logger.diagnosis.rules import BY_NAME, NOTHING, SEASON, SHACK
from logger.diagnosis.scoring import Diagnosis, diagnose
from logger.pipeline import Pipeline
from logger.rows import Row
from logger.store.reader import Store
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from tests.foreign_stations import (
    FAULTS,
    SOUND,
    History,
    blocks,
    draw_station,
    fit_calibration,
    history,
)
from tests.station_model.pipeline import Settings

SOUND_DAYS = 21
IDLE_S = 3600.0
# The cause of each fault, and one that two detectors cannot tell from it: water that creeps in and
# an element that slides both turn the reflection slowly, either way.
ACCEPTED: dict[str, tuple[str, ...]] = {
    "arcing-contact": ("intermittent-contact",),
    "element-creeping": ("antenna-moved", "wet-line"),
    "element-slipped": ("antenna-moved",),
    "foreign-carrier": ("one-channel",),
    "forward-gain-step": ("coupler-fault",),
    "hot-joint": ("hot-joint",),
    "key-down-opens": ("intermittent-contact",),
    "line-open": ("open-or-short",),
    "line-shorted": ("open-or-short",),
    "long-opens": ("intermittent-contact",),
    "loose-plug": ("intermittent-contact",),
    "plug-worsening": ("intermittent-contact",),
    "power-halved": ("transmitter-change",),
    "reflected-detector-down": ("coupler-fault",),
    "reflected-diode-dead": ("coupler-fault",),
    "series-contact": ("intermittent-contact",),
    "water-in-line": ("wet-line", "antenna-moved"),
    "zero-drift": ("coupler-fault",),
}
assert set(ACCEPTED) == set(FAULTS)
# A pipeline is copied where the faults part; it refers to its rules' modules.
copyreg.pickle(types.ModuleType, lambda module: (importlib.import_module, (module.__name__,)))
LEVEL_FAULTS = ("power-halved", "forward-gain-step", "reflected-detector-down")
LEVEL_ALARMS = ("detector-fault", "baseline-shift")
DAYS_AFTER, SLOW_DAYS_AFTER = 7, 14
SLOW = ("water-in-line", "element-creeping", "plug-worsening", "sound-shack-temperature")
RATE_HZ = 100.0
LEAST_RIGHT, MOST_WRONG_AND_SURE = 0.90, 0.02  # the bars: shares of the faults,
MOST_BLAME = 0.5  # odds of any fault on a sound station,
MOST_LINE_BLAME = 0.3  # of a fault of line or antenna on one,
MOST_DAYS = 2.0  # until a change of power or gain raises an alarm
LINE = ("intermittent-contact", "open-or-short", "hot-joint", "wet-line", "antenna-moved")
assert set(LINE) <= set(BY_NAME)
SOUND_SEED = 1000  # sound stations are others than those with faults


class BenchSettings(Settings):
    """The defaults, but for `no-data`: the idle pairs of the histories are far apart."""

    watchdog: WatchdogOptions = WatchdogOptions(no_data=NoDataOptions(after_s=3 * IDLE_S))
    faults: FaultsOptions = FaultsOptions()


class Outcome(NamedTuple):
    """The diagnosis of a history, and the alarms (kind, days since the onset) it raised."""

    planted: str
    seed: int
    diagnosis: Diagnosis
    alarms: tuple[tuple[str, float], ...]

    @property
    def first(self) -> str:
        """The likeliest cause."""
        return self.diagnosis.causes[0].name

    @property
    def is_right(self) -> bool:
        """True if the likeliest cause is the planted one, or one that looks the same and is not
        stated as sure."""
        accepted = ACCEPTED.get(self.planted, (NOTHING,))
        at = accepted.index(self.first) if self.first in accepted else len(accepted)
        return at == 0 or (at < len(accepted) and not self.diagnosis.sure)

    @property
    def days(self) -> float | None:
        """Days from the onset to the first alarm of a power or gain change."""
        return min((d for kind, d in self.alarms if kind in LEVEL_ALARMS and d >= 0), default=None)


def play(run: History, days: range, pipeline: Pipeline, store: StoreWriter) -> None:
    """Play days of a history through the pipeline into a store."""
    for number in days:
        rows: list[Row] = []
        for block in blocks(run.station, run.day(number)):
            rows += pipeline.process(block)
        store.write(rows)


def judge(run: History, path: Path) -> Outcome:
    """Diagnose a stored history as the user sees it at its end."""
    onset_ns = run.onset_ns or run.start_ns + SOUND_DAYS * DAY_NS
    store = Store.reader(path)
    try:
        alarms = store.alarms("TRUE ORDER BY r.raised_ns")
        times = [(alarm.raised_ns - onset_ns) / DAY_NS for alarm in alarms]
        first = next((a for a, days in zip(alarms, times, strict=True) if days >= 0), None)
        if first is None:
            diagnosis = diagnose(gather(read(store, onset_ns)))
        else:
            diagnosis = diagnosis_of(store, first)
    finally:
        store.close()
    kinds = tuple((alarm.kind, days) for alarm, days in zip(alarms, times, strict=True))
    return Outcome(run.cause, run.seed, diagnosis, kinds)


def outcomes(causes: Sequence[str], seed: int, minutes: float, folder: Path) -> list[Outcome]:
    """Return the outcomes of one station with each cause; the sound weeks are played once."""
    missing = [cause for cause in causes if not (folder / f"{cause}-{seed}.sqlite").exists()]
    for group in [[cause for cause in missing if cause in FAULTS]] + [
        [cause] for cause in missing if cause in SOUND
    ]:
        if group:
            play_group(group, seed, minutes, folder)
    return [
        judge(draw(cause, seed, minutes), folder / f"{cause}-{seed}.sqlite") for cause in causes
    ]


def draw(cause: str, seed: int, minutes: float) -> History:
    """Return a history of the bench."""
    station = draw_station(seed, rate_hz=RATE_HZ)
    return history(
        cause, seed, SOUND_DAYS, SLOW_DAYS_AFTER, minutes, station=station, idle_s=IDLE_S
    )


def play_group(causes: Sequence[str], seed: int, minutes: float, folder: Path) -> None:
    """Play histories that have their sound days in common, each into a store of its own."""
    runs = {cause: draw(cause, seed, minutes) for cause in causes}
    first = runs[causes[0]]
    calibration = folder / f"coupler-{seed}.yaml"
    if not calibration.exists():
        with tempfile.TemporaryDirectory() as place:
            content = fit_calibration(first.station, Path(place), seed).read_text()
        calibration.write_text(content)
    with tempfile.TemporaryDirectory(dir=folder) as place:
        begun = Path(place) / "begun.sqlite"
        coupler = Coupler(load(calibration))
        pipeline = Pipeline(BenchSettings(), coupler)  # type: ignore[arg-type]
        store = StoreWriter.open(begun)
        store.insert_calibration(coupler.id, dump(coupler.content))
        play(first, range(SOUND_DAYS), pipeline, store)
        store.close()
        for cause, run in runs.items():
            path = Path(place) / f"{cause}.sqlite"
            shutil.copy(begun, path)
            store, own = StoreWriter.open(path), copy.deepcopy(pipeline)
            after = SLOW_DAYS_AFTER if cause in SLOW else DAYS_AFTER
            play(run, range(SOUND_DAYS, SOUND_DAYS + after), own, store)
            store.write(own.finish())
            store.close()
            path.rename(folder / f"{cause}-{seed}.sqlite")


def matrix(found: Sequence[Outcome]) -> str:
    """Planted down, named first across."""
    counts = Counter((one.planted, one.first) for one in found)
    said = list(dict.fromkeys(one.first for one in found))
    lines = [f"{'':24}" + " ".join(f"{name[:13]:>13}" for name in said)]
    for planted in dict.fromkeys(one.planted for one in found):
        figures = (counts[planted, name] or "." for name in said)
        lines.append(f"{planted:24}" + " ".join(f"{figure:>13}" for figure in figures))
    return "\n".join(lines)


def shares(found: Sequence[Outcome]) -> str:
    """The shares that the bars are set for."""
    faults = [one for one in found if one.planted in ACCEPTED]
    sound = [one for one in found if one.planted not in ACCEPTED]
    lines = []
    if faults:
        right = sum(one.is_right for one in faults)
        wrong = sum(one.diagnosis.sure and not one.is_right for one in faults)
        lines.append(
            f"{len(faults)} faults: first right {right / len(faults):.1%} (bar {LEAST_RIGHT:.0%}),"
            f" wrong and sure {wrong / len(faults):.1%} (bar {MOST_WRONG_AND_SURE:.0%})"
        )
        silent = sum(all(days < 0 for _, days in one.alarms) for one in faults)
        lines.append(f"without any alarm since the fault began: {silent} of {len(faults)}")
    for planted in LEVEL_FAULTS:
        days = [one.days for one in faults if one.planted == planted]
        if days:
            soon = sum(d is not None and d <= MOST_DAYS for d in days)
            lines.append(f"{planted}: alarm within two days in {soon} of {len(days)}")
    if sound:
        blamed = [one for one in sound if blame(one.diagnosis.odds) > MOST_BLAME]
        lines_blamed = sum(line_blame(one.diagnosis.odds) > MOST_LINE_BLAME for one in sound)
        alarms = Counter(kind for one in sound for kind, _ in one.alarms)
        lines.append(
            f"{len(sound)} sound stations: a fault blamed above {MOST_BLAME} on {len(blamed)},"
            f" line or antenna above {MOST_LINE_BLAME} on {lines_blamed}; alarms {dict(alarms)}"
        )
    return "\n".join(lines)


def blame(odds: dict[str, float]) -> float:
    """Return the odds of the likeliest fault; season and shack are none."""
    return max(share for name, share in odds.items() if name not in (NOTHING, SEASON, SHACK))


def line_blame(odds: dict[str, float]) -> float:
    """Return the odds of the likeliest fault of line or antenna."""
    return max(odds[name] for name in LINE)


def describe(one: Outcome) -> str:
    """Return a line about an outcome."""
    odds = {name: round(share, 2) for name, share in one.diagnosis.odds.items() if share > 0.05}
    alarms = [(kind, round(days, 1)) for kind, days in one.alarms]
    mark = "ok" if one.is_right else "WRONG, SURE" if one.diagnosis.sure else "wrong"
    return f"{one.planted} {one.seed}: {mark} {odds} {alarms}"


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--seeds", type=int, default=20, help="stations of each fault")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--sound", type=int, default=40, help="sound stations")
    parser.add_argument("--minutes", type=float, default=2.0, help="minutes a day on the air")
    parser.add_argument("--only", nargs="*", choices=[*FAULTS, *SOUND], help="these causes alone")
    parser.add_argument("--stores", type=Path, help="folder in which stores are kept")
    parser.add_argument("--show", action="store_true", help="a line for each history")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    wanted = args.only or [*FAULTS, *SOUND]
    causes = [cause for cause in FAULTS if cause in wanted]
    cases = [(causes, seed) for seed in seeds]
    cases += [
        ([kind], SOUND_SEED + args.first_seed + number // len(SOUND))
        for number in range(args.sound)
        if (kind := SOUND[number % len(SOUND)]) in wanted
    ]
    found: list[Outcome] = []
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        folder = args.stores or Path(place)
        folder.mkdir(parents=True, exist_ok=True)
        for group, seed in cases:
            for one in outcomes(group, seed, args.minutes, folder):
                found.append(one)
                if args.show:
                    print(describe(one), flush=True)
    print(matrix(found))
    print(shares(found))
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
