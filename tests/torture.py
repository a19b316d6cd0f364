"""The daemon killed at random moments under load, and what is in its store held against what was
sent.

A bridge of its own process sends without pause; the daemon is killed with SIGKILL at any moment,
on a commit, or at a merge of its archive, and started again at once, with a real server to forward
to. After each kill a copy of the store is read, as the next daemon will find it; nothing that was
in one copy may be missing or different in a later one.
"""

from __future__ import annotations

import itertools
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from logger.live.status import ask
from logger.rows import Flag
from logger.store.reader import Store
from logger.store.tables import FORWARDED
from logger.store.writer import StoreWriter
from logger.utc import parse_time
from tests.bridge import FAULT, QUIET, SENT, STEP_V
from tests.deadlines import Deadline, lateness_s, scale
from tests.servers import Server, victoria_metrics
from tests.station import mismatchd, pty, write_config
from tests.test_forwarder import exported as exported_series
from tests.torn import MOMENTS

HANG_MS = 300
LOSS_S = 2.0  # what a kill may cost
LIFE_S = (0.3, 4.0)  # from start to kill
OPENING_S = 0.3  # from the daemon's first words until it reads for certain
TOLD_S = 0.5  # an alarm this old is stored and told,
ENDED_S = 0.8  # and a transmission that ended so long ago; the hang time counts
EVER_NS = 2**62
INTERRUPTED = int(Flag.INTERRUPTED)


@dataclass
class Run:
    """One life of the daemon; times in UTC ns. `ready_ns` is when it said that it watches."""

    how: str
    started_ns: int
    ready_ns: int | None = None
    killed_ns: int = 0


@dataclass
class Snapshot:
    """A store as a kill left it: rows by their key, archived pairs in the order of reading."""

    transmissions: dict[int, dict[str, Any]]
    seconds: dict[int, dict[str, Any]]
    alarms: dict[tuple[str, int], dict[str, Any]]
    time_ns: np.ndarray
    n: np.ndarray
    forward_v: np.ndarray
    reflected_v: np.ndarray
    doubled: int
    open_s: float
    fault_changes: set[tuple[int, str]]  # fault and change


@dataclass
class Result:
    """What came of it; `wrong` says each thing that must not be."""

    runs: list[Run] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    sent: int = 0
    archived: int = 0
    lost: int = 0  # sent in a transmission while the daemon read, and not archived
    longest_loss_s: float = 0.0  # from the first such pair to the kill
    longest_down_s: float = 0.0  # from a kill until the daemon reads again
    longest_open_s: float = 0.0
    lost_rows: int = 0
    early: int = 0  # changes told from memory and lost by the kill that followed
    doubled: int = 0
    rows: dict[str, int] = field(default_factory=dict)
    segments: int = 0
    merged: int = 0
    alarms_due: int = 0
    whole: int = 0  # transmissions that were sent wholly within one run
    points: int = 0
    store_bytes: int = 0

    def lines(self) -> list[str]:
        """The figures in words."""
        kills = [run for run in self.runs if run.how != "stop"]
        by_how = ", ".join(
            f"{sum(run.how == how for run in kills)} {how}"
            for how in dict.fromkeys(run.how for run in kills)
        )
        rows = ", ".join(f"{count} {name}" for name, count in self.rows.items())
        return [
            f"kills: {len(kills)} ({by_how})",
            f"pairs: {self.sent} sent, {self.archived} archived in {self.segments} segments,"
            f" {self.merged} of them merged; {self.store_bytes / 1e6:.1f} MB",
            f"lost by kills: {self.lost} pairs, at most the last {self.longest_loss_s:.2f} s;"
            f" down for {self.longest_down_s:.2f} s at most",
            f"rows: {rows}; {self.lost_rows} lost or changed, {self.doubled} doubled",
            f"told while the disk was late and lost by a kill: {self.early}",
            f"{self.whole} whole transmissions and {self.alarms_due} faults, all there",
            f"opened in {1e3 * self.longest_open_s:.0f} ms at most",
            f"server: {self.points} points, the same as the store's",
            *(f"WRONG: {text}" for text in self.wrong),
        ]


def torture(
    folder: Path, kills: int, seed: int, goes_on: Callable[[int], bool] = lambda number: True
) -> Result:
    """Kill so often while it goes on, stop, reconcile. Takes about three seconds a kill."""
    random_ = random.Random(seed)
    result = Result()
    with pty() as (master, name), victoria_metrics(folder) as server:
        config = write_config(
            folder,
            name,
            driver=f"{{kind: text-lines, port: {name}, baud: 921600,"
            " columns: [forward_v, reflected_v, n]}",
            transmission=f"{{hang_ms: {HANG_MS}}}",
            influxdb=f"{{url: '{server.url}', org: home, bucket: station}}",
        )
        store = folder / "data/station.sqlite"
        log = folder / "sent.bin"
        bridge = subprocess.Popen(
            [sys.executable, "-m", "tests.bridge", str(master), str(log), str(seed)],
            pass_fds=[master],
        )
        try:
            previous = None
            for number in itertools.takewhile(goes_on, range(kills)):
                how = random_.choices(["any", "commit", "merge"], [5, 3, 2])[0]
                run, told = _life(folder, config, how, random_)
                result.runs.append(run)
                snapshot = _snapshot(store, folder / "copy")
                if snapshot is None:
                    continue
                _compare(result, f"kill {number} ({how})", previous, snapshot)
                _check_told(result, told, snapshot, run)
                previous = snapshot
            run = _last_life(folder, config, bridge)
            result.runs.append(run)
        finally:
            bridge.kill()
            bridge.wait()
        snapshot = _snapshot(store, folder / "copy")
        assert snapshot is not None
        _compare(result, "the end", previous, snapshot)
        _reconcile(result, snapshot, np.fromfile(log, SENT))
        _hold_against(result, store, server)
    result.store_bytes = store.stat().st_size
    _check_derived(result, config)
    return result


# the daemon's lives


@contextmanager
def _daemon(
    folder: Path, config: Path, moment: str, pairs: int
) -> Iterator[tuple[subprocess.Popen[bytes], Path, Path]]:
    said, told = folder / "stderr.txt", folder / "stdout.txt"
    torn = [sys.executable, "-m", "tests.torn", str(pairs), moment]
    with said.open("wb") as err, told.open("wb") as out:
        daemon = subprocess.Popen(
            [*torn, "run", "--events", "-c", str(config)], stdout=out, stderr=err
        )
    try:
        yield daemon, said, told
    finally:
        if daemon.poll() is None:
            daemon.kill()
        daemon.wait()


def _life(
    folder: Path, config: Path, how: str, random_: random.Random
) -> tuple[Run, list[dict[str, Any]]]:
    """Start, let live, kill; what it told."""
    life_s = scale(random_.uniform(*LIFE_S))
    moment, pairs = "never", random_.choice([1000, 4000])
    if how == "merge":
        moment, pairs, life_s = random_.choice(MOMENTS[1:]), 300, scale(10.0)
    late_s = random_.uniform(0, 0.004)
    wal = config.parent / "data/station.sqlite-wal"
    with _daemon(folder, config, moment, pairs) as (daemon, said, told):
        run = Run(how, time.time_ns())
        end = time.monotonic() + life_s
        while time.monotonic() < end and daemon.poll() is None:
            if run.ready_ns is None and b"watching" in said.read_bytes():
                run.ready_ns = time.time_ns()
            time.sleep(0.005)
        if how == "commit":
            _await_change(wal, 2.0)
            time.sleep(late_s)
        died = daemon.poll()
        run.killed_ns = time.time_ns()
        daemon.kill()
        assert daemon.wait() == -signal.SIGKILL, said.read_text()
        assert died in (None, -signal.SIGKILL), said.read_text()
        lines = told.read_bytes().split(b"\n")[:-1]
    return run, [json.loads(line) for line in lines]


def _await_change(path: Path, at_most_s: float) -> None:
    """Wait until a file is written to, without sleeping."""

    def state() -> tuple[int, int] | None:
        try:
            found = os.stat(path)
        except OSError:
            return None
        return found.st_size, found.st_mtime_ns

    before, deadline = state(), Deadline(at_most_s)
    while state() == before and not deadline.has_passed():
        pass


def _last_life(folder: Path, config: Path, bridge: subprocess.Popen[bytes]) -> Run:
    """The last one ends by SIGTERM, once the bridge has ended and all is forwarded."""
    store = config.parent / "data/station.sqlite"
    with _daemon(folder, config, "never", 4000) as (daemon, said, _):
        run = Run("stop", time.time_ns())
        deadline = Deadline(60)
        while not deadline.has_passed() and daemon.poll() is None:
            if run.ready_ns is None and b"watching" in said.read_bytes():
                run.ready_ns = time.time_ns()
                time.sleep(4.0)
                bridge.terminate()
                bridge.wait(scale(10))
                time.sleep(1.5)
            status = ask(store) if run.ready_ns else None
            if status and sum(one.backlog for one in status.forwarders) == 0:
                break
            time.sleep(0.1)
        assert daemon.poll() is None, said.read_text()
        run.killed_ns = time.time_ns()
        daemon.terminate()
        assert daemon.wait(scale(10)) == 0, said.read_text()
    return run


# the store after a kill


def _snapshot(store: Path, copy: Path) -> Snapshot | None:
    """Copy the files of a store (all but the shared memory) and read the copy; None if there is
    none yet."""
    if not store.exists():
        return None
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    target = copy / store.name
    for suffix in ("", "-wal", "-spool"):
        piece = store.with_name(store.name + suffix)
        if piece.exists():
            shutil.copyfile(piece, target.with_name(target.name + suffix))
    begun = time.perf_counter()
    opened = StoreWriter.open(target)
    open_s = time.perf_counter() - begun
    assert not list(copy.glob("*.damaged*"))
    blocks = list(opened.archive.blocks(-EVER_NS, EVER_NS))
    opened.close()
    connection = sqlite3.connect(target)
    connection.row_factory = sqlite3.Row

    def rows(table: str) -> list[dict[str, Any]]:
        return [dict(row) for row in connection.execute(f"SELECT * FROM {table}")]

    transmissions, seconds, alarms = rows("transmissions"), rows("seconds"), rows("alarms")
    fault_changes = {(row["fault_id"], row["change"]) for row in rows("fault_changes")}
    (broken,) = connection.execute("PRAGMA integrity_check").fetchone()
    assert broken == "ok"
    connection.close()
    by_key = (
        {row["start_ns"]: row for row in transmissions},
        {row["time_ns"]: row for row in seconds},
        {(row["kind"], row["raised_ns"]): row for row in alarms},
    )

    def pairs(column: str, kind: Any) -> np.ndarray:
        found = [block.aux["n"] if column == "n" else getattr(block, column) for block in blocks]
        return np.concatenate([np.empty(0, kind), *found]).astype(kind)

    return Snapshot(
        *by_key,
        pairs("time_ns", np.int64),
        pairs("n", np.int64),
        pairs("forward_v", np.float64),
        pairs("reflected_v", np.float64),
        len(transmissions + seconds + alarms) - sum(map(len, by_key)),
        open_s,
        fault_changes,
    )


def _compare(result: Result, when: str, before: Snapshot | None, after: Snapshot) -> None:
    """What was committed at one kill is there at a later one."""
    wrong = result.wrong
    result.longest_open_s = max(result.longest_open_s, after.open_s)
    if after.doubled or not (np.diff(after.time_ns) > 0).all() or not (np.diff(after.n) > 0).all():
        result.doubled += after.doubled + int((np.diff(after.n) <= 0).sum())
        wrong.append(f"{when}: {after.doubled} rows doubled, or pairs not strictly in order")
    open_kinds = [key[0] for key, row in after.alarms.items() if row["cleared_ns"] is None]
    if len(set(open_kinds)) < len(open_kinds):
        wrong.append(f"{when}: open twice: {open_kinds}")
    if before is None:
        return
    count = len(before.n)
    for name in ("time_ns", "n", "forward_v", "reflected_v"):
        if not np.array_equal(getattr(before, name), getattr(after, name)[:count]):
            result.lost_rows += 1
            wrong.append(f"{when}: archived pairs are not as they were ({name})")
    if lost := before.fault_changes - after.fault_changes:
        result.lost_rows += len(lost)
        wrong.append(f"{when}: changes of faults are lost: {lost}")
    for table in ("transmissions", "seconds", "alarms"):
        new = getattr(after, table)
        for key, row in getattr(before, table).items():
            if not _stands(row, new.get(key)):
                result.lost_rows += 1
                wrong.append(f"{when}: {table} {key}: {row} became {new.get(key)}")


def _stands(old: dict[str, Any], new: dict[str, Any] | None) -> bool:
    """Whether a row is as it was, but for what happens in its life."""
    if new is None:
        return False
    if old.get("ended") == 0:  # cut short by the kill, and closed once the next run begins
        return new in (old, {**old, "ended": 1, "flags": old["flags"] | INTERRUPTED})
    if "cleared_ns" in old and old["cleared_ns"] is None:
        return new == {**old, "cleared_ns": new["cleared_ns"]}
    return new == old


def _check_told(result: Result, told: list[dict[str, Any]], snapshot: Snapshot, run: Run) -> None:
    """What was told is in the store, but for the last moment if the disk was late.

    Then an alarm is told before it is committed, without an id.
    """
    ids = {row["id"] for row in snapshot.transmissions.values() if row["ended"]}
    alarms = {row["id"]: row for row in snapshot.alarms.values()}
    for event in told:
        if event["event"] == "transmission":
            fine = event["id"] in ids
        elif event["event"] == "fault":
            fine = (event["id"], event["change"]) in snapshot.fault_changes
        else:
            row = alarms.get(event["id"])
            fine = row is not None and (
                event["change"] == "raised" or row["cleared_ns"] is not None
            )
        if not fine and event["id"] is None and _is_late(event, run):
            result.early += 1
        elif not fine:
            result.wrong.append(f"told and not stored: {event}")


def _is_late(event: dict[str, Any], run: Run) -> bool:
    """Whether what is told happened just before a kill."""
    utc = event.get("change_utc") or event[f"{event['change']}_utc"]
    return run.killed_ns - parse_time(utc, 0) < scale(LOSS_S) * 1e9


# the end


def _reconcile(result: Result, snapshot: Snapshot, sent: np.ndarray) -> None:
    """Hold the store against what the bridge has sent."""
    wrong = result.wrong
    result.sent, result.archived = len(sent), len(snapshot.n)
    place = np.searchsorted(sent["n"], snapshot.n)
    known = sent[np.minimum(place, len(sent) - 1)]
    made_up = known["n"] != snapshot.n
    if made_up.any():
        wrong.append(f"{made_up.sum()} archived pairs were never sent")
    for column, name in ((snapshot.forward_v, "forward"), (snapshot.reflected_v, "reflected")):
        if not np.allclose(column, known[name] * STEP_V, rtol=0, atol=1e-12):
            wrong.append(f"{name} volts are not those sent")
    archived = np.isin(sent["n"], snapshot.n)
    down_since_ns = None
    for run in result.runs:
        if run.ready_ns is None:
            continue
        reads_ns = run.ready_ns + int(scale(OPENING_S) * 1e9)
        within = (sent["time_ns"] >= reads_ns) & (sent["time_ns"] <= run.killed_ns)
        missing = sent[within & (sent["kind"] != QUIET) & ~archived]
        if len(missing):
            loss_s = (run.killed_ns - int(missing["time_ns"][0])) / 1e9
            result.lost += len(missing)
            result.longest_loss_s = max(result.longest_loss_s, loss_s)
            if loss_s > scale(LOSS_S) or run.how == "stop":
                wrong.append(f"{len(missing)} pairs of {loss_s:.2f} s before the {run.how} lost")
        if down_since_ns is not None:
            down_s = (run.ready_ns - down_since_ns) / 1e9
            result.longest_down_s = max(result.longest_down_s, down_s)
        down_since_ns = run.killed_ns
        _check_whole(result, snapshot, sent[within], run)
        _check_alarms(result, snapshot, sent[within], run)
    result.rows = {
        "transmissions": len(snapshot.transmissions),
        "seconds": len(snapshot.seconds),
        "alarms": len(snapshot.alarms),
    }
    if any(row["ended"] == 0 for row in snapshot.transmissions.values()):
        wrong.append("a transmission is still open at the end")
    _check_parts(result, snapshot)


def _check_whole(result: Result, snapshot: Snapshot, sent: np.ndarray, run: Run) -> None:
    """Transmissions sent wholly within a run are stored with all their pairs."""
    starts = np.array(sorted(snapshot.transmissions))
    for number in np.unique(sent["transmission"][sent["kind"] != QUIET]):
        own = np.flatnonzero(sent["transmission"] == number)
        last_ns = int(sent["time_ns"][own[-1]])
        begins_inside = own[0] > 0 and sent["kind"][own[0] - 1] == QUIET
        if not begins_inside or run.killed_ns - last_ns < scale(ENDED_S) * 1e9:
            continue
        keyed = np.flatnonzero(sent["kind"] != QUIET)
        beside = np.concatenate([keyed[keyed < own[0]][-1:], keyed[keyed > own[-1]][:1]])
        arrived_ns = snapshot.time_ns[np.isin(snapshot.n, sent["n"][own])]
        beside_ns = snapshot.time_ns[np.isin(snapshot.n, sent["n"][beside])]
        # Where the machine kept the bridge or the daemon waiting, pairs come late and in bursts.
        is_cut = np.diff(arrived_ns).max(initial=0) > HANG_MS * 1e6
        pauses_ns = [np.abs(arrived_ns - at_ns).min(initial=EVER_NS) for at_ns in beside_ns]
        if is_cut or min(pauses_ns, default=EVER_NS) < HANG_MS * 1e6:
            continue
        result.whole += 1
        first_ns = int(sent["time_ns"][own[0]])
        at = int(np.argmin(np.abs(starts - first_ns)))
        row = snapshot.transmissions[int(starts[at])]
        late_ns = 1e9 * (0.1 + lateness_s())
        if abs(row["start_ns"] - first_ns) > late_ns or row["samples"] != len(own):
            result.wrong.append(
                f"{len(own)} pairs from {first_ns} to {last_ns} are stored as {row}"
            )


def _check_alarms(result: Result, snapshot: Snapshot, sent: np.ndarray, run: Run) -> None:
    """A fault within a run has raised an alarm, or met one that was open."""
    spans = [
        (row["raised_ns"], row["cleared_ns"] or EVER_NS)
        for (kind, _), row in snapshot.alarms.items()
        if kind == "high-swr"
    ]
    edges = np.flatnonzero(np.diff(sent["kind"] == FAULT)) + 1
    for part in np.split(sent, edges):
        if not len(part) or part["kind"][0] != FAULT:
            continue
        first_ns, last_ns = int(part["time_ns"][0]), int(part["time_ns"][-1])
        if last_ns - first_ns < 200_000_000 or run.killed_ns - last_ns < scale(TOLD_S) * 1e9:
            continue
        result.alarms_due += 1
        if not any(raised <= last_ns and cleared >= first_ns for raised, cleared in spans):
            result.wrong.append(f"a fault from {first_ns} to {last_ns} has raised nothing")


def _check_parts(result: Result, snapshot: Snapshot) -> None:
    """Transmissions do not overlap; seconds lie in theirs and have no more pairs than it."""
    ordered = sorted(snapshot.transmissions.values(), key=lambda row: row["start_ns"])
    for one, next_ in itertools.pairwise(ordered):
        if one["end_ns"] >= next_["start_ns"]:
            result.wrong.append(f"transmissions overlap: {one} and {next_}")
    parts: dict[int, int] = {}
    by_id = {row["id"]: row for row in ordered}
    for row in snapshot.seconds.values():
        whole = by_id.get(row["transmission_id"])
        if whole is None or not whole["start_ns"] <= row["time_ns"] <= whole["end_ns"]:
            result.wrong.append(f"a second of no transmission: {row}")
            continue
        parts[whole["id"]] = parts.get(whole["id"], 0) + row["samples"]
    for row in ordered:
        count = parts.get(row["id"], 0)
        if count > row["samples"] or (count < row["samples"] and not row["flags"] & INTERRUPTED):
            result.wrong.append(f"{count} pairs in the seconds of {row}")


COUNTED_ON = {
    f"fault_{name}" for name in ("alarms", "excursions", "open_time_s", "transmissions_since")
}


def _hold_against(result: Result, store: Path, server: Server) -> None:
    """The server holds exactly the rows of the store (text is not kept there).

    The counts in a fault's point are those at its delivery: its signs go on without a new point.
    """
    expected: dict[tuple[str, int], set[float]] = {}
    words = set()
    opened = Store.reader(store)
    for table in FORWARDED:
        for record in opened.records(table, -EVER_NS, EVER_NS):
            for name, value in record.columns.items():
                series = f"{table.measurement}_{name}"
                if isinstance(value, str) or series in COUNTED_ON:
                    words.add(series)
                elif value is not None:
                    key = series, record.time_ns // 1_000_000
                    expected.setdefault(key, set()).add(float(value))
    opened.close()
    found = {
        (name, at_ms): value
        for name, points in exported_series(server).items()
        if name not in words
        for at_ms, value in points
    }
    result.points = len(found)
    for key in found.keys() - expected.keys():
        result.wrong.append(f"the server has {key}, the store has not")
    for key, values in expected.items():
        if found.get(key) not in values:
            result.wrong.append(f"the server has {found.get(key)} at {key}, the store {values}")


def _check_derived(result: Result, config: Path) -> None:
    """Rows derived again from the archive are the same."""
    store = config.parent / "data/station.sqlite"
    connection = sqlite3.connect(store)
    result.segments, result.merged = connection.execute(
        "SELECT count(*), sum(merged) FROM segments"
    ).fetchone()
    query = "SELECT start_ns, samples, flags, * FROM transmissions ORDER BY start_ns"
    before = connection.execute(query).fetchall()
    mismatchd("recompute", "-c", config)
    after = connection.execute(query).fetchall()
    connection.close()
    if len(after) != len(before):
        result.wrong.append(f"derived again, {len(before)} transmissions are {len(after)}")
    for old, new in zip(before, after, strict=False):
        # One that was cut short had been stored as of its last whole second.
        longer = old[2] & INTERRUPTED and new[:1] == old[:1] and new[1] >= old[1]
        if new != old and not longer:
            result.wrong.append(f"derived again, {old} becomes {new}")
