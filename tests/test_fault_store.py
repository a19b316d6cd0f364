"""Faults in the store: written with their signs, grouped again, acknowledged, moved, salvaged."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import FaultsOptions
from logger.errors import DiskError, UsageError
from logger.faults import KIND, FaultTracker
from logger.rows import (
    AlarmEvent,
    Boot,
    ChangeKind,
    ClockChange,
    FaultChange,
    FaultChangeKind,
    FaultEvent,
    FaultFamily,
    FaultState,
    Row,
    Severity,
    Shift,
    Transmission,
    Trust,
)
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store import faults
from logger.store.faults import Faults
from logger.store.journal import Journal
from logger.store.regroup import is_grouped, regroup
from logger.store.tables import ALARMS, EXCURSIONS, FAULTS, Event
from logger.store.writer import StoreWriter
from tests.examples import examples
from tests.old_stores import old_store
from tests.station import mismatchd
from tests.test_faults import (
    GAP,
    HOUR,
    alarm,
    broken,
    excursion,
    over,
    spell,
    start_of,
    stream_of,
    time_of,
)
from tests.test_store import ALWAYS, SECOND, T0

OPTIONS = FaultsOptions(close_after_days=3)
LOOSE_PLUG = [*spell(0, 3, every=2), *broken(3), *spell(4, 8, every=2)]


@pytest.fixture
def store(tmp_path: Path):
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


def write(
    store: StoreWriter, rows: Sequence[Row], work_ns: Sequence[int] = (), *, batch: int = 1
) -> list[Event]:
    """Store rows as the pipeline returns them: each transmission is stored from its start on."""
    for time_ns in work_ns:
        Journal(store.database).insert(time_ns, "repair", "a plug")
    tracker = FaultTracker(OPTIONS, store.memories())
    tracker.know_work(store.work())
    for row in rows:
        if isinstance(row, Transmission):
            store.write([msgspec.structs.replace(row, ended=False)])
    events: list[Event] = []
    for first in range(0, len(rows), batch):
        part = rows[first : first + batch]
        events += store.write(tracker.update(part, max(map(time_of, part))))
    return events


def exported(store: StoreWriter, table: Any) -> list[dict[str, Any]]:
    return [record.columns for record in store.records(table, *ALWAYS)]


def grouping(store: StoreWriter) -> list[list[tuple[Any, ...]]]:
    """Everything that says which signs and changes are of which fault."""
    opening = "(SELECT opened_ns FROM faults WHERE id = fault_id)"
    return [
        store.database.query(statement)
        for statement in (
            f"SELECT kind, raised_ns, {opening} FROM alarms ORDER BY 2, 1",
            f"SELECT time_ns, {opening} FROM excursions ORDER BY 1",
            "SELECT opened_ns, first_ns, family, state, severity, closed_ns, journal_id, summary"
            " FROM faults ORDER BY 1",
            f"SELECT {opening}, change, time_ns, summary FROM fault_changes ORDER BY 1, 3, 2",
            f"SELECT content FROM memories WHERE rule = '{KIND}'",
        )
    ]


def test_a_fault_is_stored_with_its_signs_and_reported_after_its_alarm(store: StoreWriter) -> None:
    events = write(store, LOOSE_PLUG)
    told = [event for event in events if isinstance(event, AlarmEvent | FaultEvent)]
    assert [event.change for event in told] == ["raised", "opened", "cleared"]
    raised, opened, _ = told
    assert isinstance(raised, AlarmEvent)
    assert isinstance(opened, FaultEvent)
    assert raised.alarm.fault_id == opened.fault.id == 1
    assert (opened.fault.alarms, opened.fault.excursions) == (1, 2)
    assert opened.utc == opened.fault.opened_utc == raised.alarm.raised_utc
    (row,) = exported(store, FAULTS)
    assert row["excursions"] == 4
    assert row["open_time_s"] == 0.08
    assert row["channels"] == "20"
    assert row["transmissions_since"] == 1
    assert row["last_sign_utc"] == exported(store, EXCURSIONS)[-1]["time_utc"]
    assert {row["fault_id"] for row in exported(store, EXCURSIONS)} == {1}
    assert list(exported(store, EXCURSIONS)[0])[-2:] == ["fault_id", "antenna"]


def test_no_transmission_is_counted_as_clean_while_an_alarm_is_open(store: StoreWriter) -> None:
    write(store, [alarm("baseline-shift", T0 - SECOND), *spell(0, 9)])
    assert exported(store, FAULTS)[0]["transmissions_since"] == 0


def test_an_excursion_that_comes_after_the_alarm_belongs_to_its_fault(store: StoreWriter) -> None:
    start_ns = start_of(0)
    rows = [
        alarm("high-swr", start_ns + SECOND, start_ns=start_ns),
        excursion(start_ns + SECOND // 2),
    ]
    write(store, [*rows, over(0)])
    assert exported(store, EXCURSIONS)[0]["fault_id"] == 1


@examples(4)
@given(st.integers(0, 1 << 32), st.integers(1, 200))
def test_stored_rows_are_grouped_as_the_live_ones(
    tmp_path_factory: pytest.TempPathFactory, seed: int, batch: int
) -> None:
    rows, work_ns = stream_of(seed)
    path = tmp_path_factory.mktemp("live") / "station.sqlite"
    with closing(StoreWriter.open(path)) as store:
        write(store, rows, work_ns, batch=batch)
        assert is_grouped(store)
        live = grouping(store)
        assert regroup(store, OPTIONS) == len(live[2])
        assert grouping(store) == live
        store.database.execute("DELETE FROM memories")
        store.database.execute("DELETE FROM faults")
        store.database.execute("DELETE FROM fault_changes")
        assert is_grouped(store) == (not live[0])
        regroup(store, OPTIONS)
        assert grouping(store) == live


def test_a_file_of_version_6_is_grouped(tmp_path: Path) -> None:
    """Its three alarms of high SWR are one trouble; the excursion belongs to it."""
    path = old_store(tmp_path / "station.sqlite", 6)
    with closing(StoreWriter.open(path)) as store:
        assert not is_grouped(store)
        assert regroup(store, OPTIONS) == 1
        assert is_grouped(store)
        assert [row["fault_id"] for row in exported(store, ALARMS)] == [1, 1, 1]
        assert [row["fault_id"] for row in exported(store, EXCURSIONS)] == [1]
        (row,) = exported(store, FAULTS)
        assert (row["state"], row["alarms"], row["excursions"]) == ("open", 3, 1)
        assert store.database.query("SELECT * FROM deliveries") == []


def test_what_people_and_diagnosis_added_stays(store: StoreWriter) -> None:
    write(store, LOOSE_PLUG)
    repository = Faults(store.database)
    event = repository.explain(1, "loose-plug", 0.9, "Probably a loose plug.", start_of(9))
    assert event is not None
    assert event.change == FaultChangeKind.EXPLAINED
    assert event.fault.probable_cause == "loose-plug"
    assert repository.explain(1, "loose-plug", 0.95, "Surely a loose plug.", start_of(9)) is None
    assert repository.fault(1).summary == "Surely a loose plug."
    assert repository.explain(1, "water", 0.5, "Perhaps.", start_of(9), is_clear=False) is None
    fault, events = repository.acknowledge(1, start_of(10))
    assert fault.acknowledged_utc is not None
    assert [event.change for event in events] == [ChangeKind.ACKNOWLEDGED]
    with pytest.raises(UsageError, match="acknowledged already"):
        repository.acknowledge(1, start_of(10))
    regroup(store, OPTIONS)
    after = repository.fault(1)
    assert after.acknowledged_utc == fault.acknowledged_utc
    assert (after.probable_cause, after.probability) == ("water", 0.5)
    assert [event.change for event in repository.changes(1)] == ["opened", "explained"]


def test_a_fault_keeps_its_id_when_an_earlier_alarm_is_added(store: StoreWriter) -> None:
    write(store, LOOSE_PLUG)
    Faults(store.database).acknowledge(1, start_of(9))
    store.write([alarm("intermittent-contact", start_of(2) + SECOND, start_ns=start_of(2))])
    assert regroup(store, OPTIONS) == 1
    (row,) = exported(store, FAULTS)
    assert (row["id"], row["alarms"], row["excursions"]) == (1, 2, 4)
    assert row["acknowledged_utc"] is not None
    assert row["opened_utc"] == exported(store, ALARMS)[0]["raised_utc"]
    changes = Faults(store.database).changes(1)
    assert [event.change for event in changes] == ["opened", "worsened"]
    assert {row["fault_id"] for row in exported(store, EXCURSIONS)} == {1}
    assert is_grouped(store)


def test_a_return_needs_attention_again(store: StoreWriter) -> None:
    write(store, [*LOOSE_PLUG, *spell(8, 200)])
    Faults(store.database).acknowledge(1, start_of(200))
    assert exported(store, FAULTS)[0]["state"] == "quiet"
    events = write(store, broken(201))
    returned = [event for event in events if isinstance(event, FaultEvent)]
    assert [event.change for event in returned] == ["returned"]
    assert returned[0].fault.acknowledged_utc is None


def test_a_repair_is_linked_to_the_journal(store: StoreWriter) -> None:
    work_ns = start_of(40) - HOUR // 10
    events = write(store, [*LOOSE_PLUG, *spell(8, 40, every=2), *spell(40, 90)], [work_ns])
    story = [event for event in events if isinstance(event, FaultEvent)]
    assert [event.change for event in story] == ["opened", "repaired", "closed"]
    assert [event.fault.journal_id for event in story] == [None, 1, 1]
    assert story[-1].fault.closed_utc == story[-1].utc
    assert Faults(store.database).active() == []


def test_changes_are_read_with_their_own_summary(store: StoreWriter) -> None:
    write(store, [*LOOSE_PLUG, *spell(8, 200)])
    rows = Faults(store.database).events("TRUE ORDER BY c.id")
    assert [row.event.change for row in rows] == ["opened", "quiet"]
    assert [row.event.fault.state for row in rows] == [FaultState.QUIET] * 2
    assert rows[0].event.fault.summary.startswith("Feedline or antenna: high-swr raised")


def test_rows_written_again_change_nothing(store: StoreWriter) -> None:
    write(store, LOOSE_PLUG)
    before = grouping(store)
    tracker = FaultTracker(OPTIONS)
    again = store.write(tracker.update(LOOSE_PLUG, start_of(8)))
    assert not [event for event in again if isinstance(event, AlarmEvent | FaultEvent)]
    assert grouping(store) == before


def test_a_correction_of_the_clock_moves_faults_and_their_memory(store: StoreWriter) -> None:
    write(store, LOOSE_PLUG)
    before = exported(store, FAULTS)
    boot = Boot("one", Trust.FOLLOWED, -(1 << 62), T0, T0)
    by_ns = 400 * 24 * HOUR
    store.write([ClockChange(boot, Shift(T0 - GAP, start_of(20), by_ns))])
    assert is_grouped(store)
    moved = grouping(store)
    (row,) = exported(store, FAULTS)
    assert row["opened_utc"] != before[0]["opened_utc"]
    assert row["excursions"] == before[0]["excursions"]
    live = moved[:4]
    regroup(store, OPTIONS)
    assert [part[:2] for part in grouping(store)[:2]] == [part[:2] for part in live[:2]]
    tracker = FaultTracker(OPTIONS, store.memories())
    assert tracker.memory.faults[0].opened_ns == T0 + start_of(3) - T0 + SECOND + by_ns


# --- reported while nothing can be stored ---


def change(kind: FaultChangeKind, time_ns: int) -> FaultChange:
    return FaultChange(
        opened_ns=T0,
        family=FaultFamily.FEEDLINE,
        change=kind,
        time_ns=time_ns,
        state=FaultState.OPEN,
        severity=Severity.CRITICAL,
        summary="a loose plug",
        first_ns=T0,
    )


def test_a_fault_is_reported_once_although_the_disk_is_full(tmp_path: Path) -> None:
    told: list[Event] = []
    full = True

    def open_store(_: bool) -> StoreWriter:
        if full:
            raise DiskError("no space")
        return StoreWriter.open(tmp_path / "station.sqlite")

    keeper = Keeper(open_store, Reporter(told.append), Retention(1 << 62))
    raised = msgspec.structs.replace(alarm("high-swr", T0), fault_ns=T0)
    keeper.add([change(FaultChangeKind.OPENED, T0), raised], 1.0)
    keeper.commit_due(10.0)
    fault_events = [event for event in told if isinstance(event, FaultEvent)]
    assert len(fault_events) == 1
    assert fault_events[0].fault.id is None
    assert fault_events[0].fault.summary == "a loose plug"
    full = False
    keeper.commit_due(100.0)
    assert keeper.failure is None
    assert len([event for event in told if isinstance(event, FaultEvent)]) == 1
    keeper.add([change(FaultChangeKind.WORSENED, T0 + SECOND)], 101.0)
    keeper.commit_due(102.0)
    assert told[-1].key[1] == FaultChangeKind.WORSENED
    assert told[-1].fault.id == 1
    with closing(Faults.editor(tmp_path / "station.sqlite")) as repository:
        repository.explain(1, "loose-plug", 0.9, "Probably a loose plug.", T0 + 2 * SECOND)
    keeper.commit_due(103.0)  # as when a person acknowledges an alarm
    assert told[-1].change == FaultChangeKind.EXPLAINED
    keeper.close()


# --- the commands ---


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.yaml"
    path.write_text(
        "driver: {kind: simulated}\nstore: {path: station.sqlite}\ncalibration: coupler.yaml\n"
    )
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as store:
        rows = [*LOOSE_PLUG, *spell(8, 40, every=2), *spell(40, 90)]
        write(store, [*rows, alarm("no-data", start_of(100))], [start_of(40) - HOUR // 10])
        write(store, [alarm("detector-fault", start_of(101))])
    return path


def test_faults_are_listed_and_acknowledged(config: Path) -> None:
    listed = mismatchd("faults", "-c", config).stdout.splitlines()
    assert [line.split()[0] for line in listed] == ["2", "3"]
    everything = mismatchd("faults", "--all", "-c", config).stdout
    assert "Fixed (99 %)" in everything.splitlines()[0]
    assert "fault 2 acknowledged, with 1 of its alarms" in (
        mismatchd("faults", "ack", "2", "-c", config).stderr
    )
    again = mismatchd("faults", "acknowledge", "3", "2", "-c", config, check=False)
    assert again.returncode == 2
    assert "fault 2 has been acknowledged already" in again.stderr
    assert "fault 3 acknowledged" in mismatchd("faults", "acknowledge", "all", "-c", config).stderr
    assert "no open faults" in mismatchd("faults", "acknowledge", "all", "-c", config).stderr
    assert mismatchd("faults", "ack", "x", "-c", config, check=False).returncode == 2
    assert mismatchd("faults", "show", "9", "-c", config, check=False).returncode == 2


def test_several_alarms_are_acknowledged_or_none(config: Path) -> None:
    wrong = mismatchd("alarms", "ack", "1", "77", "-c", config, check=False)
    assert wrong.returncode == 2
    assert "there is no alarm 77" in wrong.stderr
    done = mismatchd("alarms", "acknowledge", "1", "2", "1", "-c", config)
    assert done.stderr.count("acknowledged") == 2


def test_a_story_tells_what_happened(config: Path) -> None:
    story = mismatchd("faults", "show", "1", "-c", config).stdout
    assert story.startswith("fault 1: closed (critical)\nFirst sign at 2026-03-01 19:00 UTC.")
    words = " ".join(story.split())
    assert "The alarm high-swr opened the fault at 2026-03-01 20:00 UTC: high-swr raised." in words
    assert "1 alarm (1 high-swr) and 20 excursions, 0.4 s in total, on channel 20" in words
    assert "journal, repair: a plug" in words
    assert "640 per hour" in words  # 8 excursions in 15 transmissions of three seconds
    assert "mismatchd chart drift -o drift.png" in story
    order = [words.index(word) for word in ("first sign", "opened:", "repaired:", "closed:")]
    assert order == sorted(order)
    silent = mismatchd("faults", "show", "2", "-c", config).stdout
    assert "What to check next" in silent
    assert "chart" not in silent
    loaded = json.loads(mismatchd("faults", "show", "1", "--format", "json", "-c", config).stdout)
    assert loaded["fault"]["id"] == 1
    assert loaded["kinds"] == {"high-swr": 1}


def test_faults_are_exported(config: Path) -> None:
    lines = mismatchd("export", "faults", "-c", config).stdout.splitlines()
    assert lines[0] == (
        "id,state,severity,opened_utc,last_sign_utc,closed_utc,acknowledged_utc,summary,"
        "probable_cause,probability,channels,alarms,excursions,open_time_s,transmissions_since,"
        "journal_id,antennas"
    )
    assert len(lines) == 4
    points = mismatchd("export", "faults", "--format", "line-protocol", "-c", config).stdout
    assert points.startswith("fault,station=")


def test_an_early_excursion_has_no_fault_before_it_opens(store: StoreWriter) -> None:
    write(store, spell(0, 3, every=1))
    assert {row["fault_id"] for row in exported(store, EXCURSIONS)} == {None}
    assert faults.fault_of(store.database, excursion(start_of(0))) is None


def test_faults_as_they_were_at_a_time(store: StoreWriter) -> None:
    repair_ns = start_of(30) - 60 * SECOND
    rows = [*spell(0, 3), *broken(3), *spell(4, 30, every=2), *spell(30, 100)]
    write(store, rows, [repair_ns])
    repository = Faults(store.database)
    (fault,) = repository.select("TRUE")
    assert fault.state == FaultState.CLOSED
    assert repository.active_at(start_of(3)) == []
    (early,) = repository.active_at(start_of(10))
    assert (early.state, early.closed_utc) == (FaultState.OPEN, None)
    assert early.summary.startswith("Feedline or antenna")
    (later,) = repository.active_at(start_of(31))
    assert later.state == FaultState.VERIFYING
    assert later.summary.startswith("Work noted on")
    assert repository.active_at(start_of(99)) == []


def test_headlines_name_open_faults_first(store: StoreWriter) -> None:
    write(store, [*broken(3), alarm("no-data", start_of(5))])
    store.database.execute("UPDATE faults SET state = 'quiet' WHERE id = 1")
    assert [(each.id, each.state) for each in Faults(store.database).headlines()] == [
        (2, FaultState.OPEN),
        (1, FaultState.QUIET),
    ]
    store.database.execute("UPDATE faults SET state = 'closed' WHERE id = 1")
    (only,) = Faults(store.database).headlines()
    assert only.opened_ns == start_of(5)
    assert only.summary == "No data: no-data raised"
