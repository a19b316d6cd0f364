"""The store: what is written is kept once, in order, and survives what a daemon meets."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import StoreError, UsageError
from logger.rows import (
    SECOND_FIGURES,
    AlarmChange,
    AlarmKind,
    ChangeKind,
    Flag,
    SecondRows,
    Severity,
    Transmission,
)
from logger.store.alarms import Alarms
from logger.store.export import write_records
from logger.store.lock import StoreLock
from logger.store.reader import Store
from logger.store.tables import ALARMS, SECONDS, TABLES, TRANSMISSIONS
from logger.store.writer import StoreWriter
from logger.utc import format_ns, parse_time

T0 = 1_772_391_605_123_456_000
SECOND = 1_000_000_000
ALWAYS = (-(1 << 63), (1 << 63) - 1)


def transmission(start_ns: int = T0, *, ended: bool = True, **changes: object) -> Transmission:
    row = Transmission(
        start_ns=start_ns,
        end_ns=start_ns + 3 * SECOND,
        ended=ended,
        samples=600,
        forward_w_mean=3.98765432,
        forward_w_max=4.1,
        reflected_w_mean=0.04,
        reflected_w_max=0.05,
        swr=1.22,
        swr_low=1.1,
        swr_high=1.3,
        swr_max=1.25,
        energy_j=12.0,
        channel=20,
        frequency_khz=27205.0,
        calibration_id="abc",
        flags=0,
        swr_noise_low=1.21,
        swr_noise_high=1.23,
        settled_samples=590,
    )
    return msgspec.structs.replace(row, **changes)


def second(
    time_ns: int,
    start_ns: int = T0,
    samples: int = 200,
    flags: int = int(Flag.BELOW_FLOOR),
    **changes: float,
) -> SecondRows:
    means = {"forward_w": 4.0, "reflected_w": 0.04, "forward_v": 1.0234567, "reflected_v": 0.03}
    figures = {**dict.fromkeys(SECOND_FIGURES, np.nan), **means, **changes}
    whole = (np.array([number]) for number in (time_ns, samples, flags))
    return SecondRows(start_ns, *whole, np.array([[figures[name]] for name in SECOND_FIGURES]))


def alarm(change: str, time_ns: int, kind: str = "high-swr", start_ns: int | None = T0):
    return AlarmChange(
        kind=AlarmKind(kind),
        change=ChangeKind(change),
        time_ns=time_ns,
        severity=Severity.CRITICAL,
        value=8.5,
        limit=3.0,
        start_ns=start_ns,
        detail='SWR 8.50, "open"?',
    )


@pytest.fixture
def store(tmp_path: Path):
    opened = StoreWriter.open(tmp_path / "deep/er/station.sqlite")
    yield opened
    opened.close()


def columns(store: StoreWriter, table=TRANSMISSIONS):
    return [record.columns for record in store.records(table, *ALWAYS)]


def test_an_alarm_of_another_version_is_exported_as_it_is(store: StoreWriter) -> None:
    store.write([transmission(), alarm("raised", T0, kind="bent-mast")])
    assert [row["kind"] for row in columns(store, ALARMS)] == ["bent-mast"]
    (found,) = store.open_alarms()
    assert (found.kind, f"{found.kind:10}") == ("bent-mast", "bent-mast ")
    assert b'"kind":"bent-mast"' in msgspec.json.encode(found)


def test_rows_written_again_replace_themselves(store: StoreWriter) -> None:
    rows = [
        transmission(ended=False),
        second(T0),
        second(T0 + SECOND),
        transmission(),
        alarm("raised", T0 + SECOND),
        alarm("cleared", T0 + 2 * SECOND),
    ]
    ended, *changes = store.write(rows)
    assert ended == next(store.records(TRANSMISSIONS, *ALWAYS))
    assert [(event.change, event.alarm.id) for event in changes] == [("raised", 1), ("cleared", 1)]
    before = [columns(store, table) for table in (TRANSMISSIONS, SECONDS, ALARMS)]
    again = store.write(rows)
    assert again == [ended]  # no alarm is reported twice
    assert [columns(store, table) for table in (TRANSMISSIONS, SECONDS, ALARMS)] == before
    assert " ".join(before[0][0]) == (
        "id start_utc end_utc duration_s samples forward_w_mean forward_w_max reflected_w_mean"
        " reflected_w_max swr swr_low swr_high swr_max energy_j channel frequency_khz"
        " calibration_id flags swr_noise_low swr_noise_high settled_samples energy_low_j"
        " energy_high_j antenna coupler_temperature_c"
    )
    assert before[0][0]["forward_w_mean"] == 3.9877
    assert before[0][0]["start_utc"] == "2026-03-01T19:00:05.123456Z"
    assert before[0][0]["duration_s"] == 3.0
    assert before[1][0]["flags"] == "below-floor"
    assert before[1][0]["swr"] is None
    assert before[2][0]["cleared_utc"] == format_ns(T0 + 2 * SECOND)
    assert before[2][0]["transmission_id"] == before[0][0]["id"]


def test_a_batch_is_all_or_nothing(store: StoreWriter) -> None:
    with pytest.raises(StoreError, match="no transmission"):
        store.write([transmission(), second(T0, start_ns=7)])
    assert columns(store) == []


def test_means_halfway_between_two_decimals_are_rounded_alike(store: StoreWriter) -> None:
    """Whichever way the last bit fell."""
    for number, volts in enumerate((0.1234565, 0.12345650000000001, 0.12345649999999999)):
        store.write([transmission(T0), second(T0 + number, forward_v=volts, reflected_v=-volts)])
    rows = columns(store, SECONDS)
    assert {(row["forward_v"], row["reflected_v"]) for row in rows} == {(0.123457, -0.123456)}


def test_a_transmission_cut_short_is_closed_and_flagged(store: StoreWriter) -> None:
    store.write([transmission(ended=False), second(T0)])
    assert columns(store) == []  # one that goes on is not exported
    assert store.close_interrupted() == 1
    assert store.close_interrupted() == 0
    assert columns(store)[0]["flags"] == "interrupted"


def test_open_alarms_survive_and_are_acknowledged_once(store: StoreWriter) -> None:
    store.write([transmission(), alarm("raised", T0), alarm("raised", T0 + 1000, "no-data", None)])
    path = store.path
    store.close()
    again = StoreWriter.open(path)
    assert [item.kind for item in again.open_alarms()] == ["high-swr", "no-data"]
    other = Alarms.editor(path)
    seen = again.last_change_id()
    assert not again.database.changed_elsewhere()
    other.acknowledge(1, T0 + SECOND)
    assert again.database.changed_elsewhere()
    assert [event.alarm.kind for event in again.acknowledgements(seen, seen + 1)] == ["high-swr"]
    assert again.acknowledgements(seen + 1, seen + 9) == []
    with pytest.raises(UsageError, match="already"):
        other.acknowledge(1, T0 + SECOND)
    with pytest.raises(UsageError, match="no alarm 77"):
        other.acknowledge(77, T0)
    other.close()
    again.close()


def test_pages_lose_and_double_nothing(store: StoreWriter) -> None:
    count = 4500
    store.write(
        [transmission(), *(second(T0 + k * 1000, samples=k) for k in reversed(range(count)))]
    )
    samples = [row["samples"] for row in columns(store, SECONDS)]
    assert samples == list(range(count))
    part = store.records(SECONDS, T0 + 10_000, T0 + 20_000)
    assert [record.columns["samples"] for record in part] == list(range(10, 20))


def test_formats(store: StoreWriter) -> None:
    store.write([transmission(), second(T0), alarm("raised", T0)])

    def text(table, form: str) -> str:
        out = io.StringIO()
        write_records(table, store.records(table, *ALWAYS), form, "harbour workshop", "3f2b", out)
        return out.getvalue()

    (row,) = csv.DictReader(io.StringIO(text(ALARMS, "csv")))
    assert row["detail"] == 'SWR 8.50, "open"?'
    assert row["cleared_utc"] == ""
    assert json.loads(text(SECONDS, "jsonl"))["swr"] is None
    line = text(TRANSMISSIONS, "line-protocol")
    assert line.startswith(
        "transmission,station=harbour\\ workshop,station_id=3f2b,channel=20 id=1.0,"
    )
    assert line.endswith(f" {T0}\n")
    assert "samples=600.0" in line
    for name in ("excursions", "journal"):
        assert text(TABLES[name], "csv").startswith("id,time_utc,")
        with pytest.raises(UsageError, match="line-protocol"):
            text(TABLES[name], "line-protocol")


def test_what_is_no_store_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store at"):
        Store.reader(tmp_path / "none.sqlite")
    newer = tmp_path / "newer.sqlite"
    connection = sqlite3.connect(newer)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StoreError, match="newer program"):
        StoreWriter.open(newer)


@pytest.mark.parametrize(("page", "pages"), [(None, 16000), (4096, 2000)])
def test_commits_write_little(tmp_path: Path, page: int | None, pages: int) -> None:
    """New files have small pages, those there are keep theirs; the log is as long for both."""
    path = tmp_path / "station.sqlite"
    if page:
        connection = sqlite3.connect(path)
        connection.execute(f"PRAGMA page_size = {page}")
        connection.execute("CREATE TABLE other (a)")
        connection.close()
    store = StoreWriter.open(path)
    for opened in (store, Store.reader(path)):
        assert opened.database.query_value("PRAGMA page_size") == (page or 512)
        assert opened.database.query_value("PRAGMA wal_autocheckpoint") == pages
    log = path.with_name(path.name + "-wal")
    store.write([transmission(ended=False), second(T0)])
    before = log.stat().st_size
    for number in range(1, 101):
        later = T0 + number * SECOND
        store.write([transmission(ended=False, end_ns=later), second(later)])
    # A page of each of both tables and of the index by time, rarely more.
    assert log.stat().st_size - before < 100 * 4 * ((page or 512) + 24)
    store.close()


def test_one_daemon_per_store(tmp_path: Path) -> None:
    lock = StoreLock(tmp_path / "station.sqlite")
    with pytest.raises(StoreError, match=r"pid \d+"):
        StoreLock(tmp_path / "station.sqlite")
    lock.release()
    StoreLock(tmp_path / "station.sqlite").release()


@given(st.integers(-(10**18), 4 * 10**18))
def test_times_are_exact_to_the_microsecond(time_ns: int) -> None:
    assert parse_time(format_ns(time_ns), 0) == time_ns // 1000 * 1000


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-03-01", 1_772_323_200 * SECOND),
        ("2026-03-01T19:00:05.123456Z", T0),
        ("2026-03-01T20:00:05.123456+01:00", T0),
        ("2h", T0 - 7200 * SECOND),
        ("7d", T0 - 7 * 86400 * SECOND),
    ],
)
def test_times_a_person_writes(text: str, expected: int) -> None:
    assert parse_time(text, T0) == expected


def test_a_time_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="write 2025"):
        parse_time("yesterday", T0)
