"""Times for a reader: conversion against date(1), commands, the live view, charts, the page."""

from __future__ import annotations

import json
import os
import re
import subprocess
from contextlib import closing
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from matplotlib.text import Text

from logger.charts import fault, sheet
from logger.cli.station import zone_of
from logger.config.load import load
from logger.live.reading_tracker import ReadingTracker
from logger.live.screen import Frame, StationStatus, lines, plain
from logger.local_time import HOST_ZONE, host_zone, in_zone
from logger.store.tables import FAULTS
from logger.store.writer import StoreWriter
from tests.page_server import DESK, chromium, serving
from tests.station import mismatchd
from tests.test_chart_fault import CASES
from tests.test_fault_store import LOOSE_PLUG, write
from tests.test_live import READING, ROW

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = ("Europe/Berlin", "America/St_Johns", "Asia/Kathmandu", "Pacific/Chatham", "UTC")
# Hours around both switches of summer time, a leap day, and years far away.
TIMES = (
    "2026-03-29 00:59:59",
    "2026-03-29 01:00:00",
    "2026-10-25 00:30:00",
    "2026-10-25 01:30:00",
    "2024-02-29 23:45:10",
    "1999-12-31 23:59:59",
    "2037-06-01 12:00:00",
)


@pytest.mark.parametrize("zone", ZONES)
def test_times_are_those_of_date(zone: str) -> None:
    done = subprocess.run(
        ["date", "-f", "-", "+%Y-%m-%d %H:%M:%S %Z"],
        input="".join(f"{text} UTC\n" for text in TIMES),
        env={**os.environ, "TZ": zone, "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=True,
    )
    wanted = done.stdout.splitlines()
    assert [in_zone(f"{text} UTC", ZoneInfo(zone)) for text in TIMES] == wanted
    marked = [f"{text.replace(' ', 'T')}Z" for text in TIMES]
    assert [in_zone(text, host_zone({"TZ": zone})) for text in marked] == wanted


def test_only_what_is_marked_as_utc_changes() -> None:
    text = "since 2026-03-01T19:00:00.250000Z, 10 min; 2026-03-01 23:30\n  UTC (2026-03-01)"
    assert in_zone(text, UTC) == text
    assert in_zone(text, BERLIN) == (
        "since 2026-03-01 20:00:00.250000 CET, 10 min; 2026-03-02 00:30\n  CET (2026-03-01)"
    )
    for other in ("2026-03-01 19:00", "19:00 UTC", "2026-13-01T19:00Z", "2026-03-01T19:00Zone"):
        assert in_zone(other, BERLIN) == other


def test_without_a_zone_of_the_environment_the_host_has_one() -> None:
    wanted = subprocess.run(["date", "+%Z"], capture_output=True, text=True, check=True, env={})
    zone = host_zone({})
    assert in_zone("2026-01-01T00:00:00Z", zone).endswith(wanted.stdout.strip() or "UTC")
    assert not HOST_ZONE.exists() or zone is not UTC
    assert host_zone({"TZ": "No/Where"}) is UTC


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "config.yaml"
    path.write_text(
        "driver: {kind: simulated}\nstore: {path: s.sqlite}\ntime_zone: Asia/Kathmandu\n"
    )
    return path


def test_options_and_configuration_choose_the_zone(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    kathmandu = ZoneInfo("Asia/Kathmandu")
    assert [zone_of(load(config), local) for local in (None, True, False)] == [
        kathmandu,
        kathmandu,
        UTC,
    ]
    config.write_text("driver: {kind: simulated}\n")
    assert [zone_of(load(config), local) for local in (None, True, False)] == [UTC, BERLIN, UTC]


def test_a_zone_that_does_not_exist_is_an_error_with_its_line(config: Path) -> None:
    for name, advice in (
        ("Europe/Berln", "did you mean 'Europe/Berlin'?"),
        ("Midgard", "write a name such as Europe/Berlin"),
        ("../../etc/passwd", "write a name such as Europe/Berlin"),
    ):
        config.write_text(f"driver: {{kind: simulated}}\ntime_zone: {name}\n")
        done = mismatchd("check", "-c", config, check=False)
        assert done.returncode == 2
        said = f"{config}:2: time_zone: this host knows no time zone {name!r}; {advice}\n"
        assert done.stderr == f"mismatchd: {said}"


def test_commands_show_local_times_and_exports_utc(config: Path) -> None:
    with closing(StoreWriter.open(load(config).store.path)) as store:
        write(store, LOOSE_PLUG)
        opened = next(iter(store.select(FAULTS, "TRUE"))).columns["opened_utc"]
        raised = store.alarms("TRUE ORDER BY r.raised_ns")[0].raised_utc
    mismatchd("journal", "add", "plug resoldered", "--time", "2026-03-02T18:30:00Z", "-c", config)
    local = in_zone(f"{opened[:19]}Z", ZoneInfo("Asia/Kathmandu"))
    assert local.endswith(" +0545")
    assert local in mismatchd("faults", "--all", "-c", config).stdout
    assert local in mismatchd("faults", "show", "1", "-c", config).stdout
    assert f"{opened[:19]}Z" in mismatchd("faults", "--all", "--utc", "-c", config).stdout
    for words in (("alarms", "--all"), ("alarms", "show", "1")):
        assert f"{raised[:19]}Z" in mismatchd(*words, "--utc", "-c", config).stdout
        assert in_zone(f"{raised[:19]}Z", ZoneInfo("Asia/Kathmandu")) in (
            mismatchd(*words, "-c", config).stdout
        )
    assert "2026-03-03 00:15:00 +0545" in mismatchd("journal", "list", "-c", config).stdout
    shown = mismatchd("status", "-c", config, check=False).stdout
    assert "+0545" in shown
    told = json.loads(mismatchd("status", "--json", "-c", config, check=False).stdout)
    assert told["open_faults"][0]["opened_utc"] == opened
    assert opened in mismatchd("export", "faults", "-c", config).stdout
    assert "+0545" not in mismatchd("faults", "show", "1", "--format", "json", "-c", config).stdout
    report = config.parent / "report.html"
    mismatchd("report", "--html", report, "-c", config)
    assert "+0545" in report.read_text()
    assert "Z" in mismatchd("report", "--utc", "-c", config).stdout
    mismatchd("chart", "fault", "1", "-c", config, "-o", config.parent / "fault.svg")


def test_the_live_view_shows_the_zone() -> None:
    tracker = ReadingTracker()
    tracker.take(READING, 0.0)
    frame = Frame("harbour-workshop", 3.0, 80, 24, zone=BERLIN)
    text = [row.plain for row in lines(frame, tracker, StationStatus([ROW]), True, 0.1)]
    assert text[0].endswith("20:00:00 CET")
    head = next(place for place, row in enumerate(text) if "start CET" in row)
    start = ROW["start_utc"]
    assert in_zone(start, BERLIN)[11:19] in text[head + 1]
    assert text[head].index("time") == [
        row.plain for row in lines(frame._replace(zone=UTC), tracker, StationStatus([ROW]), True, 0)
    ][head].index("time")
    assert plain(tracker, 3.0, True, 0.1, zone=BERLIN).startswith("20:00:00 CET KEY DOWN")
    assert plain(tracker, 3.0, True, 0.1).startswith("19:00:00Z KEY DOWN")


def test_charts_show_the_zone(tmp_path: Path) -> None:
    scene = CASES["an hour"]
    (utc, local) = (
        [text.get_text() for text in fault.draw(case).findobj(Text) if text.get_text()]
        for case in (scene, scene._replace(zone=BERLIN))
    )
    assert any("first sign 2026-03-01 19:12 UTC" in text for text in utc)
    assert any("first sign 2026-03-01 20:12 CET" in text for text in local)
    hour_ns, begin_ns = 3_600_000_000_000, scene.first_ns // 10**9 * 10**9
    places = fault.ticks((begin_ns, begin_ns + 20 * hour_ns), 5, BERLIN)
    assert [label.split("\n")[0] for _, label in places] == ["00:00", "06:00", "12:00"]
    assert places[0][1].endswith("2026-03-02 CET")
    figure = sheet.blank()
    sheet.write_title(figure, "The event is at 2026-03-01T19:00:00.000000Z.")
    sheet.save(figure, tmp_path / "chart.svg", BERLIN)
    assert figure.texts[0].get_text() == "The event is at 2026-03-01 20:00:00.000000 CET."


@pytest.mark.realtime
def test_the_page_shows_the_zone_of_the_browser_and_utc_on_hover(config: Path) -> None:
    with closing(StoreWriter.open(load(config).store.path)) as store:
        write(store, LOOSE_PLUG)
        opened = next(iter(store.select(FAULTS, "TRUE"))).columns["opened_utc"]
    with serving(config) as page, chromium() as browser:
        context = browser.new_context(viewport=DESK, timezone_id="America/St_Johns")
        tab = context.new_page()
        tab.goto(f"{page.url}/faults/1")
        footer = tab.locator("footer", has_text="America/St_Johns")
        footer.wait_for()
        time = tab.locator(f"li time[datetime='{opened}']").first
        local = in_zone(f"{opened[:19]}Z", ZoneInfo("America/St_Johns"))
        assert time.text_content() == local[:19]
        assert time.get_attribute("title") == f"{opened[:19].replace('T', ' ')} UTC"
        tab.goto(f"{page.url}/report")
        tab.locator("#main time").first.wait_for()
        marked = tab.locator("#main time").first
        assert marked.get_attribute("title").endswith(" UTC")
        shown = tab.locator("body").inner_text()
        assert re.search(r"-\d\d \d\d:\d\d", shown)
        assert re.search(r"-\d\d \d\d:\d\d(:\d\d)?(Z| UTC)", shown) is None
