"""Raw pairs around alarms and excursions: kept beyond the retention, linked, exported."""

from __future__ import annotations

import csv
import io
import itertools
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import join
from logger.cli import main
from logger.recompute import recompute
from logger.rows import (
    CAPTURE_AFTER_NS,
    CAPTURE_BEFORE_NS,
    AlarmEvent,
    Boot,
    ClockChange,
    Excursion,
    Samples,
    Shift,
    Trust,
)
from logger.store import archive_writer as archive_module
from logger.store import captures, retention
from logger.store.archive import same
from logger.store.database import Database
from logger.store.schema import FOLDER
from logger.store.tables import ALARMS, CAPTURES, EXCURSIONS
from logger.store.writer import StoreWriter
from tests.examples import examples
from tests.old_stores import old_store
from tests.station import mismatchd, volts, write_config
from tests.test_archive import pairs
from tests.test_recompute_raw import Case
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    opened = StoreWriter.open(tmp_path / "station.sqlite")
    yield opened
    opened.close()


def excursion(time_ns: int, duration_ms: float = 5.0) -> Excursion:
    return Excursion(time_ns=time_ns, duration_ms=duration_ms, swr_peak=9.0, swr_beside=1.2)


def seen(store: StoreWriter, table=CAPTURES) -> list[dict[str, object]]:
    return [record.columns for record in store.records(table, *ALWAYS)]


def spans_of(store: StoreWriter) -> list[tuple[int, int]]:
    return store.database.query("SELECT first_ns, last_ns FROM captures ORDER BY id")


ROWS = [
    transmission(),
    alarm("raised", T0 + SECOND),
    alarm("raised", T0 + SECOND, kind="high-reflected-power"),
    excursion(T0 + SECOND, 300.0),
    excursion(T0 + 2 * SECOND),
    alarm("cleared", T0 + 2 * SECOND),
]


def test_each_event_has_a_capture_and_names_it(store: StoreWriter) -> None:
    told = store.write(ROWS)
    assert [event.alarm.capture_id for event in told if isinstance(event, AlarmEvent)] == [1, 1, 1]
    assert list(seen(store, ALARMS)[0])[-2:] == ["capture_id", "fault_id"]
    assert [row["capture_id"] for row in seen(store, EXCURSIONS)] == [2, 3]
    ids = [(row["id"], row["alarm_ids"], row["excursion_ids"]) for row in seen(store)]
    assert ids == [(1, "1 2", None), (2, None, "1"), (3, None, "2")]
    one = T0 + SECOND
    assert spans_of(store) == [
        (one - CAPTURE_BEFORE_NS, one + CAPTURE_AFTER_NS),
        (one - CAPTURE_BEFORE_NS, one + 300_000_000 + CAPTURE_AFTER_NS),
        (T0 + 2 * SECOND - CAPTURE_BEFORE_NS, T0 + 2 * SECOND + 5_000_000 + CAPTURE_AFTER_NS),
    ]
    before = seen(store), seen(store, ALARMS), seen(store, EXCURSIONS)
    store.write(ROWS)  # the same stream again
    assert (seen(store), seen(store, ALARMS), seen(store, EXCURSIONS)) == before


def test_captures_go_with_their_events_when_these_are_dated_anew(store: StoreWriter) -> None:
    """Also if the event is the first that is moved, and its capture begins before that."""
    store.write([excursion(T0 - SECOND), *ROWS])
    before = spans_of(store)
    by_ns = 3600 * SECOND
    boot = Boot("one", Trust.FOLLOWED, 0, T0, T0)
    store.write([ClockChange(boot, Shift(T0 + SECOND, T0 + 9 * SECOND, by_ns))])
    assert spans_of(store) == [before[0], *((a + by_ns, b + by_ns) for a, b in before[1:])]
    assert [row["alarm_ids"] for row in seen(store)] == [None, "1 2", None, None]


def test_alarms_of_an_older_version_get_captures(tmp_path: Path) -> None:
    path = old_store(tmp_path / "station.sqlite", 2)
    with closing(sqlite3.connect(path)) as old:
        old.executescript("DELETE FROM alarm_changes; DELETE FROM alarms;")
        old.executemany(
            "INSERT INTO alarms (kind, severity, raised_ns, detail) VALUES (?, 'critical', ?, '')",
            [("high-swr", T0), ("no-data", T0), ("high-swr", T0 + 9 * SECOND)],
        )
        old.commit()
    with closing(StoreWriter.open(path)) as store:
        assert [row["alarm_ids"] for row in seen(store)] == ["1 2", "3"]
        before = seen(store)
        store.write([alarm("raised", T0), alarm("raised", T0 + 9 * SECOND)])
        assert seen(store) == before


def test_salvage_keeps_them(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    with closing(StoreWriter.open(path)) as store:
        store.write([*ROWS, Samples(pairs(0, 2000))])
        store.archive.expire(ALWAYS[1], None)
        before = seen(store), list(store.archive.blocks(*ALWAYS))
    with closing(StoreWriter.salvage(path)) as store:
        assert seen(store) == before[0]
        kept = list(store.archive.blocks(*ALWAYS))
        assert all(map(same, kept, before[1]))


# --- retention ---


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[int], list[tuple[int, float]]]:
    """How pairs come in, and events among them: at a pair, so long in ms."""
    commits = draw(st.lists(st.integers(1, 1200), min_size=1, max_size=12))
    total = sum(commits)
    events = st.tuples(st.integers(-500, total + 500), st.sampled_from([0.0, 5.0, 900.0]))
    return commits, draw(st.lists(events, max_size=8))


@examples(15)
@given(
    history=histories(),
    before=st.integers(-100, 15_000),
    most=st.one_of(st.none(), st.floats(0.0, 1.2)),
    again=st.integers(0, 15_000),
)
def test_captured_pairs_stay_and_nothing_else_does(
    history: tuple[list[int], list[tuple[int, float]]], before: int, most: float | None, again: int
) -> None:
    commits, events = history
    whole = pairs(0, sum(commits))
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.executescript((FOLDER / "schema.sql").read_text())
    with (
        pytest.MonkeyPatch.context() as patched,
        StoreWriter(Database(connection, Path("memory"))) as store,
    ):
        patched.setattr(archive_module, "MERGED_PAIRS", 2000)
        patched.setattr(retention, "MOST_BYTES", 4000)
        for first, past in itertools.pairwise(np.cumsum([0, *commits]).tolist()):
            store.write([Samples(whole[first:past])])
            store.archive.merge()
        for at, duration_ms in events:
            store.write([excursion(T0 + at * 5_000_000, duration_ms)])
        size = connection.execute("SELECT sum(length(data)) FROM segments").fetchone()[0]
        most_bytes = None if most is None else int(most * size)
        for before_ns in (T0 + before * 5_000_000, T0 + again * 5_000_000):
            held = {ns for block in store.archive.blocks(*ALWAYS) for ns in block.time_ns.tolist()}
            deleted = store.tidy(before_ns, most_bytes)
            blocks = list(store.archive.blocks(*ALWAYS))
            times = np.concatenate([[0], *(block.time_ns for block in blocks)])[1:].astype(int)
            assert len(held) - len(times) == deleted
            assert (np.diff(times) > 0).all()
            if blocks:
                assert same(join(blocks), whole[np.isin(whole.time_ns, times)])
            spans = captures.spans(store.database)
            captured = whole.time_ns[retention.within(whole.time_ns, spans)]
            assert set(captured.tolist()) & held <= set(times.tolist())
            rows = connection.execute(
                "SELECT first_ns, last_ns, length(data) FROM segments"
            ).fetchall()
            extra = [row for row in rows if row[1] < before_ns]
            for first_ns, last_ns, _ in extra:  # of what is too old, captured pairs only
                part = times[(times >= first_ns) & (times <= last_ns)]
                assert retention.within(part, spans).all()
            total = sum(row[2] for row in rows)
            share = retention.MOST_BYTES if most_bytes is None else 0.25 * most_bytes
            assert sum(row[2] for row in extra) <= share
            assert most_bytes is None or total <= most_bytes
            # Those given up are the oldest, and nothing names them any more.
            left = spans_of(store)
            known = {(T0 + at * 5_000_000 - CAPTURE_BEFORE_NS) for at, _ in events} - {
                first for first, _ in left
            }
            assert all(gone <= min((first for first, _ in left), default=gone) for gone in known)
            named = {row["capture_id"] for row in seen(store, EXCURSIONS)} - {None}
            assert named == {row["id"] for row in seen(store)}
            assert store.tidy(before_ns, most_bytes) == 0


def test_a_cut_archive_can_be_played_again(store: StoreWriter) -> None:
    """What had expired is there again, once; and expires again."""
    whole = pairs(0, 6000)
    event = excursion(T0 + 3000 * 5_000_000)
    store.write([Samples(whole), event])
    assert store.archive.expire(ALWAYS[1], None) == 6000 - 1002
    (kept,) = store.archive.blocks(*ALWAYS)
    assert same(kept, whole[2600:3602])
    store.write([Samples(whole), event])
    assert store.archive.pairs() == 6000
    assert store.archive.expire(ALWAYS[1], None) == 6000 - 1002
    assert same(next(store.archive.blocks(*ALWAYS)), whole[2600:3602])


# --- rows derived again ---


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("captures"))


PAIR_MS = 5.0


def derive(path: Path, case: Case, **rules: float) -> list[list[dict[str, Any]]]:
    from logger.calibration.coupler import Coupler

    with closing(StoreWriter.open(path)) as store:
        if rules:
            recompute(store, case.rules(**rules), Coupler(case.right))
        return [seen(store, table) for table in (CAPTURES, ALARMS, EXCURSIONS)]


def test_recompute_keeps_and_renews_them(case: Case) -> None:
    path = case.play(case.rules(limit=200), case.right)
    told = derive(path, case)
    assert len(told[2]) > 10
    assert derive(path, case, limit=200) == told
    more = derive(path, case, limit=3.0)  # alarms in hindsight have captures, too
    added = [row for row in more[1] if row not in told[1]]
    assert len(added) > 2
    assert {row["capture_id"] for row in added} <= {row["id"] for row in more[0]}
    assert more[2] == told[2]
    assert derive(path, case, limit=200) == told  # and these go with them


def test_recompute_finds_lost_excursions_again(case: Case) -> None:
    path = case.play(case.config, case.right)
    told = derive(path, case)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM excursions WHERE id % 2")
        connection.execute(
            "INSERT INTO excursions (time_ns, duration_ms) SELECT start_ns + 5, 3"
            " FROM transmissions WHERE id = 4"
        )
        connection.commit()
    again = derive(path, case, limit=3.0)
    without = [
        [{name: row[name] for name in row if not name.endswith(("id", "ids"))} for row in rows]
        for rows in (told[2], again[2])
    ]
    assert without[0] == without[1]


def test_what_is_left_around_captures_changes_nothing(case: Case) -> None:
    """Rows of which too few pairs are left stay as they are; the noise of the others is measured
    afresh, as always where the archive begins, and may move an edge by a pair."""
    path = case.play(case.config, case.right)
    told = derive(path, case)
    with closing(StoreWriter.open(path)) as store:
        assert store.archive.expire(ALWAYS[1], None) > 0
        assert store.archive.pairs() > 1000
        pieces = store.archive.pairs()
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT * FROM transmissions").fetchall()
    after = derive(path, case, limit=3.0)
    for table, before_table in zip(after, told, strict=True):
        for row, before in zip(table, before_table, strict=True):
            for name, value in row.items():
                if name == "swr_peak":  # of another pair, if the edge moves
                    assert value == pytest.approx(before[name], rel=0.1)
                elif name == "swr_beside":
                    assert value == pytest.approx(before[name], rel=0.01)
                elif name == "duration_ms":
                    assert abs(value - before[name]) <= 2 * PAIR_MS
                elif name in ("first_utc", "last_utc", "time_utc"):
                    moved = np.datetime64(value[:-1]) - np.datetime64(before[name][:-1])
                    assert abs(moved / np.timedelta64(1, "ms")) <= PAIR_MS
                elif name not in ("id", "capture_id", "excursion_ids"):
                    assert value == before[name]
    with closing(sqlite3.connect(path)) as connection:
        after = connection.execute("SELECT * FROM transmissions").fetchall()
        assert connection.execute("SELECT sum(pairs) FROM segments").fetchone() == (pieces,)
    assert [row[:5] for row in after] == [row[:5] for row in rows]


# --- the whole way ---

RATE_HZ = 200
START_S = 1_772_391_605
# An open of one pair just after key-down, one of 300 ms (which alarms), one of 10 ms at the end.
OPENS_S = ((0.5, 0.005), (4.0, 0.3), (9.9, 0.01))


def play(folder: Path) -> tuple[Path, np.ndarray]:
    """A recording of one transmission with a plug that opens; its configuration and times in µs."""
    times = np.arange(30 * RATE_HZ) / RATE_HZ
    keyed = (times >= 8) & (times < 18)
    reflected = np.where(keyed, 0.04, 0.0)
    for begin_s, length_s in OPENS_S:
        reflected[(times >= 8 + begin_s) & (times < 8 + begin_s + length_s)] = 3.9
    noise = np.random.default_rng(3).normal(0, 2e-4, (2, len(times))) * keyed
    known = {watts: volts(watts) for watts in (0.0, 0.04, 3.9, 4.0)}
    with (folder / "pairs.csv").open("w") as out:
        out.write("time_s,forward_v,reflected_v\n")
        for time_s, key, watts, *off in zip(times, keyed, reflected, *noise, strict=True):
            out.write(
                f"{START_S + time_s:.3f},{known[4.0 if key else 0.0] + off[0]:.4f},"
                f"{known[float(watts)] + off[1]:.4f}\n"
            )
    config = write_config(folder, "", driver="{kind: replay, path: pairs.csv}")
    mismatchd("run", "-c", config)
    return config, START_S * 1_000_000 + np.rint(times * 1e6).astype(int)


def table(config: Path, *arguments: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(mismatchd("export", *arguments, "-c", config).stdout)))


def micros(text: str) -> int:
    return int(np.datetime64(text[:-1], "us").astype(int))


def test_a_replay_through_the_daemon(tmp_path: Path) -> None:
    config, times = play(tmp_path)
    found = table(config, "captures")
    excursions, alarms = table(config, "excursions"), table(config, "alarms")
    assert [micros(row["time_utc"]) for row in excursions] == [
        round((START_S + 8 + begin_s) * 1e6) for begin_s, _ in OPENS_S
    ]
    assert {row["kind"] for row in alarms} >= {"high-swr", "high-reflected-power"}
    assert {row["capture_id"] for row in (*alarms, *excursions)} == {row["id"] for row in found}
    before = {row["id"]: table(config, "samples", "--capture", row["id"]) for row in found}
    for row in found:  # every pair of each that there was
        first, last = micros(row["first_utc"]), micros(row["last_utc"])
        wanted = times[(times >= first) & (times <= last)]
        assert [micros(pair["time_utc"]) for pair in before[row["id"]]] == wanted.tolist()
    with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
        assert store.tidy(ALWAYS[1], None) > 500  # ten years later
    assert {row["id"]: table(config, "samples", "--capture", row["id"]) for row in found} == before
    mismatchd("run", "-c", config)  # the same stream again
    assert table(config, "captures") == found
    since = mismatchd("export", "samples", "--capture", "99", "-c", config, check=False)
    assert (since.returncode, since.stdout) == (2, "")
    assert "there is no capture 99" in since.stderr
    other = mismatchd("export", "seconds", "--capture", "1", "-c", config, check=False)
    assert other.returncode == 2
    assert "export samples" in other.stderr


def test_charts_of_the_replay(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each way to name a capture, each kind of file, with all pairs and with captured ones only."""
    config, _ = play(tmp_path)
    row = next(each for each in table(config, "alarms") if each["kind"] == "high-swr")
    for number, (suffix, *name) in enumerate(
        (
            (".png", "capture", row["capture_id"]),
            (".svg", "capture", "--alarm", row["id"]),
            (".pdf", "capture", "--excursion", "1"),
            (".svg", "transmission", "1"),
        )
    ):
        out = tmp_path / f"{number}{suffix}"
        with pytest.raises(SystemExit) as ended:
            main(["chart", *name, "-o", str(out), "-c", str(config)])
        assert (ended.value.code, capsys.readouterr().err) == (0, f"drew {out}\n")
        assert out.stat().st_size > 10_000
    svg = (tmp_path / "1.svg").read_bytes()
    whole = (tmp_path / "3.svg").read_bytes()
    with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
        store.tidy(ALWAYS[1], None)
    again = tmp_path / "again.svg"
    mismatchd("chart", "capture", "--alarm", row["id"], "-o", again, "-c", config)
    assert again.read_bytes().count(b"<path") == svg.count(b"<path")
    mismatchd("chart", "transmission", "1", "-o", again, "-c", config)  # of its seconds by now
    assert again.read_bytes() != whole
    with closing(StoreWriter.open(tmp_path / "data/station.sqlite")) as store:
        captures.delete_until(store.database, ALWAYS[1])
        store.tidy(ALWAYS[1], None)
        assert store.archive.pairs() == 0
    for arguments, code, said in (
        (("capture", row["capture_id"]), 2, "there is no capture"),
        (
            ("capture", "--alarm", row["id"]),
            2,
            f"the raw pairs around alarm {row['id']} are no longer stored",
        ),
        (("capture", "--excursion", "77"), 2, "there is no excursion 77; `mismatchd export exc"),
        (("capture",), 2, "name one capture"),
        (("capture", "1", "--alarm", "1"), 2, "name one capture"),
        (("transmission", "77"), 2, "there is no completed transmission 77"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(["chart", *arguments, "-o", str(again), "-c", str(config)])
        assert ended.value.code == code
        (line,) = capsys.readouterr().err.splitlines()
        assert line.startswith(f"mismatchd: {said}")


def test_a_capture_without_pairs_is_one_line(store: StoreWriter, tmp_path: Path) -> None:
    """An alarm that says that no pairs come has none around it, as a rule."""
    store.write([alarm("raised", T0, kind="no-data", start_ns=None)])
    store.close()
    driver = "{kind: replay, path: none.csv}"
    config = write_config(tmp_path, "", driver=driver, store="{path: station.sqlite}")
    done = mismatchd("chart", "capture", "1", "-o", tmp_path / "x.png", "-c", config, check=False)
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert line.endswith("station.sqlite: no raw pairs of capture 1 are stored")
