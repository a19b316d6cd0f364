"""Report, query and recompute over the archive of several stations, on a real Dask cluster."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import msgspec
import psutil
import pytest
import yaml

from logger.config.load import Sections, StationOptions, load_sections
from logger.errors import RemoteError
from logger.fleet.engine import Engine
from logger.fleet.push import push
from logger.fleet.recompute import Job, Outcome, plan
from logger.fleet.remote import open_archive
from logger.fleet.report import report, select_slopes, text_of
from logger.fleet.restore import fetch
from logger.fleet.summary import ChannelSummary, FaultSummary, StationSummary
from logger.recompute.workers import Sizes
from logger.store.database import Database
from logger.store.writer import StoreWriter
from logger.trend.priors import read as read_priors
from logger.utc import DAY_NS, format_ns
from tests.deadlines import scale, wait_until
from tests.foreign_years import make_years, write_store
from tests.lost_worker import begin_killed
from tests.station import mismatchd
from tests.test_push import STATION, dump

pytestmark = pytest.mark.realtime

NOW_NS = 1_796_200_000_000_000_000


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three stations with two years of transmissions, and one without any."""
    folder = tmp_path_factory.mktemp("archive")
    target = open_archive(str(folder / "archive"), os.environ)
    for number, slope in enumerate((0.0, 0.15, -0.15, None)):
        path = folder / f"{number}.sqlite"
        with StoreWriter.open(path) as store:
            if slope is not None:
                history = make_years(
                    number + 1,
                    years=2,
                    channels=2,
                    slope=slope,
                    growth=0,
                    steps=0,
                    weather=0.0,
                    repairs=False,
                    start="2024-11-25",
                )
                write_store(store, history)
        sections = Sections(driver={}, station=StationOptions(name=f"site{number}"))
        push(path, target, sections, NOW_NS)
    return folder / "archive"


def test_the_report_names_what_needs_attention(archive: Path, tmp_path: Path) -> None:
    broken = archive / "station_id=broken"
    broken.mkdir()
    (broken / "station.parquet").write_bytes(b"PAR1")
    try:
        done = mismatchd("fleet", "report", archive, "--workers", "1", "--json", check=False)
        page = tmp_path / "page.html"
        mismatchd("fleet", "report", archive, "--workers", "1", "--html", page, check=False)
        select = "SELECT count(*) AS n FROM stations"
        asked = mismatchd("fleet", "query", archive, select, check=False)
    finally:
        shutil.rmtree(broken)
    assert (asked.returncode, asked.stdout.split()) == (1, ["n", "4"])
    assert "station broken is left out" in asked.stderr
    assert done.returncode == 1  # one could not be read, the others are there
    fleet = json.loads(done.stdout)
    lines = {line["summary"]["name"]: line["summary"] for line in fleet["stations"]}
    assert lines.keys() == {"", "site0", "site1", "site2", "site3"}
    assert "not a file of this program" in lines[""]["error"]
    assert lines["site3"]["transmissions"] == 0
    assert fleet["tested"] == 6
    names = {lines[f"site{n}"]["station_id"]: n for n in range(4)}
    assert {names[slope["station_id"]] for slope in fleet["slopes"]} == {1, 2}
    for slope in fleet["slopes"]:  # by other formulas, which spread it over the channels
        truth = {1: 0.15, 2: -0.15}[names[slope["station_id"]]]
        assert slope["low"] < truth + 0.15 * abs(truth)
        assert slope["high"] > truth - 0.15 * abs(truth)
    text = page.read_text()
    assert "<script" not in text
    assert "6 slopes tested" in text


def channel(number: int, p: float, slope: float = 0.1) -> ChannelSummary:
    error = 0.02
    return ChannelSummary(
        channel=number,
        frequency_khz=None,
        level=1.5,
        verdict="rising",
        last="2026-12-01",
        slope_per_year=slope,
        slope_error=error,
        slope_freedom=1e6,
        p_value=p,
    )


def test_false_discoveries_are_controlled() -> None:
    # The example of Benjamini and Hochberg 1995, section 4: 4 of 15 are rejected at 5 %.
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    p += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    channels = tuple(channel(number, value) for number, value in enumerate(p))
    chosen, tested = select_slopes([StationSummary(station_id="a", channels=channels)])
    assert tested == 15
    assert {line.channel for line in chosen} == {f"channel {n}" for n in range(4)}
    # Intervals at 1 - 4 / 15 * 5 %, of the normal distribution.
    half = {round((line.high - line.low) / 2 / 0.02, 3) for line in chosen}
    assert half == {2.475}


def test_each_section_has_its_stations() -> None:
    def utc(days: float) -> str:
        return format_ns(NOW_NS - round(days * DAY_NS))

    def station(name: str, **more: Any) -> StationSummary:
        plain = {"pushed_utc": utc(0.5), "last_pairs_utc": utc(0.5), "limit": 3.0, **more}
        return StationSummary(station_id=name, name=name, **plain)

    def fault(state: str, severity: str = "warning") -> FaultSummary:
        return FaultSummary(
            id=1, state=state, severity=severity, opened_utc=utc(9), summary="A contact."
        )

    soon = msgspec.structs.replace(channel(3, 0.5), reaching=0.4, level=2.8)
    stations = [
        station("sound", channels=(channel(1, 0.5),), verification_due_utc=utc(-3)),
        station("silent", last_pairs_utc=utc(3)),
        station("stopped", pushed_utc=utc(0.1), last_pairs_utc=utc(1.2)),
        station("daily", pushed_utc=utc(1.15), last_pairs_utc=utc(1.15)),  # before its next push
        station("late", pushed_utc=utc(4)),
        station("queue", forwarder_backlog=70_000),
        station("faulty", faults=(fault("open", "critical"),)),
        station("repaired", faults=(fault("verifying"), fault("closed"))),
        station("steep", channels=(soon,)),
        station("due", verification_due_utc=utc(3)),
        station("astray", unsynchronised=0.6),
        station("jumpy", clock_step_s=12.5, unsynchronised=0.0),
        StationSummary(station_id="gone", error="not found"),
        msgspec.structs.replace(station("twin"), name="sound"),  # another one of that name
    ]
    fleet = report("s3://stations/archive", stations, 2, NOW_NS)
    found = {
        section.title: {finding.station for finding in section.findings}
        for section in fleet.sections
    }
    assert found == {
        "Silent stations": {"silent", "stopped"},
        "Open faults": {"faulty"},
        "Unverified repairs": {"repaired"},
        "Steps of the level": set(),
        "Worst slopes": set(),
        "Limit reached within 90 days": {"steep"},
        "Instruments overdue for verification": {"due"},
        "Clocks not kept": {"astray", "jumpy"},
        "Backlog": {"late", "queue"},
    }
    states = {line.summary.station_id: line.state for line in fleet.stations}
    assert states["faulty"] == "act"
    assert states["sound"] == states["daily"] == "fine"
    assert states["gone"] == states["silent"] == "unknown"
    assert {states[name] for name in ("late", "steep", "due", "astray")} == {"watch"}
    for width in (40, 80):
        lines = text_of(fleet, width).splitlines()
        assert max(map(len, lines)) <= width
        assert "2 more stations cannot be read" in " ".join(lines)
        assert sum(line.startswith("  faulty") for line in lines) >= 2
    for width in (50, 80):
        lines = text_of(fleet, width).splitlines()
        twins = [line.split()[-1] for line in lines if line.startswith("  sound  ")]
        assert twins == ["sound", "twin"]


def test_examples_of_queries(archive: Path) -> None:
    """The blocks of SQL in the handbook."""
    topic = Path(__file__).parent.parent / "logger/handbook/stations.md"
    examples = [part.partition("```")[0] for part in topic.read_text().split("```sql\n")[1:]]
    assert len(examples) >= 5
    for example in examples:
        done = mismatchd("fleet", "query", archive, example, "--format", "jsonl")
        rows = [json.loads(line) for line in done.stdout.splitlines()]
        if "transmissions" in example:
            assert rows, example


def test_what_is_learned_needs_enough_stations(archive: Path, tmp_path: Path) -> None:
    file = tmp_path / "priors.yaml"
    words = ("fleet", "learn", archive, "--workers", "1", "-o", file)
    done = mismatchd(*words, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("mismatchd: nothing to learn from 4 stations")
    few = open_archive(str(archive), os.environ).stations()
    wide = tmp_path / "archive"
    for number, station_id in enumerate([*few, *few]):  # so many that something is learned
        twin = f"{number:08d}{station_id[8:]}"
        shutil.copytree(archive / f"station_id={station_id}", wide / f"station_id={twin}")
    done = mismatchd("fleet", "learn", wide, "--workers", "1", "-o", file)
    assert "from 8 stations" in done.stderr
    (prior,) = read_priors(file).ageing  # of 6 with a slope, two of each
    assert prior.stations == 6
    assert prior.mean == pytest.approx(0.0, abs=0.03)
    assert 0.05 < prior.deviation < 0.4


def test_queries_change_nothing(archive: Path, tmp_path: Path) -> None:
    for statement in (
        f"COPY stations TO '{tmp_path}/x.csv'",
        "DROP VIEW alarms",
        "SELECT 1; SELECT 2",
        "SELEC",
        "SELECT nothing FROM transmissions",
    ):
        done = mismatchd("fleet", "query", archive, statement, check=False)
        assert done.returncode == 2, statement
        assert done.stdout == ""
    assert not [*tmp_path.iterdir()]
    done = mismatchd("fleet", "query", archive, "SELECT count(*) AS n, sum(swr) AS s FROM seconds")
    assert done.stdout.split() == ["n", "s", "0"]


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station with raw pairs over the end of a month, pushed, and its own recompute."""
    folder = tmp_path_factory.mktemp("workshop")
    (folder / "config.yaml").write_text(STATION + "store: {path: station.sqlite}\n")
    mismatchd("run", "-c", folder / "config.yaml")
    store = folder / "station.sqlite"
    sections = load_sections(folder / "config.yaml")
    push(store, open_archive(str(folder / "archive"), os.environ), sections, NOW_NS)
    with Database.reader(store) as database:
        text = database.query_value("SELECT text FROM calibrations")
        database.copy_to(folder / "own.sqlite")
    content = yaml.safe_load(text)
    content["reflected"]["coupling_db"] += 0.7
    (folder / "new.yaml").write_text(yaml.safe_dump(content))
    (folder / "own.yaml").write_text(STATION + "store: {path: own.sqlite}\ncalibration: new.yaml\n")
    mismatchd("recompute", "-c", folder / "own.yaml")
    return folder


def restored(folder: Path, url: Path, number: str) -> dict[str, list[tuple[Any, ...]]]:
    store = folder / "restored.sqlite"
    fetch(store, open_archive(str(url), os.environ), number)
    return dump(store)


def test_recompute_gives_the_rows_of_the_station(workshop: Path, tmp_path: Path) -> None:
    archive, target = workshop / "archive", tmp_path / "target"
    (number,) = open_archive(str(archive), os.environ).stations()
    arguments = ("fleet", "recompute", archive, "-o", target, "--workers", "1")
    done = mismatchd(*arguments, "--calibration", f"{number}={workshop}/new.yaml")
    assert "1 station derived again" in done.stderr
    want = dump(workshop / "own.sqlite")
    assert restored(tmp_path, target, number) == want
    assert dump(workshop / "station.sqlite")["seconds"] != want["seconds"]
    files = {path: path.stat().st_mtime_ns for path in target.rglob("*.parquet")}
    done = mismatchd(*arguments, "--calibration", f"{number}={workshop}/new.yaml")
    assert "1 done before" in done.stderr
    assert files == {path: path.stat().st_mtime_ns for path in target.rglob("*.parquet")}
    shown = mismatchd("fleet", "report", target, "--workers", "1").stdout
    assert "fault 1 since 2026-0" in shown
    for wrong in (("-o", archive), ("-o", target, "--calibration", f"x={workshop}/new.yaml")):
        assert mismatchd("fleet", "recompute", archive, *wrong, check=False).returncode == 2


def test_a_lost_worker_loses_nothing(workshop: Path, tmp_path: Path) -> None:
    archive, target = workshop / "archive", tmp_path / "target"
    (number,) = open_archive(str(archive), os.environ).stations()
    text = (workshop / "new.yaml").read_text()
    # The second month is begun without the first, so its first chunk is processed twice.
    job = Job(str(archive), str(target), number, text, Sizes(part=3000, warm=0))
    assert {month: len(parts) > 1 for month, parts in plan(job).months.items()} == {
        "2026-02": False,
        "2026-03": True,
    }
    with Engine(None, 2) as engine:
        ((_, result),) = engine.run(begin_killed, [job])
    assert isinstance(result, Outcome), result
    assert target.with_suffix(".killed").exists()
    assert result.transmissions == 3
    assert result.repeated == 1
    assert restored(tmp_path, target, number) == dump(workshop / "own.sqlite")


@pytest.mark.parametrize("workers", [1, 2])
def test_workers_listen_to_this_host_only(workers: int) -> None:
    me = psutil.Process()
    before = {item.laddr for item in me.net_connections()}
    with socket.socket() as usual, warnings.catch_warnings():
        warnings.simplefilter("error")
        with contextlib.suppress(OSError):  # somebody else has it, which serves as well
            usual.bind(("127.0.0.1", 8787))
            usual.listen()
        with Engine(None, workers):
            items = [
                item
                for process in (me, *me.children(recursive=True))
                for item in process.net_connections()
                if item.status == psutil.CONN_LISTEN and item.laddr not in before
            ]
    assert len(items) >= 2
    assert {item.laddr.ip for item in items} == {"127.0.0.1"}


def test_an_absent_scheduler_is_named(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = mismatchd("fleet", "report", archive, "--scheduler", "nonsense", check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("mismatchd: nonsense: no Dask scheduler")
    with pytest.raises(RemoteError):
        next(open_archive(str(archive), os.environ).read(["nothing"]))
    monkeypatch.setattr("logger.fleet.engine.CONNECT_S", 0.3)
    with (
        socket.create_server(("127.0.0.1", 0)) as silent,  # another server than a scheduler
        pytest.raises(RemoteError, match="no answer"),
    ):
        Engine(f"tcp://127.0.0.1:{silent.getsockname()[1]}", 1)


def test_an_interrupt_ends_the_workers_quietly(archive: Path) -> None:
    words = [sys.executable, "-m", "logger.cli", "fleet", "report", str(archive), "--workers", "2"]
    process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    members = Path(f"/proc/{process.pid}/task/")

    def children() -> list[str]:
        tasks = [(task / "children").read_text().split() for task in members.iterdir()]
        return [pid for pids in tasks for pid in pids]

    assert wait_until(lambda: len(children()) >= 2, 30)  # a worker begins
    workers = children()
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does
    out, errors = process.communicate(timeout=scale(30))
    assert (process.returncode, out, errors.strip()) == (130, "", "")
    assert wait_until(lambda: not any(map(is_running, workers)), 10)


def is_running(pid: str) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
