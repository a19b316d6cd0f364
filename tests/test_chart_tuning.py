"""A session of adjusting as a picture and in the report."""

from __future__ import annotations

import json
import re
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from logger.store.sessions import Sessions
from logger.store.writer import StoreWriter
from logger.tune.positions import Adjustment, Position
from logger.tune.session import TuningState, restore
from tests.station import mismatchd, write_config
from tests.tune_sessions import _read
from tests.tune_stations import MHZ, random_station

ENDED_NS = 1_772_391_600_000_000_000


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = write_config(tmp_path, "/dev/null")
    StoreWriter.open(tmp_path / "data/station.sqlite").close()
    return path


def adjusted(folder: Path, positions: list[Position]) -> None:
    state = TuningState(Adjustment("mm"), 1e3 * MHZ[1], None, positions)
    with closing(Sessions.editor(folder / "data/station.sqlite")) as store:
        number = store.begin("tune", ENDED_NS, msgspec.json.encode(state))
        store.end(number, ENDED_NS, msgspec.json.encode(state))


def test_positions_are_drawn_and_reported(config: Path, tmp_path: Path) -> None:
    station = random_station(7)
    positions = []
    for setting in (2790.0, 2870.0, 2900.0):
        station.set(setting)
        positions.append(_read(station, setting))
    adjusted(tmp_path, positions)
    adjusted(tmp_path, positions[:1])  # a later one
    for name in ("all.svg", "one.png", "one.pdf"):
        number = ("--session", "1") if name == "all.svg" else ()
        mismatchd("chart", "tuning", "-c", config, "-o", tmp_path / name, *number)
        assert (tmp_path / name).stat().st_size > 5000
    svg = (tmp_path / "all.svg").read_text()
    assert len(re.findall(r"<!-- \d: 2\d\d0 mm -->", svg)) == 3  # the legend names each
    told = json.loads(mismatchd("report", "-c", config, "--format", "json").stdout)["tuning"]
    assert told["date"] == "2026-03-01"
    assert [one["setting"] for one in told["positions"]] == [2790.0]
    page = tmp_path / "report.html"
    mismatchd("report", "-c", config, "--html", page)
    assert "Positions of the last adjustment" in page.read_text()
    assert "<h2>Last adjusted</h2>" in page.read_text()


def test_what_cannot_be_drawn(config: Path, tmp_path: Path) -> None:
    def refused(*arguments: object, code: int) -> str:
        done = mismatchd("chart", "tuning", "-c", config, *map(str, arguments), check=False)
        assert (done.returncode, done.stderr.count("\n")) == (code, 1)
        return done.stderr

    picture = tmp_path / "x.png"
    assert "no tuning session yet" in refused("-o", picture, code=1)
    adjusted(tmp_path, [Position(2700.0)])
    assert "nothing to draw" in refused("-o", picture, code=1)
    assert "no session 5" in refused("-o", picture, "--session", 5, code=2)
    assert "x.jpeg" in refused("-o", tmp_path / "x.jpeg", code=2)


def test_a_session_that_is_loaded_goes_on(config: Path, tmp_path: Path) -> None:
    station = random_station(3)
    adjusted(tmp_path, [_read(station, station.setting_mm)])
    with closing(Sessions.editor(tmp_path / "data/station.sqlite")) as store:
        (one,) = store.sessions("tune")
    session = restore(one.content)
    assert session.ready
    assert session.advice().to is not None
