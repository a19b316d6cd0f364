"""Several stations on one host: how commands find them, and the report on all of them."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from logger.cli.stations import choose
from logger.errors import ConfigError, UsageError
from logger.utc import DAY_NS, format_ns
from tests import drift_store
from tests.drift_store import MINUTE_NS
from tests.station import CALIBRATION, mismatchd
from tests.test_report import plain_trend
from tests.trends import FIRST, days

HOSTILE = "pier <script>alert(1)</script> & \"'"


def station(folder: Path, file: str, name: str, **more: str) -> Path:
    """A configuration NAME.yaml whose store is beside it."""
    (folder / "coupler.yaml").write_text(CALIBRATION)
    path = folder / f"{file}.yaml"
    sections = {
        "station": json.dumps({"name": name}),
        "driver": "{kind: text-lines, port: /dev/null, columns: [forward_v, reflected_v]}",
        "calibration": "coupler.yaml",
        "store": json.dumps({"path": f"{file}.sqlite"}),
        **more,
    }
    path.write_text("".join(f"{key}: {value}\n" for key, value in sections.items()))
    return path


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a year of transmissions that ended long ago."""
    path = tmp_path_factory.mktemp("year") / "station.sqlite"
    drift_store.write(path, [days(200, level=1.3, used=0.3)])
    return path


@pytest.fixture(scope="module")
def recent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with transmissions until yesterday, whose daemon has read pairs in this minute."""
    path = tmp_path_factory.mktemp("recent") / "station.sqlite"
    now_ns = time.time_ns()
    drift_store.write(path, [days(20, first=now_ns // DAY_NS - 20)])
    with closing(sqlite3.connect(path)) as database, database:
        health = [(now_ns - MINUTE_NS, 12000), (now_ns, 0)]
        database.executemany("INSERT INTO health (time_ns, pairs) VALUES (?, ?)", health)
    return path


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.trend.gather.trend", plain_trend)


# which stations


def chosen(
    folder: Path, names: Sequence[str], configs: Sequence[Path] = (), **environ: str
) -> list[str]:
    return [path.stem for path in choose(configs, names, environ, folder)]


def test_a_station_is_named_by_its_file(tmp_path: Path) -> None:
    for file in ("pier", "loft", "mast over water"):
        station(tmp_path, file, file)
    (tmp_path / "notes.yaml").write_text("- not a configuration\n")
    (tmp_path / "broken.yaml").write_text("driver: [\n")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    given = tmp_path / "pier.yaml"
    assert chosen(tmp_path, ["pier", "loft", "pier"]) == ["pier", "loft"]
    assert chosen(tmp_path, ["mast over water"]) == ["mast over water"]
    assert chosen(tmp_path, ["all"]) == ["broken", "loft", "mast over water", "pier"]
    assert chosen(elsewhere, ["all"], MISMATCHD_CONFIG=str(given)) == chosen(tmp_path, ["all"])
    assert chosen(elsewhere, ["loft"], [given]) == ["loft"]
    assert chosen(elsewhere, [], [given, tmp_path / "loft.yaml", given]) == ["pier", "loft"]
    assert chosen(tmp_path, ["loft", "all"]) == ["loft", "broken", "mast over water", "pier"]


@pytest.mark.parametrize("name", ["peer", "../pier", "/etc/passwd", "", ".", "coupler/../pier"])
def test_another_name_is_refused_with_advice(tmp_path: Path, name: str) -> None:
    station(tmp_path, "pier", "pier")
    with pytest.raises(UsageError, match="pier"):
        chosen(tmp_path / "none", [name], [tmp_path / "pier.yaml"])


def test_names_and_several_files_do_not_combine(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="give several --config, or"):
        chosen(tmp_path, ["pier"], [tmp_path / "a.yaml", tmp_path / "b.yaml"])
    with pytest.raises(ConfigError, match="no configuration file"):
        chosen(tmp_path, [])


# the report


def test_two_stations_in_one_report(tmp_path: Path, year: Path, recent: Path) -> None:
    for file, store in (("pier", year), ("loft", recent)):
        station(tmp_path, file, HOSTILE if file == "pier" else file)
        shutil.copy(store, tmp_path / f"{file}.sqlite")
    two = ("report", "-c", tmp_path / "pier.yaml", "--station", "pier", "--station", "loft")
    shown = mismatchd(*two).stdout
    assert shown.startswith("Feedlines of 2 stations, ")
    summary, *reports = shown.split("\u2500" * 80)
    words = " ".join(summary.split())
    last = format_ns((FIRST + 199) * DAY_NS)[:10]
    assert f"{HOSTILE}: " in words
    assert f"last transmission: {last}" in words
    assert f"No pairs have come since {last}" in words
    assert words.count("No pairs have come") == 1  # the other has read pairs a minute ago
    assert [report.split("\n")[1].split(",")[0] for report in reports] == [
        f"Feedline at {HOSTILE}",
        "Feedline at loft",
    ]
    one = mismatchd("report", "-c", tmp_path / "loft.yaml").stdout
    assert one.strip() == reports[1].strip()

    (answer,) = json.loads(mismatchd(*two, "--format", "json").stdout).values()
    assert [line["station"] for line in answer] == [HOSTILE, "loft"]
    assert [line["open_faults"] for line in answer] == [0, 0]
    assert answer[0]["silent_since_utc"] == answer[0]["last_transmission_utc"]
    assert answer[1]["silent_since_utc"] is None
    alone = mismatchd("report", "-c", tmp_path / "loft.yaml", "--format", "json").stdout
    assert answer[1]["report"].keys() == json.loads(alone).keys()

    with (tmp_path / "pier.yaml").open("a") as config:
        config.write("time_zone: Asia/Kathmandu\n")
    assert mismatchd(*two).stdout.partition("\u2500")[0].count("+0545") == 3
    file = tmp_path / "report.html"
    mismatchd(*two, "--html", file)
    page = file.read_text()
    assert "<script" not in page
    ids = [part.split('"')[0] for part in page.split(' id="')[1:]]
    assert len(ids) == len(set(ids)) > 10
    assert {"station-1", "station-2"} <= set(ids)
    assert '<a href="#station-2">loft</a>' in page


def test_a_station_that_cannot_be_read_hides_no_other(tmp_path: Path, recent: Path) -> None:
    for file in ("a-good", "b-missing", "c-foreign", "d-good"):
        station(tmp_path, file, "harbour")
    for file in ("a-good", "d-good"):
        shutil.copy(recent, tmp_path / f"{file}.sqlite")
    (tmp_path / "c-foreign.sqlite").write_text("this was never a store, but a letter " * 99)
    (tmp_path / "e-broken.yaml").write_text("driver: {kind: text-lines\n")
    done = mismatchd("report", "-c", tmp_path / "a-good.yaml", "--station", "all", check=False)
    assert done.returncode == 1
    words = " ".join(done.stdout.split())
    for name in ("harbour (a-good)", "harbour (d-good)"):
        assert f"Feedline at {name}," in words
        assert f"{name}: Too early" in words
    assert "harbour (b-missing): No report: " in words
    assert "harbour (c-foreign): No report: " in words
    assert "e-broken: No report: " in words
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == [
        "harbour (b-missing)",
        "harbour (c-foreign)",
        "e-broken",
    ]


def test_a_station_alone_fails_as_ever(tmp_path: Path) -> None:
    station(tmp_path, "pier", "pier")
    done = mismatchd("report", "-c", tmp_path / "pier.yaml", check=False)
    assert done.returncode == 1
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1


def test_fifty_stations_in_one_report(tmp_path: Path, recent: Path) -> None:
    for number in range(50):
        station(tmp_path, f"s{number:02}", f"station {number}")
        os.link(recent, tmp_path / f"s{number:02}.sqlite")
    done = mismatchd("report", "-c", tmp_path / "s00.yaml", "--station", "all", "--format", "json")
    (lines,) = json.loads(done.stdout).values()
    assert [line["station"] for line in lines] == [f"station {number}" for number in range(50)]
    assert all(line["report"]["trend"] for line in lines)


# lists


def test_lists_of_several_stations(
    tmp_path: Path, recent: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for file in ("loft", "pier"):
        station(tmp_path, file, file)
        shutil.copy(recent, tmp_path / f"{file}.sqlite")
    drift_store.put_alarm(tmp_path / "pier.sqlite", DAY_NS, "high-swr", "critical", "SWR 4")
    both = ("-c", tmp_path / "loft.yaml", "--station", "all")
    alarms = mismatchd("alarms", *both)
    assert re.fullmatch(r"loft\npier\n +1  1970-01-02T00:00:00Z .* SWR 4\n", alarms.stdout)
    assert mismatchd("faults", *both).stdout == "loft\npier\n"
    refused = mismatchd("alarms", *both, "show", "1", check=False)
    assert (refused.returncode, refused.stderr) == (
        2,
        "mismatchd: this command takes one station; name it with --station or --config\n",
    )
    one = ("-c", tmp_path / "loft.yaml", "--station", "pier")
    own = ("-c", tmp_path / "pier.yaml")  # of the subcommand
    for words in ((*one, "show", "1"), ("show", "1", *own)):
        assert "alarm 1: high-swr" in mismatchd("alarms", *words).stdout
    assert "no configuration file" in mismatchd("alarms", "show", "1", check=False).stderr

    shown = mismatchd("status", *both, check=False)
    assert shown.returncode == 1
    assert shown.stdout.count("not running") == 2
    lines = mismatchd("status", *both, "--json", check=False).stdout.splitlines()
    assert [json.loads(line)["station"] for line in lines] == ["loft", "pier"]

    (tmp_path / "pier.sqlite").unlink()
    failed = mismatchd("alarms", *both, check=False)
    assert failed.returncode == 1
    assert failed.stderr.splitlines()[-1].startswith("mismatchd: pier: no store at")
