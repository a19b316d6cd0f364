"""Checks the history of a station that is killed and whose power is cut again and again.

python -m tests.bench.history [ends] [seed]

Held against each other are event lines, messages of two notifiers, the points at an InfluxDB server
and the store. What was told is stored (after a power cut: what was told 0.1 s before it), what is
stored arrives everywhere, once. Every third end is a power cut.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.parse
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger.live.status import ask
from logger.store.reader import Store
from logger.store.tables import FORWARDED
from logger.store.writer import StoreWriter
from tests.counterparts import hook_server
from tests.deadlines import Deadline, lateness_s, scale
from tests.disk import Disk
from tests.line_server import line_server, passed_on
from tests.power_cuts import Platter
from tests.servers import Server, http, influxd
from tests.station import Running, pty, write_config
from tests.test_stalls import command
from tests.torture import COUNTED_ON, EVER_NS

LIFE_S = (0.5, 4.0)
PROMISE_S = 0.1  # from the telling of an alarm until it survives a power cut
SYNC_S = 2.0  # store.sync_s
STORM_S = 61.0  # changes of one kind are collected for a minute
CUT_SHARE = 1 / 3
SOCKETS = ("*.socket", "*.live")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# Appends each message to a file.
WRITER = """\
#!{python}
import sys
with open({file!r}, "a") as file:
    file.write(sys.stdin.readline())
"""
Key = tuple[str, str, str]  # kind of alarm or "fault", change, time of it


class History:
    """What is known to have been told and stored; `wrong` says each contradiction."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "data/station.sqlite"
        self.wrong: list[str] = []
        self.kills = self.cuts = self.told = self.lost = 0
        self.durable: set[Key] = set()  # seen in the store, and synced
        self.cuts_ns: list[int] = []

    def check(self, told: dict[Key, float], ended_s: float, *, cut: bool) -> None:
        """Hold what one life told, at which time, against the store that it left."""
        stored = stored_changes(self._copy())
        self.told += len(told)
        margin_s = PROMISE_S + lateness_s() if cut else 0.0
        due = {key for key, told_s in told.items() if told_s <= ended_s - margin_s}
        self.lost += len(told.keys() - stored)
        if missing := due - stored:
            self.wrong.append(f"told and not stored after a {'cut' if cut else 'kill'}: {missing}")
        if missing := self.durable - stored:
            self.wrong.append(f"stored before and no more: {missing}")
        self.durable |= stored if cut else due

    def _copy(self) -> Path:
        copy = self.folder / "copy"
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(self.store.parent, copy, ignore=shutil.ignore_patterns("*-shm", *SOCKETS))
        path = copy / self.store.name
        if path.exists():
            StoreWriter.open(path).close()
        return path


def stored_changes(path: Path) -> set[Key]:
    """Return the changes of alarms and faults in a store."""
    if not path.exists():
        return set()
    with Store.reader(path) as store:
        database = store.database
        if database.query_value("PRAGMA integrity_check") != "ok":
            return set()
        rows = database.query(
            "SELECT a.kind, c.change, c.time_ns FROM alarm_changes AS c JOIN alarms AS a"
            " ON a.id = c.alarm_id"
            " UNION ALL SELECT 'fault', change, time_ns FROM fault_changes"
        )
    keys = [(kind, change, str(time_ns)) for kind, change, time_ns in rows]
    assert len(set(keys)) == len(keys), "a change is stored twice"
    return set(keys)


def told_changes(items: Iterator[tuple[float, dict[str, Any]]]) -> dict[Key, float]:
    """Return the changes among event lines or messages, with the first time of each."""
    told: dict[Key, float] = {}
    for moment, item in items:
        if item.get("event") == "alarm" and item["change"] in ("raised", "cleared"):
            utc = item[f"{item['change']}_utc"]
        elif item.get("event") == "fault" and "change_utc" in item:
            utc = item["change_utc"]
        else:
            continue
        kind = item["kind"] if item["event"] == "alarm" else "fault"
        time_ns = (datetime.fromisoformat(utc) - EPOCH) // timedelta(microseconds=1) * 1000
        told.setdefault((kind, item["change"], str(time_ns)), moment)
    return told


@contextmanager
def bridge(folder: Path, master: int, seed: int) -> Iterator[subprocess.Popen[bytes]]:
    """A bridge that sends without pause."""
    words = [sys.executable, "-m", "tests.bridge", str(master), str(folder / "sent"), str(seed)]
    process = subprocess.Popen(words, pass_fds=[master])
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def run(folder: Path, ends: int, seed: int) -> History:
    """Live and end so often, then deliver all, and compare."""
    randomness = random.Random(seed)
    (folder / "data").mkdir()
    history, disk = History(folder), Disk(folder, folder / "data", records=True)
    platter = Platter(randomness)
    with ExitStack() as stack:
        master, name = stack.enter_context(pty())
        database = stack.enter_context(influxd(folder))
        server = stack.enter_context(line_server())
        server.rule = passed_on(f"{database.url}/write?db=t&precision=ns")
        server.keep = False
        hook = stack.enter_context(hook_server())
        lines = folder / "lines"
        program = command(folder, WRITER.format(python=sys.executable, file=str(lines)))
        config = write_config(
            folder,
            name,
            driver=f"{{kind: text-lines, port: {name}, columns: [forward_v, reflected_v, n]}}",
            transmission="{hang_ms: 300}",
            store=f"{{path: data/station.sqlite, sync_s: {SYNC_S:g}}}",
            influxdb=f"{{url: '{server.url}', org: home, bucket: station}}",
            notify=f"[{{kind: webhook, url: '{hook.url}', detail: alarms}}, {program}]",
        )
        sender = stack.enter_context(bridge(folder, master, seed))
        for number in range(ends):
            daemon = Running(config, **disk.environ)
            end = time.monotonic() + scale(randomness.uniform(*LIFE_S))
            posts = len(hook.posts)
            while time.monotonic() < end:
                daemon.poll()
                assert daemon.process.poll() is None, daemon.process.stderr.read().decode()
                time.sleep(0.005)
            ended_s = time.monotonic()
            daemon.process.send_signal(signal.SIGKILL)
            daemon.process.wait()
            daemon.poll()
            ended_ns = time.time_ns()
            daemon.kill()
            for change in disk.changes():
                platter.apply(change)
            disk.forget()
            is_cut = randomness.random() < CUT_SHARE and history.store.exists()
            if is_cut:
                cut(platter, history.store.parent)
                platter = Platter(randomness)
                platter.load(history.store.parent)
                history.cuts_ns.append(ended_ns)
            history.cuts += is_cut
            history.kills += not is_cut
            told = told_changes(iter(daemon.events))
            delivered = [post.message for post in hook.posts[posts:] if post.status < 300]
            for key in told_changes((ended_s, message) for message in delivered):
                # A message has the time of its delivery, which is not known here: after a cut only
                # those that an event line has, too, are held against the store.
                if not is_cut or key in told:
                    told.setdefault(key, ended_s)
            history.check(told, ended_s, cut=bool(is_cut))
            if number % 20 == 19:
                print(f"{number + 1} ends; {len(history.wrong)} wrong", flush=True)
        last_life(config, sender, {**disk.environ})
        compare_messages(history, "webhook", [post.message for post in hook.posts])
        compare_messages(history, "command", [*map(json.loads, lines.read_text().splitlines())])
        compare_points(history, database)
    return history


def cut(platter: Platter, folder: Path) -> None:
    """Replace the files of the store by what a power cut leaves of them."""
    with tempfile.TemporaryDirectory() as name:
        platter.cut(Path(name))
        for path in folder.iterdir():
            path.unlink()
        for path in Path(name).iterdir():
            shutil.copyfile(path, folder / path.name)


def last_life(config: Path, sender: subprocess.Popen[bytes], environ: dict[str, str]) -> None:
    """Run until all is delivered, with the bridge silent at the end."""
    daemon = Running(config, **environ)
    try:
        daemon.wait_reading(config, 500)
        sender.terminate()
        sender.wait()
        begun_s, deadline = time.monotonic(), Deadline(4 * STORM_S)
        while not deadline.has_passed():
            daemon.poll()
            status = ask(config.parent / "data/station.sqlite")
            assert daemon.process.poll() is None
            if status is not None and time.monotonic() > begun_s + STORM_S:
                outlets = [outlet.backlog for outlet in status.forwarders]
                outlets += [outlet.waiting for outlet in status.notifiers]
                if not any(outlets):
                    break
            time.sleep(0.1)
        code, said = daemon.stop()
        assert code == 0, said
    finally:
        daemon.kill()


def compare_messages(history: History, name: str, messages: list[dict[str, Any]]) -> None:
    """Every stored change is in a message; few are in two, each from about a kill."""
    stored = Counter(key[:2] for key in stored_changes(history.store) if key[0] != "fault")
    by_id = {message["message_id"]: message for message in messages if message["event"] == "alarm"}
    arrived: Counter[tuple[str, str]] = Counter()
    for message in by_id.values():
        arrived[message["kind"], "raised"] += message["raise_count"]
        arrived[message["kind"], "cleared"] += message["clear_count"]
    again = len(messages) - len(by_id)
    more = sum((arrived - stored).values())
    print(
        f"{name}: {len(messages)} messages, {again} sent again; {sum(stored.values())} stored"
        f" changes arrived, {more} of them once more after a kill"
    )
    if missing := stored - arrived:
        history.wrong.append(f"{name}: stored and never delivered: {missing}")
    if max(again, more) > 2 * (history.kills + history.cuts):
        history.wrong.append(f"{name}: {again} messages and {more} changes delivered again")


def compare_points(history: History, server: Server) -> None:
    """The server has each row of the store in one point, and more only from before a cut."""
    count = extra = 0
    with Store.reader(history.store) as store:
        for table in FORWARDED:
            records: dict[int, list[dict[str, Any]]] = {}
            for record in store.records(table, -EVER_NS, EVER_NS):
                records.setdefault(record.time_ns, []).append(dict(record.columns))
            points = points_of(server, table.measurement or "")
            for time_ns, rows in records.items():
                got = points.pop(time_ns, [])
                count += len(got)
                if len(got) != len(rows) or not all(
                    any(is_same(table.measurement or "", row, point) for point in got)
                    for row in rows
                ):
                    history.wrong.append(f"{table.name} {rows} arrived as {got}")
            for time_ns in points:
                extra += 1
                # What a cut took from the store may have been sent before.
                window_ns = round(1e9 * (SYNC_S + 2.0 + lateness_s() + 12.0))
                if not any(0 <= at_ns - time_ns < window_ns for at_ns in history.cuts_ns):
                    history.wrong.append(f"the server has a {table.measurement} at {time_ns}")
    print(f"influxdb: {count} points as stored, {extra} of rows that a power cut took")


def query(server: Server, text: str) -> tuple[list[str], list[list[Any]]]:
    """Return the columns and rows of a query."""
    asked = urllib.parse.urlencode({"db": "t", "q": text, "epoch": "ns"})
    series = json.loads(http(f"{server.url}/query?{asked}"))["results"][0]["series"][0]
    return series["columns"], series["values"]


def points_of(server: Server, measurement: str) -> dict[int, list[dict[str, Any]]]:
    """Return the points of a measurement by time."""
    try:
        columns, rows = query(server, f'SELECT * FROM "{measurement}"')
    except KeyError:  # nothing of that kind
        return {}
    points: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        points.setdefault(int(row[0]), []).append(dict(zip(columns, row, strict=True)))
    return points


def is_same(measurement: str, row: dict[str, Any], point: dict[str, Any]) -> bool:
    """True if a point has the numbers of a row."""
    return all(
        abs(float(point[name]) - float(value)) < 1e-9 * max(1.0, abs(value))
        for name, value in row.items()
        if isinstance(value, int | float)
        and f"{measurement}_{name}" not in COUNTED_ON
        and point.get(name) is not None
    )


if __name__ == "__main__":
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(
            Path(folder),
            int(sys.argv[1]) if len(sys.argv) > 1 else 200,
            int(sys.argv[2]) if len(sys.argv) > 2 else 1,
        )
    print(
        f"{outcome.kills} kills, {outcome.cuts} power cuts; {outcome.told} changes told,"
        f" {outcome.lost} of them lost by cuts within {PROMISE_S} s"
    )
    print("\n".join(f"WRONG: {text}" for text in outcome.wrong))
    print(f"in {time.monotonic() - begun_s:.0f} s")
    sys.exit(bool(outcome.wrong))
