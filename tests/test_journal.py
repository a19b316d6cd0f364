"""The journal: written beside the running daemon, exported, heard of."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import pytest

from logger.rows import AlarmEvent, Boot, ClockChange, Row, Shift, Trust
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.alarms import Alarms
from logger.store.journal import Journal, JournalNotes
from logger.store.tables import JOURNAL, Event
from logger.store.writer import StoreWriter
from logger.utc import format_ns
from tests.deadlines import wait_until
from tests.station import Running, mismatchd, pty, write_config
from tests.test_store import ALWAYS, SECOND, T0, alarm, transmission


def exported(config: Path) -> list[dict[str, str]]:
    text = mismatchd("export", "journal", "-c", config).stdout
    assert text.splitlines()[0] == "id,time_utc,kind,text"
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.realtime
def test_entries_are_written_beside_the_daemon_and_exported(tmp_path: Path) -> None:
    with pty() as (_, name):
        config = write_config(tmp_path, name)
        refused = mismatchd("journal", "edit", "1", "--text", "early", "-c", config, check=False)
        assert (refused.returncode, refused.stderr.count("\n")) == (1, 1)
        daemon = Running(config)
        try:
            assert wait_until(
                lambda: mismatchd("journal", "list", "-c", config, check=False).returncode == 0
            )
            assert "empty" in mismatchd("journal", "list", "-c", config).stderr
            done = mismatchd(
                "journal", "add", 'new plug,\n "crimped"', "--kind=repair", "-c", config
            )
            assert done.stdout == ""
            mismatchd("journal", "add", "fog", "--kind", "weather", "--time", "2h", "-c", config)
            at = "2026-03-01T19:00:00.000250Z"
            mismatchd("journal", "add", "as found", "--time", at, "-c", config)
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 0, said
    rows = exported(config)
    assert [(row["id"], row["kind"], row["text"]) for row in rows] == [
        ("3", "remark", "as found"),
        ("2", "weather", "fog"),
        ("1", "repair", 'new plug, "crimped"'),
    ]
    assert rows[0]["time_utc"] == at
    shown = mismatchd("journal", "list", "-c", config).stdout.splitlines()
    assert [line.split()[2] for line in shown] == ["remark", "weather", "repair"]
    since = mismatchd("export", "journal", "--since", "2026-06-01", "-c", config).stdout
    assert len(since.splitlines()) == 3


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["add", "  \n "], "empty"),
        (["add", "text", "--kind", "repairs"], "--kind"),
        (["add", "text", "--time", "yesterday"], "yesterday"),
        (["add"], "TEXT"),
    ],
)
def test_what_cannot_be_noted(tmp_path: Path, arguments: list[str], said: str) -> None:
    config = write_config(tmp_path, "/dev/null")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    done = mismatchd("journal", *arguments, "-c", config, check=False)
    assert done.returncode == 2
    assert said in done.stderr
    assert exported(config) == []


def test_the_keeper_hears_of_work_that_others_note(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    before = StoreWriter.open(path)
    Journal(before.database).insert(T0, "repair", "plug")
    Journal(before.database).insert(T0 + 5, "weather", "rain")
    before.close()
    heard: list[JournalNotes] = []
    keeper = Keeper(
        lambda damaged: StoreWriter.open(path),
        Reporter(lambda item: None),
        Retention(1 << 60),
        on_notes=heard.append,
    )
    assert heard == [JournalNotes((T0,))]
    other = Journal.editor(path)
    other.insert(T0 - 9 * SECOND, "adjustment", "antenna shortened")
    keeper.commit_due(0.0)
    assert heard[-1].work_ns == (T0 - 9 * SECOND, T0)
    other.insert(T0 + SECOND, "repair", "plug again")
    keeper.add([transmission()], 1.0)  # also while rows come all the time
    keeper.commit_due(1.0)
    assert heard[-1].work_ns == (T0 - 9 * SECOND, T0, T0 + SECOND)
    count = len(heard)
    keeper.commit_due(2.0)
    assert len(heard) == count
    # Its times move with those of the rows.
    boot = Boot("boot", Trust.FOLLOWED, 0, 0, 0)
    keeper.add([ClockChange(boot, Shift(T0 - SECOND, T0 + 9 * SECOND, 1000), leap=True)], 3.0)
    keeper.commit_due(9.0)
    assert heard[-1].work_ns == (T0 - 9 * SECOND, T0 + 1000, T0 + SECOND + 1000)
    other.close()
    keeper.close()
    store = StoreWriter.open(path)
    times = [record.columns["time_utc"] for record in store.records(JOURNAL, *ALWAYS)]
    assert format_ns(T0 + 1000) in times
    store.close()


def test_entries_are_corrected_removed_and_asked_for(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    for day, kind in ((1, "repair"), (2, "remark"), (3, "repair")):
        at = f"2026-03-0{day}"
        mismatchd("journal", "add", f"entry {day}", "--kind", kind, "--time", at, "-c", config)
    mismatchd("journal", "edit", "2", "--kind", "adjustment", "--text", " slid\nin ", "-c", config)
    mismatchd("journal", "edit", "1", "--time", "2026-02-28T12:00:00Z", "-c", config)
    mismatchd("journal", "remove", "3", "-c", config)
    assert [
        (row["id"], row["time_utc"][:10], row["kind"], row["text"]) for row in exported(config)
    ] == [
        ("1", "2026-02-28", "repair", "entry 1"),
        ("2", "2026-03-02", "adjustment", "slid in"),
    ]

    def listed(*terms: str) -> list[str]:
        lines = mismatchd("journal", "list", *terms, "-c", config).stdout.splitlines()
        return [line.split()[0] for line in lines]

    assert listed("--kind", "repair") == ["1"]
    assert listed("--since", "2026-03-01") == ["2"]
    assert listed("--until", "2026-03-01") == ["1"]
    assert "no such entry" in mismatchd("journal", "list", "--kind", "weather", "-c", config).stderr
    for wrong, said in (
        (("edit", "1"), "nothing to correct"),
        (("edit", "9", "--text", "x"), "no entry 9"),
        (("remove", "3"), "no entry 3"),
        (("edit", "1", "--text", " "), "empty"),
    ):
        done = mismatchd("journal", *wrong, "-c", config, check=False)
        assert (done.returncode, done.stderr.count("\n")) == (2, 1)
        assert said in done.stderr


def test_an_acknowledgement_just_before_a_commit_is_reported_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "station.sqlite"
    reported: list[Event] = []
    keeper = Keeper(
        lambda damaged: StoreWriter.open(path), Reporter(reported.append), Retention(1 << 60)
    )
    keeper.add([transmission(), alarm("raised", T0)], 0.0)
    keeper.commit_due(0.0)
    other = Alarms.editor(path)
    write = StoreWriter.write

    def write_late(store: StoreWriter, rows: Sequence[Row], **how: bool) -> list[Event]:
        other.acknowledge(1, T0 + SECOND)
        return write(store, rows, **how)

    with monkeypatch.context() as patch:
        patch.setattr(StoreWriter, "write", write_late)
        keeper.add([alarm("raised", T0 + 1000, "no-data", None)], 1.0)
        keeper.commit_due(1.0)
    keeper.commit_due(2.0)
    keeper.commit_due(3.0)
    changes = [(item.alarm.kind, item.change) for item in reported if isinstance(item, AlarmEvent)]
    assert changes == [("high-swr", "raised"), ("no-data", "raised"), ("high-swr", "acknowledged")]
    other.close()
    keeper.close()
