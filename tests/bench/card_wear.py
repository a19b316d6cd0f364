"""Prints what a day of a typical station writes to its memory card: two hours of transmitting at
200 pairs a second, 120 transmissions of a minute; split into archive, rows and write-ahead log.

    python -m tests.bench.card_wear [--page BYTES] [--log PAGES] [--hours H] [folder]
    python -m tests.bench.card_wear --live SECONDS [--own-disks] [folder]

The day goes through the pipeline and the store as live pairs do, in quick time: a commit for each
second in which there is something to store, and a look at whether to merge. Bytes are those of the
kernel's account of the process (write_bytes), so the folder must be on a real disk. Fails above
the bar.

In quick time a page that is written twice before the kernel takes it to the disk counts once, also
where it would not on a day. `--live` watches two real daemons instead, an idle one and one that has
the same transmissions one after the other, and puts a day together of them: what remains in the
file for archive and rows, and the rest, which went to the log or was written again. As quiet pairs
are committed every 480 s, watch for a multiple of that. It ends with the log brought into the file
and counts that, so that it does not matter whether a daemon had come to do it; as a longer log is
brought there for less, this is on the safe side.

What the kernel accounts to a process are the pages that it made dirty, each time they became so,
its mapped ones included. The file system's own journal and inodes are not among them. `--own-disks`
(as root) gives each daemon an ext4 file system of its own in a loop device, and also prints what
these were sent. The bar is for the account of the process.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import msgspec

from drivers.contract import EndOfInput
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.calibration.simulated import calibration
from logger.config.load import load
from logger.pipeline import Pipeline
from logger.rows import Row, Samples
from logger.store.writer import StoreWriter
from tests.station import Running

RATE_HZ = 200
TRANSMISSIONS, EACH_S = 120, 60
MODES = ("fm", "am", "ssb")
AFTER_S = 5.0  # from one transmission to the next, longer than what is stored of its end
MOST_MB = 80.0  # in quick time, where nothing is spooled
MOST_LIVE_MB = 35.0
SETTLE_S = 65.0
ROOT = Path(__file__).parents[2]


def written(process: int | str = "self") -> int:
    """Bytes that a process has caused to be written to disks."""
    lines = Path(f"/proc/{process}/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def station(hours: float) -> SimulatedOptions:
    """Transmissions evenly over the day in all modes."""
    every_s = 86_400 / TRANSMISSIONS
    return msgspec.convert(
        {
            "seed": 5,
            "rate_hz": RATE_HZ,
            "pace": "fast",
            "block_s": 1.0,
            "start_utc": "2026-03-01T00:00:00Z",
            "duration_s": 3600 * hours,
            "operator": {
                "transmissions": [
                    {"at_s": 20 + n * every_s, "duration_s": EACH_S, "mode": MODES[n % 3]}
                    for n in range(round(TRANSMISSIONS * hours / 24))
                ]
            },
        },
        SimulatedOptions,
    )


def commits(options: SimulatedOptions, config: object) -> list[list[Row]]:
    """The batches that the daemon would commit, a second's or less each."""
    driver = SimulatedDriver(options)
    driver.open()
    pipeline = Pipeline(config, Coupler(calibration(options.coupler, options.adc)))
    batches: list[list[Row]] = []
    try:
        while block := driver.read(0.0, 0.0):
            batches += [rows] if (rows := pipeline.process(block)) else []
    except EndOfInput:
        batches.append(pipeline.finish())
    return batches


def day(path: Path, batches: list[list[Row]], options: SimulatedOptions) -> dict[str, float]:
    """Write the batches, syncing as the daemon's store does; what was written, MB."""
    content = calibration(options.coupler, options.adc)
    before = written()
    store = StoreWriter.open(path)
    store.insert_calibration(Coupler(content).id, dump(content))
    counts: Counter[str] = Counter()
    log = path.with_name(path.name + "-wal")
    for rows in batches:
        store.write(rows)
        counts["commits"] += 1
        counts["merged"] += bool(store.archive.merge())
    counts["log file"] = log.stat().st_size
    pairs = store.archive.pairs()
    store.close()
    total = written() - before
    return {
        "total": total / 1e6,
        "file": path.stat().st_size / 1e6,
        "log file": counts["log file"] / 1e6,
        "commits": counts["commits"],
        "merges": counts["merged"],
        "pairs": pairs,
    }


class Split:
    """What of a day is written for what: the same day without the archive, or without rows."""

    def __init__(self, batches: list[list[Row]], options: SimulatedOptions, folder: Path) -> None:
        self._batches, self._options, self._folder = batches, options, folder

    def measure(self, name: str, wanted: Callable[[Row], bool]) -> dict[str, float]:
        """A day of the wanted rows only."""
        batches = [kept for rows in self._batches if (kept := [r for r in rows if wanted(r)])]
        figures = day(self._folder / f"{name}.sqlite", batches, self._options)
        print(
            f"{name:10}{figures['total']:8.1f} MB written; file {figures['file']:.2f} MB,"
            f" log {figures['log file']:.2f} MB; {figures['commits']:.0f} commits,"
            f" {figures['merges']:.0f} merges"
        )
        return figures


class Kept(NamedTuple):
    """Bytes in use in a file, by what they hold."""

    archive: float
    rows: float


def kept(path: Path) -> Kept:
    """What of a store holds what, indexes included."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        sizes = dict(connection.execute("SELECT name, sum(payload) FROM dbstat GROUP BY name"))
    archive = sizes.pop("segments")
    return Kept(archive, sum(sizes.values()))


def checkpoint(path: Path) -> int:
    """Bring the log into the file; bytes written."""
    before = written()
    with contextlib.closing(sqlite3.connect(path, timeout=10)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    return written() - before


@contextlib.contextmanager
def own_disk(folder: Path) -> Iterator[None]:
    """Mount an ext4 file system of its own at a new folder."""
    image = folder.with_suffix(".ext4")
    with image.open("wb") as file:
        file.truncate(256 << 20)
    for words in (("mkfs.ext4", "-q", "-F", image), ("mount", "-o", "loop", image, folder)):
        subprocess.run(words, check=True)
    try:
        yield
    finally:
        subprocess.run(("umount", folder), check=True)


def sent(folder: Path) -> int:
    """Bytes written to the disk that holds a folder, by whomever."""
    subprocess.run(("sync", "-f", folder), check=True)
    device = os.stat(folder).st_dev
    fields = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat").read_text().split()
    return int(fields[6]) * 512


def live(folder: Path, seconds: float, *, own_disks: bool = False) -> float:
    """Print what real daemons write, idle and keyed; MB a day."""
    with contextlib.ExitStack() as disks:
        for name in ("idle", "keyed"):
            (folder / name).mkdir()
            if own_disks:
                disks.enter_context(own_disk(folder / name))
        return _live(folder, seconds, own_disks)


def _live(folder: Path, seconds: float, own_disks: bool) -> float:
    keyed_s = TRANSMISSIONS * EACH_S
    busy_s = keyed_s + TRANSMISSIONS * AFTER_S
    a_day = {"idle": (86_400 - busy_s) / 1e6, "keyed": busy_s / 1e6}
    each = (
        f"{{at_s: {2 + number * (EACH_S + AFTER_S)}, duration_s: {EACH_S}, mode: {mode}}}"
        for number, mode in zip(range(1000), itertools.cycle(MODES), strict=False)
    )
    keyed = {"idle": "", "keyed": ", ".join(each)}
    daemons: dict[str, tuple[Running, Path]] = {}
    for name, transmissions in keyed.items():
        config = folder / name / "config.yaml"
        config.write_text(
            f"driver: {{kind: simulated, pace: realtime, rate_hz: {RATE_HZ},"
            f" operator: {{transmissions: [{transmissions}]}}}}\n"
            "store: {path: data/station.sqlite}\n"
        )
        daemons[name] = Running(config), folder / name / "data/station.sqlite"

    def figures() -> dict[str, tuple[int, Kept]]:
        return {
            name: (written(daemon.process.pid), kept(store))
            for name, (daemon, store) in daemons.items()
        }

    try:
        time.sleep(SETTLE_S)
        for _, store in daemons.values():
            checkpoint(store)
        sent_0 = {name: sent(folder / name) for name in daemons if own_disks}
        before = figures()
        time.sleep(seconds)
        after = figures()
        late = {name: checkpoint(store) for name, (_, store) in daemons.items()}
        to_disk = sum(
            (sent(folder / name) - bytes_0) / seconds * a_day[name]
            for name, bytes_0 in sent_0.items()
        )
    finally:
        for daemon, _ in daemons.values():
            daemon.kill()
    day = [0.0, 0.0, 0.0]
    for name, (total, held) in after.items():
        total_0, held_0 = before[name]
        rates = [(total + late[name] - total_0) / seconds]
        rates += [(new - old) / seconds for new, old in zip(held, held_0, strict=True)]
        day = [mb + a_day[name] * rate for mb, rate in zip(day, rates, strict=True)]
        print(f"{name:10}{rates[0] / 1e3:8.2f} kB/s, {rates[0] * a_day[name]:.1f} MB a day")
    total, archive, rows = day
    print(
        f"a day: {total:.1f} MB; in the file archive {archive:.1f}, rows {rows:.1f};"
        f" log and pages written again {total - archive - rows:.1f}"
        + (f"; sent to the disks {to_disk:.1f}" if own_disks else "")
    )
    return total


def main() -> int:
    """Print all figures; 1 above the bar."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path, nargs="?", default=ROOT)
    parser.add_argument("--page", type=int, help="page_size of the file, instead of the store's")
    parser.add_argument("--log", type=int, help="pages of the log, instead of the store's")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--live", type=float, help="seconds to watch real daemons")
    parser.add_argument("--own-disks", action="store_true", help="with file systems of their own")
    chosen = parser.parse_args()
    options = station(chosen.hours)
    with tempfile.TemporaryDirectory(dir=chosen.folder, prefix="card-wear-") as name:
        folder = Path(name)
        if chosen.live:
            return int(live(folder, chosen.live, own_disks=chosen.own_disks) > MOST_LIVE_MB)
        (folder / "config.yaml").write_text("driver: {kind: simulated}\n")
        batches = commits(options, load(folder / "config.yaml"))
        if chosen.page or chosen.log:
            _instead(chosen.page, chosen.log)
        split = Split(batches, options, folder)
        whole = split.measure("all", lambda row: True)
        if not whole["total"]:
            print("this folder is on no disk: nothing is counted; name another")
            return 1
        archive = split.measure("archive", lambda row: isinstance(row, Samples))
        rows = split.measure("rows", lambda row: not isinstance(row, Samples))
        through_log = whole["total"] - whole["file"]
        print(
            f"{whole['pairs']:.0f} pairs: {whole['total']:.1f} MB; the archive alone makes"
            f" {archive['total']:.1f}, rows alone {rows['total']:.1f}; of the whole"
            f" {whole['file']:.1f} remain in the file, {through_log:.1f} were the log and pages"
            " written again"
        )
    return int(whole["total"] * 24 / chosen.hours > MOST_MB)


def _instead(page: int | None, log: int | None) -> None:
    """Other settings from here on, for comparison."""
    from logger.store import database, writer

    writer.PAGE_BYTES = page or writer.PAGE_BYTES
    database.LOG_BYTES = log * writer.PAGE_BYTES if log else database.LOG_BYTES


if __name__ == "__main__":
    sys.exit(main())
