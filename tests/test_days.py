"""Daily values kept in the store: always those that all transmissions give."""

from __future__ import annotations

import sqlite3
import statistics
from collections import defaultdict
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.daily import Days
from logger.rows import Boot, ClockChange, Shift, Trust
from logger.store.days import BATCH_DAYS, DailyValues
from logger.store.reader import Store
from logger.store.weather import WeatherRows
from logger.store.writer import StoreWriter
from logger.trend.gather import account, read_history
from logger.utc import DAY_NS
from tests import drift_store
from tests.examples import examples
from tests.old_stores import old_store
from tests.station import mismatchd, write_config
from tests.trends import FIRST, days

ALWAYS = (-(1 << 63), (1 << 63) - 1)


def kept(path: Path) -> dict[tuple[int | None, float | None], Days]:
    with closing(DailyValues.editor(path)) as store:
        return {(one.channel, one.frequency_khz): one for one in store.days(*ALWAYS)}


def stale(path: Path) -> int:
    with closing(sqlite3.connect(path)) as database:
        return int(database.execute("SELECT count(*) FROM stale_days").fetchone()[0])


def by_hand(path: Path) -> dict[tuple[int | None, int], list[float]]:
    found = defaultdict(list)
    with closing(sqlite3.connect(path)) as database:
        for start_ns, channel, swr in database.execute(
            "SELECT start_ns, channel, swr FROM transmissions WHERE ended AND swr IS NOT NULL"
        ):
            found[channel, start_ns // DAY_NS].append(swr)
    return found


def agrees(path: Path) -> None:
    wanted = by_hand(path)
    found = {
        (one.channel, int(day)): (swr, count)
        for one in kept(path).values()
        for day, swr, count in zip(one.day, one.swr, one.transmissions, strict=True)
    }
    assert found == {key: (statistics.median(v), len(v)) for key, v in wanted.items()}


ROW = st.tuples(st.integers(0, 5), st.integers(0, 9), st.sampled_from([3, 20]), st.floats(1, 9))
ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("put"), ROW),
        st.tuples(st.just("delete"), ROW),
        st.tuples(st.just("move"), ROW),
        st.just(("read", None)),
    ),
    max_size=25,
)
PUT = (
    "INSERT INTO transmissions (start_ns, end_ns, ended, samples, forward_w_mean, swr, channel,"
    " calibration_id, flags, settled_samples) VALUES (?1, ?1, ?4, 1, 4, ?2, ?3, 'c', 0, 1)"
    " ON CONFLICT (start_ns) DO UPDATE SET swr = ?2, channel = ?3, ended = ?4"
)


@examples(12)
@given(actions=ACTIONS)
def test_days_follow_any_change_of_the_transmissions(
    tmp_path_factory: pytest.TempPathFactory, actions: list[tuple[str, Any]]
) -> None:
    path = tmp_path_factory.mktemp("days") / "station.sqlite"
    StoreWriter.open(path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("INSERT INTO calibrations VALUES ('c', '{}')")
        for what, row in actions:
            if row is None:
                agrees(path)
                continue
            day, number, channel, swr = row
            start_ns = (FIRST + day) * DAY_NS + number * 1000
            if what == "put":
                database.execute(PUT, (start_ns, swr, channel, number > 0))
            elif what == "delete":
                database.execute("DELETE FROM transmissions WHERE start_ns = ?", (start_ns,))
            else:
                database.execute(
                    "UPDATE OR IGNORE transmissions SET start_ns = start_ns + ? WHERE start_ns = ?",
                    (DAY_NS, start_ns),
                )
    agrees(path)
    assert stale(path) == 0


def test_days_are_computed_once_with_progress(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    drift_store.write(path, [days(100, used=1.0)])
    told: list[tuple[int, int]] = []
    with closing(DailyValues.editor(path)) as store:
        (one,) = store.days(*ALWAYS, lambda done, of: told.append((done, of)))
        assert told == [(min(n, 100), 100) for n in range(BATCH_DAYS, 100 + BATCH_DAYS, BATCH_DAYS)]
        (again,) = store.days(*ALWAYS, lambda done, of: told.append((done, of)))
        assert len(told) == 4
        np.testing.assert_array_equal(one.swr, again.swr)
        (part,) = store.days((FIRST + 10) * DAY_NS + 5, (FIRST + 12) * DAY_NS + 1)
        assert part.day.tolist() == [FIRST + 10, FIRST + 11, FIRST + 12]


def test_where_nothing_can_be_written_they_are_given_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    drift_store.write(path, [days(70, used=1.0), days(70, channel=3, used=1.0)])
    wanted = kept(path)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE transmissions SET flags = 1 WHERE id % 3 = 0")
    with closing(DailyValues.editor(path)) as store:
        store.database.execute("PRAGMA query_only = ON")
        found = {(one.channel, one.frequency_khz): one for one in store.days(*ALWAYS)}
    assert stale(path) == 70
    assert found.keys() == wanted.keys()
    for key, one in wanted.items():
        np.testing.assert_array_equal(found[key].swr, one.swr)


def test_frequencies_of_a_counter_go_together(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    drift_store.write(path, [days(3, used=1.0)])
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "UPDATE transmissions SET channel = NULL, frequency_khz = 27204.7 + id % 2"
        )
    assert list(kept(path)) == [(None, 27205.2)]


def test_another_calibration_may_be_a_step(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    drift_store.write(path, [days(400, used=1.0, step=(200, 0.3))])
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("INSERT INTO calibrations VALUES ('second', '{}')")
        database.execute(
            "UPDATE transmissions SET calibration_id = 'second' WHERE start_ns >= ?",
            ((FIRST + 200) * DAY_NS,),
        )
    with closing(Store.reader(path)) as store:
        told = account(read_history(store, 0, ALWAYS), "s", 3.0)
    (step,) = told.channels[0].trend.steps
    assert (step.day, step.explained_by) == (FIRST + 200, "another calibration")


def test_days_of_a_store_of_the_version_before(tmp_path: Path) -> None:
    path = old_store(tmp_path / "station.sqlite", 4)
    StoreWriter.open(path).close()
    agrees(path)
    assert len(kept(path)) == 1


def test_days_move_with_the_clock(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    drift_store.write(path, [days(3, used=1.0)])
    kept(path)
    store = StoreWriter.open(path)
    boot = Boot("boot", Trust.FOLLOWED, 0, 0, 0)
    shift = Shift(FIRST * DAY_NS, (FIRST + 1) * DAY_NS, 10 * DAY_NS)
    store.write([ClockChange(boot, shift, leap=True)])
    store.close()
    (one,) = kept(path).values()
    assert one.day.tolist() == [FIRST + 1, FIRST + 2, FIRST + 10]
    agrees(path)


def test_days_and_weather_are_exported(tmp_path: Path) -> None:
    config = write_config(tmp_path, "/dev/null")
    drift_store.write(tmp_path / "data/station.sqlite", [days(5, used=1.0)])
    lines = mismatchd("export", "days", "-c", config).stdout.splitlines()
    head = "date,channel,frequency_khz,swr,spread,transmissions,power_w,calibration_id,antenna"
    assert lines[0] == head
    assert len(lines) == 6
    assert lines[1].startswith("2024-03-01,20,,1.")
    assert lines[1].endswith(",4,4.0,coupler,")
    source = tmp_path / "weather.csv"
    source.write_text("date;Temperature_C;humidity\n2024-03-01;-3,5;80\n2024-03-02;;70\n")
    done = mismatchd("journal", "weather", source, "-c", config)
    assert done.stderr == "ignored: humidity\nimported 1 of temperature_c\n"
    source.write_text("time_utc,rain_mm\n2024-03-01,1.5\n2024-03-01T12:00Z,2\n")
    for _ in range(2):  # it lands on itself
        mismatchd("journal", "weather", source, "-c", config)
    assert mismatchd("export", "weather", "-c", config).stdout.splitlines() == [
        "time_utc,temperature_c,rain_mm,wind_m_s",
        "2024-03-01T00:00:00.000000Z,-3.5,1.5,",
        "2024-03-01T12:00:00.000000Z,,2.0,",
        "2024-03-02T00:00:00.000000Z,,,",
    ]
    with WeatherRows.reader(tmp_path / "data/station.sqlite") as store:
        weather = store.daily(*ALWAYS)
    assert weather is not None
    assert weather.rain_mm[0] == 3.5
    assert np.isnan(weather.rain_mm[1])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ":1: the header must name time_utc or date"),
        ("date,humidity\n", ":1: the header"),
        ("date,rain_mm\n2024-03-01,1\nmonday,2\n", ":3: 'monday' is not a time"),
        ("date,rain_mm\n2024-03-01,wet\n", ":2: rain_mm: 'wet' is not a number"),
        ("date,temperature_c\n2024-03-01,280\n", ":2: temperature_c: 280 is outside -90 to 60"),
        ("date,rain_mm\n2024-03-01,1,2\n", ":2: 3 columns, the header has 2"),
    ],
)
def test_weather_that_cannot_be_read(tmp_path: Path, text: str, said: str) -> None:
    config = write_config(tmp_path, "/dev/null")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    source = tmp_path / "weather.csv"
    source.write_text(text)
    done = mismatchd("journal", "weather", source, "-c", config, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert f"weather.csv{said}" in done.stderr
    assert len(mismatchd("export", "weather", "-c", config).stdout.splitlines()) == 1
