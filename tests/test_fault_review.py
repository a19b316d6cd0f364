"""The review of faults: when, what is stored and reported, and that it is in nobody's way."""

from __future__ import annotations

import json
import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import FaultsOptions
from logger.diagnosis.explanation import explain, store_explanation
from logger.diagnosis.rules import BY_NAME, CAUSES, NOTHING
from logger.diagnosis.scoring import LIKELY, Diagnosis
from logger.faults import FaultTracker
from logger.rows import (
    AlarmEvent,
    AlarmKind,
    ChangeKind,
    FaultChange,
    FaultChangeKind,
    FaultEvent,
    Row,
    Severity,
    family_of,
)
from logger.service import fault_review
from logger.service.fault_review import (
    OLD_S,
    POLL_S,
    RETRY_S,
    START_S,
    YOUNG_S,
    FaultReviewer,
    ReviewSchedule,
)
from logger.service.keeper import SPOOL_S, Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.faults import Faults, Signs
from logger.store.tables import Event
from logger.store.writer import StoreWriter
from logger.utc import format_ns
from tests.bench.diagnosis import evenings
from tests.deadlines import scale, wait_until
from tests.station import Running, mismatchd
from tests.station_model import Over
from tests.station_model.faults import PermanentOpen
from tests.station_model.station import DAY_S
from tests.test_diagnosis import _fill, _station
from tests.test_fault_store import LOOSE_PLUG, write
from tests.test_faults import alarm, broken, over, spell, start_of, time_of
from tests.test_store import SECOND, T0

FIGURES = "Feedline or antenna: SWR 5.20 at 4.0 W incident"
CONTACT, OPEN, WET = "intermittent-contact", "open-or-short", "wet-line"


# when


def signs(alarms: int = 1, severity: Severity = Severity.WARNING) -> Signs:
    return Signs(severity, alarms, 0, None)


class Watch:
    """A schedule that is asked as the thread does, and the times of its reviews of fault 1."""

    def __init__(self) -> None:
        self.schedule = ReviewSchedule()
        self.reviews_s: list[float] = []
        self.now_s = 1000.0

    def run(self, until_s: float, alarms_s: list[float], severity: Severity) -> None:
        """An alarm at each of these times, the first of which opens the fault."""
        while self.now_s <= until_s:
            raised = sum(time_s <= self.now_s for time_s in alarms_s)
            faults = {1: signs(raised, severity)} if raised else {}
            if self.schedule.due(faults, self.now_s):
                self.reviews_s.append(self.now_s)
                self.schedule.finish(1, faults[1], self.now_s)
            wait_s = self.schedule.wait_s(self.now_s)
            assert 0 < wait_s <= POLL_S
            # Every change of the fault wakes the thread; here its opening alone has to.
            opening_s = [time_s for time_s in alarms_s[:1] if time_s > self.now_s]
            self.now_s = min([self.now_s + wait_s, *opening_s])


def reviews_s(alarms_s: list[float], until_s: float, *, restarted: bool = False) -> list[float]:
    """Times of reviews, counted from the opening or the start of the daemon at 0."""
    watch = Watch()
    if not restarted:
        watch.run(1000.0, [2000.0], Severity.WARNING)
        watch.now_s = 2000.0
    begun_s = watch.now_s
    watch.run(begun_s + until_s, [begun_s + time_s for time_s in alarms_s], Severity.WARNING)
    return [time_s - begun_s for time_s in watch.reviews_s]


def test_a_fault_with_signs_is_reviewed_soon_then_hourly() -> None:
    always = [float(time_s) for time_s in range(0, 10_000, 30)]
    assert reviews_s(always, 9000) == [*YOUNG_S, 900 + OLD_S, 900 + 2 * OLD_S]
    assert (YOUNG_S[1:], OLD_S) == ((60, 300, 900), 3600)


def test_without_new_signs_it_is_not_reviewed_again() -> None:
    assert reviews_s([0.0], 20_000) == [YOUNG_S[0]]
    assert reviews_s([0.0, 30.0], 20_000) == [YOUNG_S[0], 60]
    assert reviews_s([0.0, 2000.0], 20_000) == [YOUNG_S[0], 900 + OLD_S]


def test_a_fault_that_was_open_at_the_start_is_reviewed_later() -> None:
    assert reviews_s([0.0], 20_000, restarted=True) == [START_S]
    assert reviews_s([0.0, 70.0], 20_000, restarted=True) == [START_S, START_S + OLD_S]


def test_a_fault_that_worsens_is_reviewed_at_once() -> None:
    watch = Watch()
    watch.schedule.due({}, 0.0)
    watch.run(1100.0, [1000.0], Severity.WARNING)
    assert watch.reviews_s == [1000.0 + YOUNG_S[0]]
    assert watch.schedule.due({1: signs(2)}, 1030.0) == []
    assert watch.schedule.due({1: signs(2, Severity.CRITICAL)}, 1030.0) == [1]


def test_a_review_that_failed_stays_due_and_a_return_begins_again() -> None:
    schedule = ReviewSchedule()
    schedule.due({}, 0.0)
    assert schedule.due({1: signs()}, 10.0) == []
    assert schedule.due({1: signs(), 2: signs()}, 10.0 + YOUNG_S[0]) == [1]
    assert schedule.due({1: signs(), 2: signs()}, 10.0 + RETRY_S) == [1, 2]
    schedule.finish(1, signs(), 10.0 + RETRY_S)
    assert schedule.due({2: signs()}, 80.0) == [2]  # 1 is quiet
    assert schedule.due({1: signs(2)}, 90.0) == []
    assert schedule.due({1: signs(2)}, 90.0 + YOUNG_S[0]) == [1]


# what


def diagnosis(**odds: float) -> Diagnosis:
    """Odds by cause, with underscores; the rest is that nothing has changed."""
    named = {name.replace("_", "-"): share for name, share in odds.items()}
    named[NOTHING] = 1 - sum(named.values())
    order = sorted(named, key=lambda name: -named[name])
    return Diagnosis("", False, (), (), (), {name: named[name] for name in order})


def test_a_likely_cause_is_stated_with_the_place_of_the_next_check_and_the_figures() -> None:
    found = explain(diagnosis(intermittent_contact=0.93), FIGURES, None)
    assert found == (
        CONTACT,
        0.93,
        f"Probably an intermittent contact; the next check is at the radio. {FIGURES}",
        True,
    )
    assert "needs no tools" in explain(diagnosis(wet_line=0.8), FIGURES, None).summary


def test_no_cause_is_stated_before_it_is_likely() -> None:
    unclear = explain(diagnosis(intermittent_contact=0.6), FIGURES, None)
    assert unclear == (CONTACT, 0.6, FIGURES, False)
    assert explain(diagnosis(wet_line=0.2), FIGURES, None) == (None, None, FIGURES, False)
    assert explain(Diagnosis("", False, (), (), (), {}), FIGURES, None) == (
        None,
        None,
        FIGURES,
        False,
    )


def test_only_another_likely_cause_replaces_one_that_was_likely() -> None:
    weaker = explain(diagnosis(intermittent_contact=0.45, wet_line=0.5), FIGURES, CONTACT)
    assert weaker == (
        CONTACT,
        0.45,
        f"Perhaps an intermittent contact; the next check is at the radio. {FIGURES}",
        False,
    )
    assert explain(diagnosis(wet_line=0.7), FIGURES, CONTACT) == (CONTACT, 0.0, FIGURES, False)
    assert explain(diagnosis(wet_line=0.8), FIGURES, CONTACT)[::3] == (WET, True)


@pytest.mark.parametrize("cause", [cause.name for cause in CAUSES if cause.name != NOTHING])
def test_each_cause_makes_two_sentences_at_most(cause: str) -> None:
    summary = explain(diagnosis(**{cause: LIKELY}), FIGURES, None).summary
    assert summary.removesuffix(FIGURES).count(". ") == 1
    assert BY_NAME[cause].title in summary
    assert len(summary.removesuffix(FIGURES)) <= 110


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as opened:
        yield opened


def test_each_cause_is_reported_once(store: StoreWriter) -> None:
    write(store, LOOSE_PLUG)
    faults = Faults(store.database)
    figures = faults.fault(1).summary
    contact, wet, unclear = (
        diagnosis(intermittent_contact=0.9),
        diagnosis(wet_line=0.9),
        diagnosis(intermittent_contact=0.3, wet_line=0.4),
    )
    events = [
        store_explanation(faults, 1, found)
        for found in (unclear, contact, contact, unclear, contact, wet, unclear, contact)
    ]
    reported = [None if event is None else event.fault.probable_cause for event in events]
    assert reported == [None, CONTACT, None, None, None, WET, None, CONTACT]
    fault = faults.fault(1)
    assert (fault.probable_cause, fault.probability) == (CONTACT, 0.9)
    assert fault.summary.endswith(f"radio. {figures}")
    assert fault.summary.count(figures) == 1
    assert events[1] is not None
    assert events[1].fault.summary == fault.summary
    # Dated by the readings, whatever the clock of this machine says.
    assert events[1].utc == format_ns(start_of(7) + 3 * SECOND)


def test_the_words_of_a_later_state_stay(store: StoreWriter) -> None:
    write(store, [*LOOSE_PLUG, *spell(8, 200)])
    faults = Faults(store.database)
    quiet = faults.fault(1)
    assert store_explanation(faults, 1, diagnosis(wet_line=0.9)) is None
    assert faults.fault(1) == quiet
    assert faults.open_signs() == {}
    write(store, broken(201))
    (former,) = faults.open_signs().values()
    assert former.alarms == 2
    assert store_explanation(faults, 1, diagnosis(intermittent_contact=0.9)) is not None
    assert "The fault is back" in faults.fault(1).summary


def test_transmissions_are_signs_while_an_alarm_is_open(store: StoreWriter) -> None:
    write(store, [alarm("baseline-shift", T0 - SECOND), over(0)])
    faults = Faults(store.database)
    assert faults.open_signs() == {1: Signs(Severity.WARNING, 1, 0, 1)}
    write(store, [over(1)])
    assert faults.open_signs()[1].transmission_id == 2
    write(store, [alarm("baseline-shift", start_of(2), "cleared"), over(2)])
    assert faults.open_signs()[1].transmission_id is None


# to whom


def test_an_explanation_by_another_process_is_reported_once(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    reported: list[Event] = []
    keeper = Keeper(lambda _: StoreWriter.open(path), Reporter(reported.append), Retention(0, None))
    tracker = FaultTracker(FaultsOptions())
    now_s = 0.0

    def commit(rows: list[Row]) -> list[str]:
        nonlocal now_s
        reported.clear()
        keeper.add(tracker.update(rows, max(map(time_of, rows), default=0)), now_s)
        now_s += SPOOL_S
        keeper.commit_due(now_s)
        keeper.commit_due(now_s)
        return [
            str(item.change)
            for item in reported
            if isinstance(item, AlarmEvent | FaultEvent) and item.change != ChangeKind.CLEARED
        ]

    def explain_elsewhere(**odds: float) -> None:
        with Faults.editor(path) as faults:
            store_explanation(faults, 1, diagnosis(**odds))

    assert commit([alarm("baseline-shift", T0)]) == ["raised", "opened"]
    assert commit([]) == []
    explain_elsewhere(wet_line=0.9)
    assert commit([]) == ["explained"]
    assert commit([]) == []
    explain_elsewhere(antenna_moved=0.9)  # between two changes of the daemon's own
    assert commit([alarm("high-swr", T0 + SECOND)]) == ["explained", "raised", "worsened"]
    with Faults.editor(path) as faults:
        faults.acknowledge(1, T0 + SECOND)
    assert commit([]) == ["acknowledged"] * 2
    assert commit([]) == []
    keeper.close()
    keeper = Keeper(lambda _: StoreWriter.open(path), Reporter(reported.append), Retention(0, None))
    assert commit([]) == []
    keeper.close()


# in nobody's way


@pytest.fixture(scope="module")
def severed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose last transmission met an open line."""
    at_s = 30 * DAY_S
    talks = evenings(np.random.default_rng(3), at_s)
    late = [Over(at_s + 60.0, at_s + 64.0, "fm", talks[0][0].channel, 4.0)]
    path = tmp_path_factory.mktemp("severed") / "station.sqlite"
    with closing(StoreWriter.open(path)) as store:
        _fill(store, _station(3, PermanentOpen(at_s)), [*talks[:5], late])
        assert len(Faults(store.database).open_signs()) == 1
    return path


class SteppedReviewer(FaultReviewer):
    """A reviewer with a clock that is set."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, lambda: self.now_s)
        self.now_s = 0.0

    def later(self) -> float:
        self.now_s += START_S
        return self.step()


def copy(severed: Path, path: Path) -> None:
    with closing(sqlite3.connect(severed)) as source, closing(sqlite3.connect(path)) as copied:
        source.backup(copied)
        copied.execute("PRAGMA journal_mode = WAL")


def cause(path: Path) -> str | None:
    with Faults.reader(path) as faults:
        return faults.active()[0].probable_cause


def test_a_store_that_is_missing_locked_or_replaced_is_reviewed_later(
    severed: Path, tmp_path: Path
) -> None:
    path = tmp_path / "station.sqlite"
    reviewer = SteppedReviewer(path)
    assert reviewer.step() == RETRY_S
    copy(severed, path)
    assert reviewer.step() == POLL_S
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert reviewer.later() == RETRY_S
        other.execute("ROLLBACK")
        assert cause(path) is None
    reviewer.later()
    assert cause(path) == OPEN
    with Faults.reader(path) as faults:
        assert [event.change for event in faults.changes(1)] == ["opened", "explained"]
    for file in tmp_path.glob("station.sqlite*"):
        file.rename(tmp_path / file.name.replace("station", "damaged"))
    copy(severed, path)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE faults SET id = 7")
        database.execute("UPDATE fault_changes SET fault_id = 7")
        database.execute("UPDATE alarms SET fault_id = 7 WHERE fault_id IS NOT NULL")
        database.execute("UPDATE excursions SET fault_id = 7 WHERE fault_id IS NOT NULL")
    assert reviewer.step() == YOUNG_S[0]
    reviewer.later()
    assert cause(path) == OPEN


def program(folder: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run this instead of the diagnosis."""
    path = folder / "program"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    monkeypatch.setattr(fault_review, "PROGRAM", (str(path),))


def test_a_diagnosis_that_fails_is_logged_and_not_repeated_at_once(
    severed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    copy(severed, tmp_path / "station.sqlite")
    program(tmp_path, "echo Traceback >&2; echo ValueError: odd >&2; exit 1", monkeypatch)
    reviewer = SteppedReviewer(tmp_path / "station.sqlite")
    reviewer.step()
    assert reviewer.later() == POLL_S
    assert [record.getMessage() for record in caplog.records] == [
        "the diagnosis of fault 1 failed: ValueError: odd"
    ]
    reviewer.later()
    assert len(caplog.records) == 1


@pytest.mark.realtime
def test_the_end_does_not_wait_for_a_diagnosis(
    severed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy(severed, tmp_path / "station.sqlite")
    program(tmp_path, f"echo $$ > {tmp_path}/pid; exec sleep 100", monkeypatch)
    monkeypatch.setattr(fault_review, "START_S", 0.0)
    reviewer = FaultReviewer(tmp_path / "station.sqlite")
    thread = threading.Thread(target=reviewer.run, daemon=True)
    thread.start()
    assert wait_until((tmp_path / "pid").exists)
    assert wait_until((tmp_path / "pid").read_text)
    begun = time.monotonic()
    reviewer.end()
    thread.join(scale(5))
    assert not thread.is_alive()
    assert time.monotonic() - begun < scale(2)
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


# The diagnosis would have to merge faults only if some of one family opened together.
@given(st.lists(st.tuples(st.sampled_from(list(AlarmKind)), st.integers(0, 600), st.booleans())))
def test_no_two_faults_of_a_family_open_within_ten_minutes(
    alarms: list[tuple[AlarmKind, int, bool]],
) -> None:
    tracker = FaultTracker(FaultsOptions())
    opened = []
    for kind, second, is_raised in sorted(alarms, key=lambda item: item[1]):
        row = alarm(kind, T0 + second * SECOND, "raised" if is_raised else "cleared")
        opened += [
            item.family
            for item in tracker.update([row], row.time_ns)
            if isinstance(item, FaultChange) and item.change == FaultChangeKind.OPENED
        ]
    assert len(opened) == len(set(opened))
    assert set(opened) <= {family_of(kind) for kind, _, raised in alarms if raised}


# all of it


def simulated(path: Path) -> Path:
    """A configuration: ten simulated seconds a second, a plug that is loose after 80 of them."""
    overs = [
        {"at_s": 5 + 20 * n, "duration_s": 12, "mode": "fm", "channel": (3, 20, 38)[n % 3]}
        for n in range(100)
    ]
    plug = {"kind": "intermittent", "where": "shack-plug", "at_s": 80, "rate_per_s": 1.0}
    driver = {
        "kind": "simulated",
        "seed": 7,
        "speed": 10,
        "start_utc": "2026-03-01T19:00:00Z",
        "operator": {"transmissions": [{**item, "power_w": 4} for item in overs]},
        "faults": [{**plug, "length_ms": 40}],
    }
    path.write_text(json.dumps({"driver": driver, "store": {"path": "station.sqlite"}}))
    return path


@pytest.mark.nightly
@pytest.mark.realtime
def test_the_daemon_explains_a_loose_plug(tmp_path: Path) -> None:
    config = simulated(tmp_path / "config.yaml")
    daemon = Running(config)
    try:
        (explained, *_) = daemon.wait_events(1, 120, event="fault", change="explained")
        assert daemon.stop()[0] == 0
    finally:
        daemon.kill()
    assert (explained["probable_cause"], explained["state"]) == (CONTACT, "open")
    assert explained["probability"] >= LIKELY
    assert "an intermittent contact; the next check is at the radio. " in explained["summary"]
    faults = [event for _, event in daemon.events if event["event"] == "fault"]
    assert [event["change"] for event in faults if event["id"] == 1][:2] == ["opened", "explained"]
    assert sum(event["change"] == "explained" for event in faults) == 1
    assert explained["summary"].endswith(faults[0]["summary"].rpartition(": ")[2])

    listed = mismatchd("faults", "-c", config).stdout
    assert "an intermittent contact; the next check is at the radio. " in listed
    mismatchd("recompute", "-c", config)
    with Faults.reader(tmp_path / "station.sqlite") as repository:
        changes = [event.change for event in repository.changes(1)]
        assert changes.count(FaultChangeKind.EXPLAINED) == 1
        assert repository.fault(1).probable_cause == CONTACT
