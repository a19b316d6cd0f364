"""Rows derived again from raw pairs, against those of a store made with the same rules from the
start.

The station is simulated: all modes, weak and short transmissions, pauses of several lengths and a
plug that fails. The daemon keeps it in several runs, some of them cut short.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from drivers.contract import EndOfInput, SampleBlock, join
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile, Directivity, dump
from logger.calibration.simulated import calibration
from logger.config.load import Config, InfluxOptions, load
from logger.forward.influx import InfluxForwarder
from logger.live.status import ask
from logger.pipeline import Pipeline
from logger.recompute import raw, recompute
from logger.rows import Flag, Samples, Shift
from logger.store import archive_writer as archive_module
from logger.store.alarms import Alarms
from logger.store.redate import redate
from logger.store.tables import ALARMS, SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from logger.wording import count
from tests.deadlines import Deadline, scale
from tests.station import Running, mismatchd
from tests.test_forwarder import drain
from tests.test_store import ALWAYS

replace = msgspec.structs.replace
Columns = list[dict[str, Any]]
Content = tuple[Columns, Columns, Columns]
COMMIT_PAIRS = 400
HOUR_NS = 3_600_000_000_000

STATION = """\
station: {name: harbour-workshop}
driver:
  kind: simulated
  seed: 11
  pace: fast
  duration_s: 240
  start_utc: 2026-03-01T19:00:00Z
  operator:
    transmissions:
      - {at_s: 5, duration_s: 8, mode: fm, channel: 3, power_w: 4}
      - {at_s: 15.5, duration_s: 6, mode: am, channel: 3, power_w: 4}
      - {at_s: 26, duration_s: 5, mode: fm, channel: 20, power_w: 0.3}
      - {at_s: 33.6, duration_s: 0.4, mode: fm, channel: 20, power_w: 4}
      - {at_s: 38, duration_s: 30, mode: ssb, channel: 38, power_w: 12}
      - {at_s: 78, duration_s: 14, mode: am, channel: 20, power_w: 4}
      - {at_s: 93.2, duration_s: 9, mode: ssb, channel: 20, power_w: 8}
      - {at_s: 108, duration_s: 6, mode: fm, channel: 20, power_w: 0.3}
      - {at_s: 118, duration_s: 20, mode: fm, channel: 20, power_w: 4}
      - {at_s: 142, duration_s: 12, mode: fm, channel: 20, power_w: 2}
      - {at_s: 160, duration_s: 15, mode: am, channel: 38, power_w: 4}
      - {at_s: 178, duration_s: 30, mode: ssb, channel: 38, power_w: 12}
      - {at_s: 215, duration_s: 10, mode: fm, channel: 3, power_w: 0.3}
      - {at_s: 228, duration_s: 8, mode: fm, channel: 3, power_w: 0.3}
  faults:
    - {kind: intermittent, at_s: 78, duration_s: 20, rate_per_s: 1, length_ms: 80}
    - {kind: open, where: shack-plug, at_s: 109, duration_s: 4}
    - {kind: resistance, where: shack-plug, at_s: 125, duration_s: 22, ohm: 200}
    - {kind: intermittent, where: antenna-plug, at_s: 160, duration_s: 50, rate_per_s: 2}
store: {path: data/station.sqlite}
"""
# Where runs of the daemon end, seconds: between transmissions, within one, in its hang time and
# while an alarm stands.
CUTS_S = (30.0, 60.0, 102.7, 130.0)


@functools.cache
def stream(config_path: Path) -> tuple[SampleBlock, CalibrationFile]:
    config = load(config_path)
    driver = config.make_driver()
    driver.open()
    blocks = []
    try:
        while True:
            blocks.append(driver.read(1.0, 0.0))
    except EndOfInput:
        truth = driver.truth()
        return with_sensor(join(blocks)), calibration(truth.coupler, truth.adc)


def with_sensor(block: SampleBlock) -> SampleBlock:
    """The pairs with a sensor on the coupler, which is heated, and not heard of for a while."""
    seconds = (block.time_ns - block.time_ns[0]) / 1e9
    celsius = np.round((18 + seconds / 60) * 16) / 16
    celsius[(seconds > 36) & (seconds < 50)] = np.nan
    return dataclasses.replace(block, aux={**block.aux, "temperature_c": celsius})


class Case:
    """A configuration with its stream, and stores made of that."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._count = folder, itertools.count()
        self._played: dict[tuple[Any, ...], Path] = {}
        self.path = folder / "config.yaml"
        self.path.write_text(STATION)
        self.config = load(self.path)
        self.whole, self.right = stream(self.path)

    def rules(
        self, *, min_forward_w: float = 0.2, hang_ms: float = 1500, limit: float = 3.0
    ) -> Config:
        watchdog = self.config.watchdog
        return replace(
            self.config,
            transmission=replace(
                self.config.transmission, min_forward_w=min_forward_w, hang_ms=hang_ms
            ),
            watchdog=replace(watchdog, high_swr=replace(watchdog.high_swr, limit=limit)),
        )

    def play(
        self, config: Config, content: CalibrationFile, cuts_s: Sequence[float] = CUTS_S
    ) -> Path:
        """A store kept by runs that end at these times: pairs of two seconds at once, as the
        daemon commits them."""
        path = self.folder / f"{next(self._count)}.sqlite"
        coupler = Coupler(content)
        rules = config.transmission, config.watchdog.high_swr
        key = *rules, coupler.id, *cuts_s, archive_module.MERGED_PAIRS
        if key in self._played:
            return Path(shutil.copy(self._played[key], path))
        edges = [0, *(round(cut_s * 200) for cut_s in cuts_s), len(self.whole)]
        for begin, end in itertools.pairwise(edges):
            store = StoreWriter.open(path)
            store.insert_calibration(coupler.id, dump(content))
            open_kinds = [each.kind for each in store.open_alarms()]
            pipeline = Pipeline(config, coupler, open_kinds, store.memories())
            for first in range(begin, end, COMMIT_PAIRS):
                store.write(pipeline.process(self.whole[first : min(first + COMMIT_PAIRS, end)]))
                store.archive.merge()
            store.write(pipeline.finish(Flag.INTERRUPTED if end < len(self.whole) else None))
            store.close()
        self._played[key] = Path(shutil.copy(path, path.with_suffix(".first")))
        return path


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("raw"))


def content_of(path: Path) -> Content:
    store = StoreWriter.open(path)
    tables = [
        [record.columns for record in store.records(table, *ALWAYS)]
        for table in (TRANSMISSIONS, SECONDS, ALARMS)
    ]
    store.close()
    return tables[0], tables[1], tables[2]


def by_start(content: Content) -> Content:
    """The same with transmissions named by their start, without ids."""
    transmissions, seconds, _ = content
    names = {row["id"]: row["start_utc"] for row in transmissions}
    assert {row["transmission_id"] for row in seconds} <= names.keys()
    named = [
        [
            {
                name: value
                for name, value in row.items()
                if name not in ("id", "transmission_id", "capture_id")
            }
            | ({"of": names.get(row["transmission_id"])} if "transmission_id" in row else {})
            for row in rows
        ]
        for rows in content
    ]
    return named[0], named[1], named[2]


def dumped(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    lines = list(connection.iterdump())
    connection.close()
    return lines


def derive(path: Path, config: Config, content: CalibrationFile, **options: Any) -> raw.RawSummary:
    store = StoreWriter.open(path)
    try:
        by_raw, by_means = recompute(store, config, Coupler(content), **options)
    finally:
        store.close()
    assert by_means.transmissions == 0
    return by_raw


# --- the same rules: nothing changes ---


def test_the_same_rules_give_the_same_rows(case: Case) -> None:
    path = case.play(case.config, case.right)
    before = dumped(path)
    content = content_of(path)
    heard: list[tuple[int, int]] = []
    summary = derive(
        path, case.config, case.right, progress=lambda done, of: heard.append((done, of))
    )
    assert dumped(path) == before  # no row was as much as touched, no forwarder turned back
    assert summary[1:] == (len(content[0]), len(content[1]), 0, 0, 0, 0)
    assert len(content[0]) == 16
    assert sum("interrupted" in row["flags"] for row in content[0]) == len(CUTS_S)
    assert len(content[2]) == 12
    assert heard[-1] == (summary.pairs, summary.pairs)


@pytest.mark.parametrize("decimals", [3, 4])
def test_also_for_a_bridge_that_prints_decimals(case: Case, decimals: int) -> None:
    """Their means lie halfway between two stored decimals more often than not."""
    plain = Case(case.folder)
    whole, step_v = case.whole, 10.0**-decimals
    plain.whole = dataclasses.replace(
        whole,
        forward_v=np.round(whole.forward_v, decimals),
        reflected_v=np.round(whole.reflected_v, decimals),
        step_v=(step_v, step_v),
    )
    plain._count = case._count
    path = plain.play(case.config, case.right)
    before = dumped(path)
    derive(path, case.config, case.right)
    assert dumped(path) == before


class Kept:
    """The real daemon over several runs of a station in quick time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "data/station.sqlite"
        self._runs = itertools.count()

    def run(self, operator: str, faults: str, stop: Callable[[Running], None], more: str) -> Path:
        number = next(self._runs)
        config = self.folder / "config.yaml"
        config.write_text(
            "driver: {kind: simulated, pace: realtime, speed: 30, block_s: 0.3,"
            f" seed: {number}, start_utc: '2026-03-01T{10 + number}:00:00Z', {more}"
            f" operator: {{transmissions: [{operator}]}}, faults: [{faults}]}}\n"
            "store: {path: data/station.sqlite}\n"
        )
        daemon = Running(config)
        try:
            stop(daemon)
        finally:
            daemon.kill()
        return config


MODES = (
    "{at_s: 3, duration_s: 6, mode: fm}, {at_s: 13, duration_s: 6, mode: am},"
    " {at_s: 21, duration_s: 12, mode: ssb, power_w: 12}"
)
PLUG = "{kind: intermittent, at_s: 5, duration_s: 30, rate_per_s: 2, length_ms: 90}"
LONG = "{at_s: 3, duration_s: 5, mode: fm}, {at_s: 12, duration_s: 900, mode: am}"


def exported(config: Path) -> dict[str, str]:
    return {
        table: mismatchd("export", table, "-c", config).stdout
        for table in ("transmissions", "seconds", "alarms", "samples")
    }


def of(line: str) -> str:
    """The transmission of an exported second."""
    return line.split(",")[7]


@pytest.mark.nightly
@pytest.mark.realtime
def test_what_the_real_daemon_kept_stays_byte_for_byte(tmp_path: Path) -> None:
    """After an end of input, SIGTERM and SIGKILL in mid-transmission and an alarm that stood
    over three runs. Only the transmission that a SIGKILL cut gains what was archived of it."""
    kept = Kept(tmp_path)

    def to_the_end(daemon: Running) -> None:
        assert daemon.process.wait(scale(30)) == 0

    def after(pairs: int, number: signal.Signals) -> Callable[[Running], None]:
        def stop(daemon: Running) -> None:
            deadline = Deadline(30)
            while not deadline.has_passed():
                assert daemon.process.poll() is None
                status = ask(kept.store) if kept.store.parent.exists() else None
                if status and status.pairs > pairs and status.keyed:
                    break
                time.sleep(0.02)
            daemon.process.send_signal(number)
            assert daemon.process.wait(scale(10)) == (0 if number is signal.SIGTERM else -number)

        return stop

    opened = "{kind: open, at_s: 20}"
    kept.run(MODES, PLUG, to_the_end, "duration_s: 40,")
    kept.run(LONG, PLUG, after(8000, signal.SIGTERM), "")
    kept.run(LONG, opened, after(14_000, signal.SIGKILL), "")
    kept.run(LONG, "{kind: open}", after(8000, signal.SIGTERM), "")
    config = kept.run(MODES, PLUG, to_the_end, "duration_s: 40,")
    before, alarms = exported(config), content_of(kept.store)[2]
    assert len(before["samples"].splitlines()) > 30_000
    assert sum(alarm["kind"] == "high-swr" for alarm in alarms) >= 3
    said = mismatchd("recompute", "-c", config).stderr
    assert "removed by the present rules" not in said
    assert "added" not in said
    after_ = exported(config)
    for table in ("alarms", "samples"):
        assert after_[table] == before[table]
    lines = [
        {line.split(",")[0]: line for line in text["transmissions"].splitlines()}
        for text in (before, after_)
    ]
    seconds = [text["seconds"].splitlines() for text in (before, after_)]
    new = set(seconds[1]) - set(seconds[0])
    gained = {of(line) for line in new} | {
        number for number in lines[0] if lines[0][number] != lines[1][number]
    }
    assert lines[0].keys() == lines[1].keys()
    assert len(gained) <= 1  # by less than a commit of 1 s in quick time, and its last second
    for number in gained:
        one, other = lines[0][number].split(","), lines[1][number].split(",")
        assert one[1] == other[1]
        assert "interrupted" in one[17]
        assert one[17] == other[17]
        assert 0 <= int(other[4]) - int(one[4]) < 30 * 200
    assert [line for line in seconds[1] if line not in new] == seconds[0]
    assert len(new) <= 32
    mismatchd("recompute", "-c", config)
    assert exported(config) == after_


def test_what_a_crash_left_open_is_closed(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also if the daemon has not been started since, and by another calibration."""
    monkeypatch.setattr(archive_module, "MERGED_PAIRS", 1 << 17)  # so that segments end anywhere
    path = case.play(case.config, case.right, [])
    store = StoreWriter.open(path)
    doomed = columns_of(store)[4]
    store.database.execute(
        "UPDATE transmissions SET ended = 0, samples = 10 WHERE id = ?", (doomed["id"],)
    )
    store.database.execute("DELETE FROM transmissions WHERE id > ?", (doomed["id"],))
    store.database.execute("DELETE FROM seconds WHERE transmission_id > ?", (doomed["id"],))
    cut_ns = _ns(doomed["end_utc"])
    for block in store.archive.blocks(cut_ns + 1, ALWAYS[1]):
        store.database.execute("DELETE FROM segments WHERE first_ns >= ?", (int(block.time_ns[0]),))
    store.close()
    derive(path, case.rules(), one_db(case.right))
    rows = content_of(path)[0]
    assert [("interrupted" in row["flags"]) for row in rows] == [False] * 4 + [True]
    assert rows[4]["start_utc"] == doomed["start_utc"]
    assert rows[4]["samples"] > 10


def columns_of(store: StoreWriter) -> Columns:
    return [record.columns for record in store.records(TRANSMISSIONS, *ALWAYS)]


def _ns(text: str) -> int:
    return int(np.datetime64(text.removesuffix("Z"), "ns").astype(np.int64))


# --- other calibrations and rules: as if they had been there from the start ---


def one_db(content: CalibrationFile) -> CalibrationFile:
    return replace(
        content,
        forward=replace(content.forward, coupling_db=content.forward.coupling_db + 1),
        reflected=replace(content.reflected, coupling_db=content.reflected.coupling_db + 1),
    )


def another_law(content: CalibrationFile) -> CalibrationFile:
    return replace(
        content,
        forward=replace(content.forward, n_vt_v=0.033, r_is_v=0.006),
        reflected=replace(content.reflected, n_vt_v=0.024, r_is_v=0.003),
        directivity=Directivity(reflected_db=25.0),
    )


@pytest.mark.parametrize("wrong", [one_db, another_law])
def test_another_calibration(
    case: Case, wrong: Callable[[CalibrationFile], CalibrationFile]
) -> None:
    path = case.play(case.config, wrong(case.right))
    derive(path, case.config, case.right)
    derived = by_start(content_of(path))
    made = by_start(content_of(case.play(case.config, case.right)))
    assert derived[0] == made[0]
    assert derived[1] == made[1]
    assert {row["calibration_id"] for row in derived[0]} == {Coupler(case.right).id}
    told = {(alarm["kind"], alarm["of"]) for alarm in derived[2]}
    assert {(alarm["kind"], alarm["of"]) for alarm in made[2]} <= told
    derive(path, case.config, case.right)
    assert by_start(content_of(path)) == derived


@pytest.mark.parametrize(
    "rules",
    [{"min_forward_w": 0.4}, {"hang_ms": 300}, {"hang_ms": 2900}, {"min_forward_w": 1.0}],
    ids=str,
)
def test_other_rules(case: Case, rules: dict[str, float]) -> None:
    path, changed = case.play(case.config, case.right), case.rules(**rules)
    before = content_of(path)
    summary = derive(path, changed, case.right)
    derived = by_start(content_of(path))
    made = by_start(content_of(case.play(changed, case.right)))
    assert derived[0] == made[0]
    assert derived[1] == made[1]
    assert len(derived[0]) != len(before[0])
    starts = {row["start_utc"] for row in before[0]} - {row["start_utc"] for row in made[0]}
    assert summary.deleted == len(starts)
    # Alarms stay, and name the transmission that is there now.
    assert [alarm["raised_utc"] for alarm in by_start(before)[2]] == [
        alarm["raised_utc"] for alarm in derived[2] if "hindsight" not in alarm["detail"]
    ]
    for alarm in derived[2]:
        within = [
            row["start_utc"]
            for row in derived[0]
            if row["start_utc"] <= alarm["raised_utc"] <= row["end_utc"]
        ]
        assert [alarm["of"]] == (within or [None])


def test_there_and_back(case: Case) -> None:
    path = case.play(case.config, case.right)
    before = by_start(content_of(path))
    derive(path, case.rules(min_forward_w=0.4, hang_ms=300), one_db(case.right))
    assert by_start(content_of(path))[0] != before[0]
    derive(path, case.config, case.right)
    after = by_start(content_of(path))
    for one, other in zip(after[0], before[0], strict=True):  # nobody knows any more that the
        gone = other["flags"].replace("interrupted", "").strip()  # weak ones were interrupted
        assert one == other or one == {**other, "flags": gone}
    assert after[1] == before[1]
    named = [
        (alarm["kind"], alarm["raised_utc"], alarm["of"])
        for alarm in after[2]
        if "hindsight" not in alarm["detail"]
    ]
    assert named == [(alarm["kind"], alarm["raised_utc"], alarm["of"]) for alarm in before[2]]


def test_what_is_gone_goes_with_its_seconds_and_not_with_its_alarms(case: Case) -> None:
    path = case.play(case.config, case.right)
    before = content_of(path)
    weak = {row["id"] for row in before[0] if row["forward_w_max"] < 0.38}
    assert len(weak) == 5  # one of them in two pieces
    of_weak = [alarm for alarm in before[2] if alarm["transmission_id"] in weak]
    assert of_weak
    derive(path, case.rules(min_forward_w=0.4), case.right)
    transmissions, seconds, alarms = content_of(path)
    assert not weak & {row["id"] for row in transmissions}
    assert not weak & {row["transmission_id"] for row in seconds}
    for one in of_weak:
        (still,) = (alarm for alarm in alarms if alarm["id"] == one["id"])
        assert still == {**one, "transmission_id": None}


def test_a_number_that_is_given_again_is_forwarded_again(case: Case) -> None:
    """The last transmission is none by the new rules; the next one gets its number."""
    path = case.play(case.config, case.right)
    sent: list[str] = []
    options = InfluxOptions(url="http://127.0.0.1:9", org="home", bucket="station")
    forwarder = InfluxForwarder(path, options, "here", {})
    forwarder._send = sent.extend  # type: ignore[assignment] # returns None: the server took them
    drain(forwarder)
    derive(path, case.rules(min_forward_w=0.4), case.right)
    drain(forwarder)
    sent.clear()
    store = StoreWriter.open(path)
    last = columns_of(store)[-1]["id"]
    pipeline = Pipeline(case.config, Coupler(case.right))
    part = case.whole[:3000]
    later = dataclasses.replace(part, time_ns=part.time_ns + HOUR_NS)
    store.write([*pipeline.process(later), *pipeline.finish()])
    store.close()
    drain(forwarder)
    forwarder.close()
    assert sum(line.startswith("transmission,") for line in sent) == 1
    assert f" id={last + 1}.0," in next(line for line in sent if line.startswith("transmission,"))
    assert sum(line.startswith("second,") for line in sent) >= 8


def test_an_alarm_that_names_another_transmission_is_forwarded_again(case: Case) -> None:
    path = case.play(case.config, case.right)
    sent: list[str] = []
    options = InfluxOptions(url="http://127.0.0.1:9", org="home", bucket="station")
    forwarder = InfluxForwarder(path, options, "here", {})
    forwarder._send = sent.extend  # type: ignore[assignment] # returns None: the server took them
    drain(forwarder)
    before = content_of(path)[2]
    sent.clear()
    derive(path, case.rules(min_forward_w=0.4), case.right)
    drain(forwarder)
    forwarder.close()
    changed = [one for one in content_of(path)[2] if one not in before]
    assert None in {alarm["transmission_id"] for alarm in changed}
    lines = [line for line in sent if line.startswith("alarm,")]
    for alarm in changed:
        of_alarm = [line for line in lines if re.search(rf"[ ,]id={alarm['id']}\.0", line)]
        assert {line.rpartition(" ")[0].partition('change="')[2][:6] for line in of_alarm} == {
            "raised",
            "cleare",
        }
        for line in of_alarm:
            assert ("transmission_id" in line) == (alarm["transmission_id"] is not None)


def test_rows_that_were_dated_anew_stay_flagged(case: Case) -> None:
    """Their seconds begin with those of the clock now, and none stands twice."""
    path = case.play(case.config, case.right)
    by_ns = 1_234_567_890_000
    store = StoreWriter.open(path)
    with store.database.transaction():
        redate(store.database, Shift(*ALWAYS, by_ns))
    store.close()
    moved = content_of(path)
    summary = derive(path, case.config, case.right)
    assert (summary.deleted, summary.alarms) == (0, 0)
    transmissions, seconds, alarms = content_of(path)
    for name in ("id", "start_utc", "end_utc", "samples", "flags", "forward_w_mean"):
        assert [row[name] for row in transmissions] == [row[name] for row in moved[0]]
    assert all("clock-step" in row["flags"] for row in [*transmissions, *seconds])
    assert alarms == moved[2]
    starts = {row["start_utc"] for row in transmissions}
    assert all(row["time_utc"].endswith(".000000Z") or row["time_utc"] in starts for row in seconds)
    for row in transmissions:
        parts = [second for second in seconds if second["transmission_id"] == row["id"]]
        assert sum(second["samples"] for second in parts) == row["samples"]
    derive(path, case.config, case.right)
    assert content_of(path) == (transmissions, seconds, alarms)


# --- alarms in hindsight ---


def test_alarms_are_added_in_hindsight_once(case: Case) -> None:
    path = case.play(case.rules(limit=200), case.right)
    told = by_start(content_of(path))[2]
    assert "high-reflected-power" in {alarm["kind"] for alarm in told}
    assert "high-swr" not in {alarm["kind"] for alarm in told}
    summary = derive(path, case.config, case.right)
    derived = by_start(content_of(path))
    made = by_start(content_of(case.play(case.config, case.right)))
    added = [alarm for alarm in derived[2] if alarm["detail"].endswith(" (in hindsight)")]
    assert [alarm for alarm in derived[2] if alarm not in added] == told
    assert summary.alarms == len(added) > 2
    plain = [
        {**alarm, "detail": alarm["detail"].removesuffix(" (in hindsight)")} for alarm in added
    ]
    # One of a kind for each transmission; when it cleared is told too, also over a restart.
    first = {}
    for alarm in made[2]:
        if alarm["kind"] == "high-swr":
            first.setdefault(alarm["of"], alarm)
    assert plain == list(first.values())
    assert derive(path, case.config, case.right).alarms == 0
    assert by_start(content_of(path)) == derived


def test_alarms_of_an_earlier_hindsight_go_when_they_are_not_raised_any_more(case: Case) -> None:
    path = case.play(case.rules(limit=200), case.right)
    told = content_of(path)[2]
    added = derive(path, case.config, case.right).alarms
    with_hindsight = by_start(content_of(path))
    # One that was acknowledged has been seen by somebody, and stays.
    with closing(StoreWriter.open(path)) as store:
        seen = next(row for row in content_of(path)[2] if "hindsight" in row["detail"])
        Alarms(store.database).acknowledge(seen["id"], _ns(seen["raised_utc"]))
    summary = derive(path, case.rules(limit=200), case.right)
    assert (summary.alarms, summary.withdrawn) == (0, added - 1)
    left = content_of(path)[2]
    assert [row for row in left if "hindsight" not in row["detail"]] == told
    (still,) = (row for row in left if "hindsight" in row["detail"])
    assert still["id"] == seen["id"]
    with closing(sqlite3.connect(path)) as connection:
        lost = "SELECT count(*) FROM alarm_changes WHERE alarm_id NOT IN (SELECT id FROM alarms)"
        assert connection.execute(lost).fetchone() == (0,)
    # And back: as they were.
    summary = derive(path, case.config, case.right)
    assert (summary.alarms, summary.withdrawn) == (added - 1, 0)
    again = by_start(content_of(path))[2]
    for alarm in (*again, *with_hindsight[2]):
        alarm["acknowledged_utc"] = None
    assert again == with_hindsight[2]


def test_hindsight_follows_the_calibration(case: Case) -> None:
    path = case.play(case.rules(limit=30), case.right)
    # Another law gives other powers, so alarms of other values; none of the first is left.
    first = derive(path, case.config, one_db(case.right))
    second = derive(path, case.config, case.right)
    assert min(first.alarms, first.alarms + second.alarms) > 0
    found = [row for row in by_start(content_of(path))[2] if "hindsight" in row["detail"]]
    fresh = case.play(case.rules(limit=30), case.right)
    derive(fresh, case.config, case.right)
    assert found == [row for row in by_start(content_of(fresh))[2] if "hindsight" in row["detail"]]


# --- all or nothing ---


def test_a_dry_run_writes_nothing(case: Case) -> None:
    path = case.play(case.rules(limit=30), one_db(case.right))
    before = dumped(path)
    summary = derive(path, case.rules(min_forward_w=0.4), case.right, dry_run=True)
    assert summary.deleted
    assert summary.alarms
    assert dumped(path) == before


KILLED = """
import sys, time
from pathlib import Path
from logger.calibration.coupler import Coupler
from logger.calibration.file import load as load_calibration
from logger.config.load import load
from logger.recompute import recompute
from logger.store.redate import redate
from logger.store.writer import StoreWriter

def stuck(done, of):
    if done > of // 2:
        print(done, flush=True)
        time.sleep(60)

store, config, coupler = map(Path, sys.argv[1:])
recompute(StoreWriter.open(store), load(config), Coupler(load_calibration(coupler)), progress=stuck)
"""


@pytest.mark.realtime
def test_killed_half_way_it_leaves_the_old_rows(case: Case, tmp_path: Path) -> None:
    path = case.play(case.config, one_db(case.right))
    before = dumped(path)
    coupler = tmp_path / "coupler.yaml"
    coupler.write_text(dump(case.right))
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path), str(case.path), str(coupler)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert int(process.stdout.readline()) > 0
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    assert dumped(path) == before
    derive(path, case.config, case.right)
    assert dumped(path) != before


# --- holes ---


@pytest.fixture
def _in_small_segments(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_module, "MERGED_PAIRS", 2000)


def damage(path: Path, at_s: float, case: Case, how: str = "damaged") -> tuple[str, str]:
    """Damage the segment that holds a moment, or take it away; its first and last time."""
    at_ns = int(case.whole.time_ns[0]) + round(at_s * 1e9)
    connection = sqlite3.connect(path)
    first_ns, last_ns, data = connection.execute(
        "SELECT first_ns, last_ns, data FROM segments WHERE first_ns <= ?"
        " ORDER BY first_ns DESC LIMIT 1",
        (at_ns,),
    ).fetchone()
    assert last_ns >= at_ns
    if how == "damaged":
        connection.execute(
            "UPDATE segments SET data = ? WHERE first_ns = ?", (data[:-1] + b"?", first_ns)
        )
    else:
        connection.execute("DELETE FROM segments WHERE first_ns = ?", (first_ns,))
    connection.commit()
    connection.close()
    return tuple(f"{np.datetime64(ns, 'ns')}"[:26] + "Z" for ns in (first_ns, last_ns))


@pytest.mark.nightly
@pytest.mark.usefixtures("_in_small_segments")
@pytest.mark.parametrize(
    ("at_s", "rules", "how"),
    [
        (at_s, rules, ("damaged", "missing")[(place + number) % 2])
        for place, at_s in enumerate((3.0, 10.0, 28.0, 55.0, 85.0, 131.0, 168.0, 200.0, 231.0))
        for number, rules in enumerate(({}, {"min_forward_w": 0.4}, {"hang_ms": 2900}))
    ],
    ids=str,
)
def test_rows_that_reach_into_a_hole_stay(
    case: Case, at_s: float, rules: dict[str, float], how: str
) -> None:
    path = case.play(case.config, case.right)
    first, last = damage(path, at_s, case, how)
    before = by_start(content_of(path))
    changed = case.rules(**rules)
    derive(path, changed, case.right)
    derived = by_start(content_of(path))
    made = by_start(content_of(case.play(changed, case.right)))
    reaching = [row for row in before[0] if row["start_utc"] <= last and row["end_utc"] >= first]
    for row in reaching:
        assert row in derived[0]
        seconds = [second for second in before[1] if second["of"] == row["start_utc"]]
        assert seconds == [second for second in derived[1] if second["of"] == row["start_utc"]]
    # What ended before is as it should be, and so is what began well after, but for its
    # intervals: the noise is measured afresh from there. It has a say in which pairs move, so that
    # estimates differ where the envelope does.
    whole = reaching_from(reaching, first)
    whole = min(
        [whole, *(r["start_utc"] for r in made[0] if r["start_utc"] < whole <= r["end_utc"])]
    )
    assert [row for row in derived[0] if row["end_utc"] < whole] == [
        row for row in made[0] if row["end_utc"] < whole
    ]
    past = max([last, *(row["end_utc"] for row in reaching)])
    later = {row["start_utc"] for row in made[0] if seconds_between(past, row["start_utc"]) > 3.0}
    assert later <= {row["start_utc"] for row in derived[0]}
    for one, other in zip(*(those(rows[0], later) for rows in (derived, made)), strict=True):
        for name in ("end_utc", "samples", "flags"):
            assert one[name] == other[name]
        allowed = 0.1 if "envelope" in other["flags"] else 1e-3
        for name in ("forward_w_mean", "energy_j"):
            assert one[name] == pytest.approx(other[name], rel=allowed)
    # No second is lost or stands twice.
    times = [second["time_utc"] for second in derived[1]]
    assert len(set(times)) == len(times)
    assert sum(row["samples"] for row in derived[0]) == sum(row["samples"] for row in derived[1])
    again = derive(path, changed, case.right)
    assert again.deleted == 0
    assert by_start(content_of(path)) == derived


def those(rows: Columns, starts: set[str]) -> Columns:
    return [row for row in rows if row["start_utc"] in starts]


def reaching_from(reaching: Columns, first: str) -> str:
    """From here on rows may be kept as they were; the hang time counts."""
    moment = min([first, *(row["start_utc"] for row in reaching)])
    return str(np.datetime64(moment[:-1]) - np.timedelta64(3, "s")) + "Z"


def seconds_between(one: str, other: str) -> float:
    return float((np.datetime64(other[:-1]) - np.datetime64(one[:-1])) / np.timedelta64(1, "s"))


@pytest.mark.usefixtures("_in_small_segments")
@pytest.mark.parametrize("at_s", [20.0, 55.0, 100.0, 168.0])
def test_what_has_expired_stays_as_it_was(case: Case, at_s: float) -> None:
    path = case.play(case.config, case.right)
    before = by_start(content_of(path))
    store = StoreWriter.open(path)
    assert store.archive.expire(int(case.whole.time_ns[0]) + round(at_s * 1e9), None)
    first_ns = int(next(store.archive.blocks(*ALWAYS)).time_ns[0])
    store.close()
    first = f"{np.datetime64(first_ns, 'ns')}"[:26] + "Z"
    assert derive(path, case.config, case.right).deleted == 0
    after = by_start(content_of(path))
    told = [alarm for alarm in after[2] if "hindsight" not in alarm["detail"]]
    assert told == before[2]
    assert [row for row in after[0] if row["start_utc"] < first] == [
        row for row in before[0] if row["start_utc"] < first
    ]
    assert [row["start_utc"] for row in after[0]] == [row["start_utc"] for row in before[0]]
    for one, other in zip(after[1], before[1], strict=True):
        # Noise and the detectors' discharge are learned afresh, which settled pairs and what is
        # taken off for held readings depend on.
        for name in ("time_utc", "samples", "of"):
            assert one[name] == other[name]
        for name in ("forward_w", "reflected_w"):
            assert one[name] == pytest.approx(other[name], rel=0.1, abs=0.1)


# --- the command ---


def test_the_command(case: Case, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    path = tmp_path / "data/station.sqlite"
    shutil.copy(case.play(case.rules(limit=30), one_db(case.right)), path)
    (tmp_path / "coupler.yaml").write_text(dump(case.right))
    config = tmp_path / "config.yaml"
    config.write_text(STATION + "calibration: coupler.yaml\ntransmission: {min_forward_w: 0.4}\n")
    before, starts = dumped(path), {row["start_utc"] for row in content_of(path)[0]}
    by, said, end = mismatchd("recompute", "--dry-run", "-c", config).stderr.splitlines()
    assert by == f"by calibration {Coupler(case.right).id}:"
    assert end == "nothing was written"
    assert dumped(path) == before
    assert mismatchd("recompute", "-c", config).stderr.splitlines() == [by, said]
    transmissions, seconds, alarms = content_of(path)
    store = StoreWriter.open(path)
    pairs = store.archive.pairs()
    store.close()
    hindsight = sum("hindsight" in alarm["detail"] for alarm in alarms)
    gone = len(starts - {row["start_utc"] for row in transmissions})
    assert gone
    assert said == (
        f"from {pairs} raw pairs: {len(transmissions)} transmissions, {len(seconds)} seconds;"
        f" {count(gone, 'transmission')} removed by the present rules;"
        f" {count(hindsight, 'alarm')} added"
    )


def test_pairs_are_exported_as_the_driver_gave_them(case: Case, tmp_path: Path) -> None:
    """And can be played again to the same rows."""
    (tmp_path / "data").mkdir()
    path = tmp_path / "data/station.sqlite"
    shutil.copy(case.play(case.config, case.right, []), path)
    config = tmp_path / "config.yaml"
    config.write_text(STATION)
    text = mismatchd("export", "samples", "-c", config).stdout
    header, *lines = text.splitlines()
    assert header == "time_utc,forward_v,reflected_v,channel,frequency_khz,temperature_c"
    at = np.searchsorted(case.whole.time_ns, [_ns(line.split(",")[0]) for line in lines])
    for number, column in enumerate((case.whole.forward_v, case.whole.reflected_v), start=1):
        assert [float(line.split(",")[number]) for line in lines] == column[at].tolist()
    part = mismatchd(
        *("export", "samples", "-c", config, "--format", "jsonl"),
        *("--since", "2026-03-01T19:00:10Z", "--until", "2026-03-01T19:00:11Z"),
    ).stdout.splitlines()
    assert len(part) == 200
    assert msgspec.json.decode(part[0])["time_utc"] == "2026-03-01T19:00:10.000000Z"


def test_no_pairs_are_selected_twice(case: Case) -> None:
    """Deriving again adds nothing to the archive."""
    path = case.play(case.config, case.right)
    store = StoreWriter.open(path)
    before = join(list(store.archive.blocks(*ALWAYS)))
    pipeline = Pipeline(case.config, Coupler(case.right))
    rows = [*pipeline.process(before), *pipeline.finish()]
    store.write([row for row in rows if isinstance(row, Samples)])
    assert len(join(list(store.archive.blocks(*ALWAYS)))) == len(before)
    store.close()
