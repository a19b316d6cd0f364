"""The loss of the installed line from its far end's reflection: arithmetic, store, and the command
without a daemon and beside one."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler
from logger.cli.station import calibration_of
from logger.config.load import StationOptions, load
from logger.feedline.course import courses
from logger.feedline.findings import findings
from logger.feedline.frequency import mhz_of
from logger.feedline.measurement import LineLoss, loss_of_swr, mean_of, verdict
from logger.live.carrier import DriverSource
from logger.physics.reflection import swr
from logger.store.line_losses import LineLosses
from logger.store.reader import Store
from logger.store.writer import StoreWriter
from tests.deadlines import Deadline, scale
from tests.isolate_bench import hands
from tests.old_stores import old_store
from tests.station import Running, line, mismatchd, pty, write_config
from tests.terminal_view import View
from tests.test_end_to_end import exported

HOUR_NS = 3_600_000_000_000
READING = LineLoss(
    time_ns=1_772_391_600_000_000_000,
    far_end="open",
    loss_db=1.4,
    loss_low_db=1.3,
    loss_high_db=1.5,
    swr=6.3,
    forward_w=0.5,
    channel=20,
    frequency_khz=27205.0,
    cable="RG-58",
    length_m=18.0,
    nominal_db=1.39,
    nominal_low_db=1.32,
    nominal_high_db=1.47,
    calibration_id="abc",
)
LOSS_DB = 1.6
RHO2 = 10 ** (-2 * LOSS_DB / 10)  # of the power that comes back
FEEDLINE = {
    "station": "{name: harbour-workshop, frequency_mhz: 27.205}",
    "feedline": "{cable: RG-58, length_m: 20}",
}


def changed(**fields: Any) -> LineLoss:
    given_ = {name: getattr(READING, name) for name in READING.__struct_fields__}
    return LineLoss(**{**given_, **fields})


@given(st.floats(0.05, 15), st.floats(0, 0.1))
def test_the_loss_is_half_the_return_loss(loss_db: float, leak: float) -> None:
    rho = 10 ** (-loss_db / 10)
    found = loss_of_swr(*(float(swr(value)) for value in (rho, max(0.0, rho - leak), rho + leak)))
    assert found.loss_db == pytest.approx(loss_db, rel=1e-6)
    assert found.low_db <= found.loss_db
    if rho - leak <= 1e-9:
        assert found.high_db is None or found.high_db > 90  # directivity could make all of it
    else:
        assert found.high_db == pytest.approx(-10 * math.log10(rho - leak), rel=1e-6)


def test_what_comes_back_whole_may_have_lost_nothing() -> None:
    assert loss_of_swr(90.0, 40.0, 999.0).low_db == 0.0
    assert loss_of_swr(1.0, 1.0, 1.1).loss_db is None


def test_verdicts() -> None:
    assert verdict(READING) == "fits"
    assert verdict(changed(loss_db=2.0, loss_low_db=1.8, loss_high_db=None)) == "more"
    assert verdict(changed(loss_db=0.5, loss_low_db=0.4, loss_high_db=0.7)) == "less"
    assert verdict(changed(nominal_low_db=None)) == "unknown"


def test_open_and_short_go_together_and_the_last_time_is_named() -> None:
    short = changed(far_end="short", loss_db=1.8, time_ns=READING.time_ns - HOUR_NS // 2)
    old = changed(loss_db=1.1, loss_low_db=1.0, loss_high_db=1.2, time_ns=1_769_904_000_000_000_000)
    elsewhere = changed(loss_db=0.9, frequency_khz=7050.0, time_ns=READING.time_ns - 2 * HOUR_NS)
    said = "\n".join(findings(READING, "gap", [old, elsewhere, short]))
    assert "Mean of the readings with far end open and shorted: 1.60 dB" in said
    assert "on 2026-02-01: 1.10 dB" in said
    assert "Doubtful: pairs were missing" in said
    assert mean_of(READING.bounds, changed(loss_db=None).bounds) is None
    weak = "\n".join(findings(changed(loss_high_db=None), "", []))
    assert "no upper bound" in weak
    assert "1.40 dB (at least 1.30)" in weak


def test_the_frequency_of_a_channel() -> None:
    # 47 CFR 95.963: channel 1 is 26.965 MHz, 19 is 27.185 MHz, 40 is 27.405 MHz.
    station = StationOptions()
    assert mhz_of(station, None, 1) == 26.965
    assert mhz_of(StationOptions(channel=19)) == 27.185
    assert mhz_of(StationOptions(channel=19), None, 40) == 27.405
    assert mhz_of(station, 27.2, 40) == 27.2
    assert mhz_of(station, None, 99) is None
    # Where only a frequency is configured, no channel is taken for one of the citizens band.
    assert mhz_of(StationOptions(frequency_mhz=14.1), None, 20) == 14.1


def test_the_course_of_the_loss_over_years() -> None:
    year = 8766 * HOUR_NS
    opened, shorted = READING, changed(far_end="short", loss_db=1.6, time_ns=READING.time_ns + 1)
    later = changed(
        loss_db=2.3, loss_low_db=2.1, loss_high_db=2.5, time_ns=READING.time_ns + 2 * year
    )
    elsewhere = changed(frequency_khz=7050.0, time_ns=READING.time_ns + 3)
    course, other = courses([opened, shorted, elsewhere, later])
    assert course.change_db == pytest.approx(2.3 - 1.5)
    assert course.changed
    assert course.verdict == "more"
    assert (other.change_db, other.changed) == (None, False)
    # Half widths of 0.1 and 0.2 dB, taken for independent.
    assert course.change_high_db == pytest.approx(0.8 + math.hypot(0.2, 0.1), abs=0.06)
    near = changed(loss_db=1.45, time_ns=READING.time_ns + year)
    assert not courses([READING, near])[0].changed
    boundless = changed(loss_high_db=None, time_ns=READING.time_ns + year)
    assert courses([READING, boundless])[0].change_db is None
    other_line = changed(antenna="beam", loss_db=3.0, time_ns=READING.time_ns + year)
    assert [course.change_db for course in courses([READING, other_line])] == [None, None]


def test_the_report_follows_the_loss(tmp_path: Path) -> None:
    year = 8766 * HOUR_NS
    config = write_config(tmp_path, "/dev/null")
    path = tmp_path / "data/station.sqlite"
    StoreWriter.open(path).close()
    with closing(LineLosses.editor(path)) as store:
        store.insert(changed(time_ns=READING.time_ns - 2 * year), "measured")
        store.insert(changed(loss_db=2.3, loss_low_db=2.1, loss_high_db=2.5), "measured")
    said = " ".join(mismatchd("report", "-c", config).stdout.split())
    assert (
        "At 27.205 MHz the line loses 2.30 dB (2.10 to 2.50) one way, measured 2026-03-01, more"
        " than the nominal 1.39 dB; +0.90 dB since 2024-03-01 (+0.68 to +1.12, 95 %)." in said
    )
    told = json.loads(mismatchd("report", "-c", config, "--format", "json").stdout)
    assert told["state"] == "watch"
    assert told["next_check"]["because"].startswith("The measured line loss")
    assert [one["loses_more"] for one in told["line_loss"]] == [True]


def test_readings_survive_in_a_store_of_version_3(tmp_path: Path) -> None:
    path = old_store(tmp_path / "station.sqlite", 3)
    with closing(StoreWriter.open(path)) as store:
        work = store.work()
    with closing(LineLosses.editor(path)) as store:
        assert store.readings() == []
        assert store.insert(READING, "measured") == 1
        assert store.readings() == [READING]
        work_ns = Store(store.database).work()
        assert work_ns == [*work, READING.time_ns]  # what compares begins anew


def test_without_a_daemon_the_driver_is_read(tmp_path: Path) -> None:
    stretches = [(3.0, 0.0), (2.5, 0.6), (3.0, 0.0)]
    pairs, at_s = ["time_s,forward_v,reflected_v"], 1_772_391_600.0
    for seconds, watts in stretches:
        for _ in range(round(200 * seconds)):
            at_s += 0.005
            pairs.append(f"{at_s:.3f},{line(watts, watts * RHO2).decode().strip()}")
    (tmp_path / "pairs.csv").write_text("\n".join(pairs) + "\n")
    driver = "{kind: replay, path: pairs.csv}"
    config = write_config(tmp_path, "", **{**FEEDLINE, "driver": driver})

    def measured(answer: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "logger.cli", "feedline", "measure", "-c", str(config)],
            input=answer,
            capture_output=True,
            text=True,
            timeout=scale(60),
            check=False,
        )

    for answer, code in (("no\n", 0), ("", 1)):
        refused = measured(answer)
        assert "nothing was saved" in refused.stderr
        assert (refused.returncode, refused.stdout) == (code, "")
    assert exported("line_losses", config) == []
    done = measured("yes\n")
    assert done.returncode == 0, done.stderr
    reading = json.loads(done.stdout)
    assert reading["loss_low_db"] < LOSS_DB < reading["loss_high_db"]
    assert reading["loss_db"] == pytest.approx(LOSS_DB, abs=0.05)
    # Directivity of 40 dB about rho: what the interval has to hold at least.
    rho = math.sqrt(RHO2)
    assert reading["loss_high_db"] - LOSS_DB > -10 * math.log10(1 - 0.009 / rho) * 0.8
    assert reading["nominal_db"] == pytest.approx(1.54, abs=0.02)
    for words in ("power lines", "RF burns", "licence", "low power"):
        assert words in done.stderr
    assert "fits the cable" in done.stderr
    (row,) = exported("line_losses", config)
    assert (row["far_end"], row["cable"], row["transmission_id"]) == ("open", "RG-58", "")
    assert "far end open" in mismatchd("journal", "list", "-c", config).stdout


@pytest.mark.realtime
def test_beside_the_daemon_by_a_person(tmp_path: Path) -> None:
    with pty() as (master, name), hands(master) as held:
        config = write_config(tmp_path, name, **FEEDLINE)
        daemon = Running(config)
        view = None
        try:
            daemon.wait_reading(config)
            view = View(*("feedline", "measure", "-c", str(config), "--far-end", "short"), rows=48)
            assert "The daemon keeps running" in view.until(lambda text: "(yes or no)" in text)
            view.press(b"yes\r")
            view.until(lambda text: "waiting for the key" in text)
            held.send(0.6, 0.6 * RHO2)
            view.until(lambda text: "0.60 W, SWR 5.49" in text)
            view.look(1.0)
            held.send(0, 0)
            assert view.ended(15.0) == 0
            said = view.look()
            assert "Key the transmitter for 3 s" in said
            assert "The line loses 1.6" in said
            assert "far end open as well" in said
            (row,) = exported("line_losses", config)
            assert (row["far_end"], row["transmission_id"]) == ("short", "1")
            assert float(row["loss_low_db"]) < LOSS_DB < float(row["loss_high_db"])
        finally:
            if view is not None:
                view.close()
            daemon.kill()


@pytest.mark.realtime
def test_a_carrier_by_the_host_clock_is_dated_without_a_daemon(tmp_path: Path) -> None:
    with pty() as (master, name), hands(master) as held:
        config = load(write_config(tmp_path, name, transmission="{hang_ms: 300}"))
        driver = config.make_driver()
        source = DriverSource(config, Coupler(calibration_of(config)), driver)
        found, deadline = None, Deadline(10)
        try:
            source.begin()
            held.key(3.0)
            while found is None and not deadline.has_passed():
                _, found = source.listen()
        finally:
            source.close()
    assert found is not None
    assert abs(found.end_ns - time.time_ns()) < 10e9


def test_a_wrong_port_is_told_before_anybody_climbs(tmp_path: Path) -> None:
    config = write_config(tmp_path, str(tmp_path / "no-such-port"), **FEEDLINE)
    done = mismatchd("feedline", "measure", "-c", config, check=False)
    assert done.returncode == 1
    (line_,) = done.stderr.splitlines()
    assert "no-such-port" in line_
