"""The dashboard: every query at real databases, beside the rows that `export` prints."""

from __future__ import annotations

import json
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from statistics import fmean, median
from typing import Any

import pytest
import yaml

from logger.dashboard.model import SOURCES, dashboard
from logger.dashboard.panels import Panel, page
from logger.dashboard.queries import Held, Latest, Series
from logger.forward.influx import InfluxForwarder
from logger.rows import Excursion, Health, Row
from logger.store.journal import Journal
from logger.store.tables import FORWARDED, TABLES
from logger.store.writer import StoreWriter
from logger.utc import parse_time
from tests.grafana_queries import Influx, Labels, Points, Victoria, View, milliseconds
from tests.servers import http, influxd, victoria_metrics
from tests.station import mismatchd
from tests.test_fault_notifiers import fault, sign
from tests.test_forwarder import drain, options
from tests.test_store import ALWAYS, SECOND, alarm, second, transmission

pytestmark = pytest.mark.realtime

HOUR = 3600 * SECOND
DAY = 24 * HOUR
STATIONS = ("harbour-workshop", "pier's end")
TABLE_OF = {
    "transmission": "transmissions",
    "second": "seconds",
    "excursion": "excursions",
    "health": "health",
}
FOLDS: dict[str, Callable[[list[float], int], float]] = {
    "last": lambda values, _: values[-1],
    "count": lambda values, _: len(values),
    "max": lambda values, _: max(values),
    "min": lambda values, _: min(values),
    "mean": lambda values, _: fmean(values),
    "median": lambda values, _: median(values),
    "sum": lambda values, _: sum(values),
    "per hour": lambda values, width_ms: len(values) * 3_600_000 / width_ms,
}


def rows_of_a_month(now_ns: int, seed: int) -> Iterator[list[Row]]:
    """Invented transmissions of 25 days on three channels and on none known, and what belongs."""
    random = Random(seed)
    starts = sorted(now_ns - random.randrange(HOUR, 25 * DAY) for _ in range(60))
    for number, start_ns in enumerate(starts):
        swr = 1.2 + random.random()
        values: dict[str, Any] = {"swr": swr, "swr_low": swr - 0.1, "swr_high": swr + 0.2}
        if number % 7 == 3:  # too weak, like the last
            values = dict.fromkeys(values)
        changes = {
            **values,
            "end_ns": start_ns + random.randrange(2, 60) * SECOND,
            "channel": random.choice((3, 20, 38, None)),
            "energy_j": round(random.uniform(5, 200), 3),
            "forward_w_mean": round(random.uniform(1, 4), 4),
            "calibration_id": "abc" if number < 40 else "def",
        }
        yield [transmission(start_ns, **changes)]
        yield [
            second(start_ns + n * SECOND, start_ns, forward_w=1.0 + n + number / 8)
            for n in range(2)
        ]
        yield [
            Excursion(
                time_ns=start_ns + n * SECOND // 7, duration_ms=20.0, swr_peak=4.0, swr_beside=1.3
            )
            for n in range(number % 4)
        ]
        yield [health(start_ns, number)]
    opened = [start_ns for start_ns in starts if start_ns < now_ns - DAY][-3:]
    for number, at_ns in enumerate(opened):
        kind = ("high-swr", "sudden-change", "high-swr")[number]
        yield [fault("opened", at_ns, at_ns), sign(at_ns, kind, at_ns)]
        if number < 2:
            yield [alarm("cleared", at_ns + HOUR // 2, kind), fault("quiet", at_ns + HOUR, at_ns)]
    yield [fault("closed", opened[0] + 2 * HOUR, opened[0])]
    last_ns = now_ns - 4 * SECOND
    yield [transmission(last_ns, ended=False, end_ns=now_ns, channel=20)]
    yield [
        second(last_ns + n * SECOND, last_ns, forward_w=4.0 - n / 8, reflected_w=0.25)
        for n in range(3)
    ]
    yield [health(now_ns - 20 * SECOND, 60)]


def health(time_ns: int, number: int) -> Health:
    return Health(
        time_ns=time_ns,
        duration_s=60.0,
        pairs=12000,
        pairs_per_s=200.0 - number,
        gaps=number % 3,
        input_dropped=number,
        queue_max=1,
        rows_dropped=0,
        commits=40,
        commit_ms_mean=2.0,
        commit_ms_max=3.0 + number,
        commits_failed=number % 2,
        clock_synchronised=number % 5 != 0,
        clock_step_ms=0.0,
        forwarder_backlog=number * 2,
    )


class Station:
    """A station's store, forwarded, and its rows as exported."""

    def __init__(self, folder: Path, name: str, now_ns: int) -> None:
        self.name = name
        self.store = StoreWriter.open(folder / f"{STATIONS.index(name)}.sqlite")
        for rows in rows_of_a_month(now_ns, STATIONS.index(name)):
            self.store.write(rows)
        journal = Journal(self.store.database)
        journal.insert(now_ns - 3 * DAY, "repair", "new plug")
        journal.insert(now_ns - 2 * DAY, "remark", "rain")
        self.rows = {
            name: [record.columns for record in self.store.records(table, *ALWAYS)]
            for name, table in TABLES.items()
            if name not in ("days", "weather")
        }

    def forward(self, source: str, url: str) -> None:
        forwarder = InfluxForwarder(self.store.path, options(url), self.name, {})
        if source == "influxdb1":  # takes the same lines at another address
            forwarder._send = lambda lines: (  # type: ignore[assignment, return-value]
                http(f"{url}/write?db=t&precision=ns", "\n".join(lines).encode()) or None
            )
        drain(forwarder)
        forwarder.close()

    def values(self, table: str, field: str) -> list[tuple[int, str, float]]:
        """Time (ms), channel and value of each row that has the field."""
        channels = dict(self.store.database.query("SELECT id, channel FROM transmissions"))
        return sorted(
            (
                time_of(row),
                str(row.get("channel", channels.get(row.get("transmission_id"))) or ""),
                float(row[field]),
            )
            for row in self.rows[table]
            if row[field] is not None
        )

    def changes(self, measurement: str) -> list[tuple[int, str, int, str]]:
        """Time (ms), alarm or fault, open (1 or 0) and group of each change that was made."""
        by_rule = measurement == "alarm"
        query = (
            "SELECT c.time_ns / 1000000, a.kind, c.change = 'raised', a.kind FROM alarm_changes AS"
            " c JOIN alarms AS a ON a.id = c.alarm_id ORDER BY 1"
            if by_rule
            else "SELECT time_ns / 1000000, fault_id, change = 'opened', '' FROM fault_changes"
            " ORDER BY 1"
        )
        return [
            (t, str(key), is_open, group)
            for t, key, is_open, group in self.store.database.query(query)
        ]


def time_of(row: dict[str, Any]) -> int:
    return parse_time(row.get("start_utc") or row["time_utc"], 0) // 1_000_000


@pytest.fixture(scope="module")
def now_ns() -> int:
    return time.time_ns() // SECOND * SECOND


@pytest.fixture(scope="module")
def stations(tmp_path_factory: pytest.TempPathFactory, now_ns: int) -> Iterator[list[Station]]:
    folder = tmp_path_factory.mktemp("stations")
    made = [Station(folder, name, now_ns) for name in STATIONS]
    yield made
    for station in made:
        station.store.close()


@pytest.fixture(scope="module", params=["victoriametrics", "influxdb1"])
def base(
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    stations: list[Station],
) -> Iterator[Victoria | Influx]:
    """A database filled by the forwarders of both stations; VictoriaMetrics as Debian starts it."""
    folder = tmp_path_factory.mktemp("base")
    is_influx = request.param == "influxdb1"
    server = influxd(folder) if is_influx else victoria_metrics(folder, is_as_installed=True)
    with server as running:
        for station in stations:
            station.forward(request.param, running.url)
        yield Influx(running) if is_influx else Victoria(running)


def views(now_ns: int) -> list[View]:
    """A month of one station, a day of the other one's channel."""
    now_ms = now_ns // 1_000_000
    return [
        View(now_ms - 26 * DAY // 1_000_000, now_ms, 2 * 3_600_000, STATIONS[1]),
        View(now_ms - DAY // 1_000_000, now_ms, 600_000, STATIONS[0], "20"),
    ]


def panels(source: str) -> Iterator[tuple[Panel, dict[str, Any]]]:
    for panel, made in zip(page(), dashboard(source)["panels"], strict=True):
        if isinstance(panel, Panel):
            assert made["title"] == panel.title
            yield panel, made


def by_group(points: Points, tags: tuple[str, ...]) -> dict[tuple[str, ...], dict[int, float]]:
    return {
        tuple(dict(labels).get(tag, "") for tag in tags): values
        for labels, values in points.items()
    }


def expected_series(
    station: Station, query: Series, view: View, step_ms: int, base: Victoria | Influx
) -> dict[tuple[str, ...], dict[int, float]]:
    """The fold of the rows of each interval: it ends at a point's time, or begins there."""
    width_ms = milliseconds(query.window) if query.window else step_ms
    values = [
        (time_ms, (channel,) if query.by else (), value)
        for time_ms, channel, value in station.values(TABLE_OF[query.measurement], query.field)
        if not query.has_channel or view.channel in (".*", channel)
    ]
    groups: dict[tuple[str, ...], dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    if isinstance(base, Influx):
        for time_ms, group, value in values:
            if view.since_ms <= time_ms <= view.until_ms:
                groups[group][time_ms // width_ms * width_ms].append(value)
    else:
        first, last = (t // step_ms * step_ms for t in (view.since_ms, view.until_ms))
        for time_ms, group, value in values:
            end_ms = -(-time_ms // step_ms) * step_ms  # the window excludes its begin
            while end_ms - width_ms < time_ms:
                if first <= end_ms <= last:
                    groups[group][end_ms].append(value)
                end_ms += step_ms
    fold = FOLDS[query.fold]
    return {
        group: {t: fold(found, width_ms) for t, found in windows.items()}
        for group, windows in groups.items()
    }


def test_every_series_is_that_of_the_exported_rows(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    compared = 0
    for view in views(now_ns):
        station = stations[STATIONS.index(view.station)]
        for panel, made in panels(base.source):
            seen = (
                view._replace(since_ms=view.until_ms - 2 * 365 * 86_400_000)
                if panel.time_from
                else view
            )
            for query, target in zip(panel.queries.values(), made["targets"], strict=False):
                if not isinstance(query, Series):
                    continue
                step_ms = seen.step_of(made)
                found = by_group(base.points(seen, target, made), query.by)
                wanted = expected_series(station, query, seen, step_ms, base)
                assert found.keys() == wanted.keys(), panel.title
                for group, points in wanted.items():
                    assert found[group] == pytest.approx(points), (panel.title, group)
                    compared += len(points)
    assert compared > 500


def test_states_last_until_they_change(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    view = views(now_ns)[0]
    station = stations[1]
    for panel, made in panels(base.source):
        (query,) = list(panel.queries.values())[:1]
        if not isinstance(query, Held):
            continue
        step_ms = view.step_of(made)
        found = by_group(
            base.points(view, made["targets"][0], made), () if query.is_total else query.by
        )
        changes = station.changes(query.measurement)
        for group, points in found.items():
            past_ms = step_ms if isinstance(base, Influx) else 1  # of the interval, or its end
            for time_ms, value in points.items():
                states = {
                    key: is_open
                    for change_ms, key, is_open, kind in changes
                    if change_ms < time_ms + past_ms and (not group or group == (kind,))
                }
                assert value == sum(states.values()), (panel.title, time_ms)
        ended = {group: points[max(points)] for group, points in found.items()}
        if query.is_total:
            assert ended == {(): 1}
            assert {0, 1, 2} >= set(found[()].values()) >= {1}
        else:
            assert ended == {("high-swr",): 1, ("sudden-change",): 0}


def test_what_happens_now_is_shown(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    view = views(now_ns)[0]
    (panel, made) = next(p for p in panels(base.source) if p[0].kind == "stat")
    assert all(isinstance(query, Latest) for query in panel.queries.values())
    found = [base.points(view, target, made) for target in made["targets"]]
    values = [value for points in found for value in points[Labels()].values()]
    if isinstance(base, Victoria) or time.time_ns() - now_ns < 5 * SECOND:
        assert values == [3.75, 0.25]


def newest(station: Station, view: View, channel: int | str | None) -> dict[str, Any]:
    return max(
        (
            row
            for row in station.rows["transmissions"]
            if channel in ("", row["channel"]) and time_of(row) >= view.since_ms
        ),
        key=time_of,
    )


def same(found: Any, wanted: Any) -> bool:
    """True if a cell shows a value of a row, which may be absent or a time."""
    if isinstance(wanted, str) and isinstance(found, float):
        return abs(found - parse_time(wanted, 0) / 1_000_000) < 1
    return found is None if wanted is None else found == pytest.approx(wanted)


def test_tables_show_the_newest_rows_unmixed(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    view = views(now_ns)[0]
    tables = {
        panel.title: base.rows(view, made)
        for panel, made in panels(base.source)
        if panel.kind == "table"
    }
    assert [row["station"] for row in tables["All stations"]] == list(STATIONS)
    for station, row in zip(stations, tables["All stations"], strict=True):
        last = newest(station, view, "")
        assert same(row["start"], last["start_utc"])
        assert all(same(row.get(name), last[name]) for name in ("swr", "swr_low", "swr_high"))
        assert (row["alarms_open"], row["faults_open"]) == (1, 1)
        assert row["pairs_per_s"] == 140
    channels = {
        row.get("channel", ""): row for row in tables["Latest transmission on each channel"]
    }
    assert set(channels) == {"3", "20", "38", ""}
    for channel, row in channels.items():
        last = newest(stations[1], view, int(channel) if channel else None)
        assert same(row["start"], last["start_utc"])
        for name in (
            "duration_s",
            "forward_w_mean",
            "reflected_w_mean",
            "swr",
            "swr_low",
            "energy_j",
        ):
            assert same(row.get(name), last[name]), (channel, name)
    assert any(row.get("swr") is None for row in channels.values())
    faults = {row["fault"]: row for row in tables["Faults"]}
    assert [faults[str(row["id"])]["open"] for row in stations[1].rows["faults"]] == [0, 0, 1]
    for row in stations[1].rows["faults"]:
        assert faults[str(row["id"])]["severity_level"] == 1
        if isinstance(base, Influx):
            assert faults[str(row["id"])]["summary"] == row["summary"]


@pytest.mark.parametrize("source", ["victoriametrics", "influxdb1"])
def test_two_stations_of_one_name_are_told_apart(source: str, tmp_path: Path, now_ns: int) -> None:
    with (influxd if source == "influxdb1" else victoria_metrics)(tmp_path) as server:
        ids = []
        for number in range(2):
            (tmp_path / str(number)).mkdir()
            twin = Station(tmp_path / str(number), STATIONS[0], now_ns)
            twin.store.write([health(now_ns - 200 * SECOND, 60 + number)])
            twin.forward(source, server.url)
            ids.append(twin.store.station_id)
            twin.store.close()
        base = Influx(server) if source == "influxdb1" else Victoria(server)
        view = views(now_ns)[1]._replace(step_ms=60_000)
        found = {panel.title: made for panel, made in panels(source)}
        rows = base.rows(view, found["All stations"])
        assert {row["station"] for row in rows} == {STATIONS[0]}
        assert sorted(row["station_id"] for row in rows) == sorted(ids)
        (target,) = found["Pairs per second"]["targets"]
        for number, station_id in enumerate(ids):
            (points,) = base.points(view._replace(station_id=station_id), target, {}).values()
            assert (139 in points.values()) == bool(number)
        assert len(base.values_of(view, dashboard(source)["templating"]["list"][2])) == 2


def test_marks_are_at_the_times_of_the_rows(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    view = views(now_ns)[0]._replace(step_ms=120_000)
    found = {
        annotation["name"]: base.moments(view, annotation)
        for annotation in dashboard(base.source)["annotations"]["list"]
    }
    station = stations[1]
    changes = [(t, key, is_open) for t, key, is_open, _ in station.changes("fault")]
    new = next(
        row
        for row in sorted(station.rows["transmissions"], key=time_of)
        if row["calibration_id"] == "def"
    )
    assert found == {
        "Journal": {(time_of(row), row["kind"]) for row in station.rows["journal"]},
        "Fault open": {(t, key) for t, key, is_open in changes if is_open},
        "Fault quiet or closed": {(t, key) for t, key, is_open in changes if not is_open},
        "New calibration": {(time_of(new), "")},
    }


def test_variables_list_stations_and_channels(
    base: Victoria | Influx, stations: list[Station], now_ns: int
) -> None:
    _, station, number, channel = dashboard(base.source)["templating"]["list"]
    view = views(now_ns)[0]
    assert base.values_of(view, station) == sorted(STATIONS)
    assert base.values_of(view, number) == [stations[1].store.station_id]
    assert base.values_of(view, channel) == ["20", "3", "38"]


def test_panels_ask_for_fields_that_are_forwarded() -> None:
    fields = {table.measurement: {column.name for column in table.columns} for table in FORWARDED}
    for panel, _ in panels("influxdb2"):
        for query in panel.queries.values():
            asked = {getattr(query, "field", None), *getattr(query, "fields", ())} - {None}
            assert asked | set(getattr(query, "texts", ())) <= fields[query.measurement]


def test_the_worst_of_a_thousand_stations_come_first() -> None:
    table = next(made for panel, made in panels("victoriametrics") if panel.title == "All stations")
    (first,) = table["options"]["sortBy"]
    shown = {
        each["value"]
        for override in table["fieldConfig"]["overrides"]
        for each in override["properties"]
        if each["id"] == "displayName"
    }
    assert first["displayName"] in shown
    assert first["desc"]
    assert table["options"]["footer"]["enablePagination"]


@pytest.mark.parametrize("source", SOURCES)
def test_panels_do_not_overlap(source: str) -> None:
    taken = set()
    for panel in dashboard(source)["panels"]:
        spot = panel["gridPos"]
        cells = {(spot["x"] + x, spot["y"] + y) for x in range(spot["w"]) for y in range(spot["h"])}
        assert not cells & taken
        assert max(x for x, _ in cells) < 24
        taken |= cells


def test_the_files_install_the_dashboard(tmp_path: Path) -> None:
    (tmp_path / "config.yaml").write_text(
        "driver: {kind: simulated}\n"
        "influxdb: {url: 'http://base:8086/?p=x', org: shed, bucket: line, token_env: READ_TOKEN}\n"
    )
    folder = tmp_path / "provisioning"

    def write(source: str) -> dict[str, Any]:
        mismatchd(
            *("dashboard", "grafana", "-c", str(tmp_path / "config.yaml"), "--provisioning"),
            *("--datasource", source, "-o", str(folder)),
        )
        content = yaml.safe_load((folder / "datasources/mismatchd.yaml").read_text())
        (data_source,) = content["datasources"]
        assert data_source["url"] == "http://base:8086"
        (provider,) = yaml.safe_load((folder / "dashboards/mismatchd.yaml").read_text())[
            "providers"
        ]
        (model,) = Path(provider["options"]["path"]).glob("*.json")
        assert json.loads(model.read_text()) == dashboard(source)
        return dict(data_source)

    assert write("victoriametrics")["jsonData"]["customQueryParameters"] == "nocache=1"
    assert write("influxdb1")["jsonData"]["dbName"] == "line"
    flux = write("influxdb2")
    assert (flux["jsonData"]["organization"], flux["jsonData"]["defaultBucket"]) == ("shed", "line")
    assert flux["secureJsonData"] == {"token": "$READ_TOKEN"}


def test_the_command_prints_the_model_or_says_what_is_missing() -> None:
    printed = mismatchd("dashboard", "grafana", "--datasource", "influxdb2").stdout
    assert json.loads(printed) == dashboard("influxdb2")
    done = mismatchd(
        "dashboard", "grafana", "--datasource", "influxdb2", "--provisioning", check=False
    )
    assert (done.returncode, "folder" in done.stderr) == (2, True)
