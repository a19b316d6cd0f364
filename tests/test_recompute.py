"""Another calibration applied to stored rows, against rows made by it from the start: from the
mean volts of seconds, where no raw pairs are archived.

The station is the simulated one of the example configuration; its calibration is exact.
"""

from __future__ import annotations

import dataclasses
import itertools
import shutil
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from drivers.contract import EndOfInput
from logger.calibration.coupler import EDGE, Coupler
from logger.calibration.file import CalibrationFile, Converter, Directivity, PortVolts, dump
from logger.calibration.simulated import calibration
from logger.config.load import Config, InfluxOptions, load
from logger.forward.influx import InfluxForwarder
from logger.physics.reflection import rho_of_swr
from logger.pipeline import Pipeline
from logger.recompute import recompute
from logger.recompute.change import Recalibration
from logger.rows import Flag, Row
from logger.store.line_protocol import point
from logger.store.lock import StoreLock
from logger.store.outbox import Outbox
from logger.store.tables import ALARMS, FORWARDED, SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.station import mismatchd
from tests.test_forwarder import drain
from tests.test_store import ALWAYS

ROOT = Path(__file__).parent.parent
EXAMPLE = (ROOT / "config.example.yaml").read_text().replace("pace: realtime", "pace: fast")
MODES = ("fm", "fm", "am", "ssb", "fm", "fm", "am", "fm", "fm")
FAULTS_FROM = 5  # transmissions from here on have a plug that fails
Columns = list[dict[str, Any]]
replace = msgspec.structs.replace


def changed(content: CalibrationFile, **ports: dict[str, float]) -> CalibrationFile:
    moved = {name: replace(getattr(content, name), **fields) for name, fields in ports.items()}
    return replace(content, **moved)


def play(
    config: Config,
    content: CalibrationFile,
    path: Path,
    threshold: float = 1.0,
    celsius: float | None = None,
) -> Path:
    """Play the station into a new store without its raw pairs; `threshold` multiplies that of
    keying, `celsius` is reported with each pair."""
    keying = replace(
        config.transmission, min_forward_w=threshold * config.transmission.min_forward_w
    )
    driver = config.make_driver()
    pipeline = Pipeline(replace(config, transmission=keying), Coupler(content))
    rows: list[Row] = []
    driver.open()
    try:
        while True:
            block = driver.read(1.0, 0.0)
            assert block is not None
            if celsius is not None:
                warmth = {"temperature_c": np.full(len(block), celsius)}
                block = dataclasses.replace(block, aux={**block.aux, **warmth})
            rows += pipeline.process(block)
    except EndOfInput:
        rows += pipeline.finish(Flag(0))
    store = StoreWriter.open(path)
    store.insert_calibration(Coupler(content).id, dump(content))
    store.write(rows)
    store.database.execute("DELETE FROM segments")
    store.close()
    return path


class Stores:
    """Stores of the same pairs by several calibrations, each played once; `fresh` copies one."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._count = folder, itertools.count()
        example = folder / "config.yaml"
        example.write_text(EXAMPLE)
        self.config = load(example)
        truth = self.config.make_driver().truth()
        self.right = calibration(truth.coupler, truth.adc)
        self.one_db = changed(
            self.right,
            forward={"coupling_db": self.right.forward.coupling_db + 1},
            reflected={"coupling_db": self.right.reflected.coupling_db + 1},
        )
        self.law = replace(
            changed(
                self.right,
                forward={"n_vt_v": 0.033, "r_is_v": 0.006},
                reflected={"n_vt_v": 0.024, "r_is_v": 0.003},
            ),
            directivity=Directivity(reflected_db=25.0),
            noise=PortVolts(forward_v=0.002, reflected_v=0.002),
        )
        self._played: dict[str, Path] = {}

    def fresh(self, name: str) -> Path:
        if name not in self._played:
            # With the threshold raised as well, the same pairs are keyed.
            threshold = 10**0.1 if name == "one_db" else 1.0
            path = self.folder / f"{name}.sqlite"
            self._played[name] = play(self.config, getattr(self, name), path, threshold)
        return Path(shutil.copy(self._played[name], self.folder / f"{next(self._count)}.sqlite"))


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Stores:
    return Stores(tmp_path_factory.mktemp("recompute"))


def content_of(path: Path) -> tuple[Columns, Columns, Columns]:
    store = StoreWriter.open(path)
    tables = [
        [record.columns for record in store.records(table, *ALWAYS)]
        for table in (TRANSMISSIONS, SECONDS, ALARMS)
    ]
    store.close()
    return tables[0], tables[1], tables[2]


def derive(path: Path, config: Config, content: CalibrationFile, **options: Any) -> Any:
    store = StoreWriter.open(path)
    try:
        by_raw, by_means = recompute(store, config, Coupler(content), **options)
    finally:
        store.close()
    assert not any(by_raw)
    return by_means


def column(rows: Columns, name: str) -> np.ndarray:
    return np.array([np.nan if row[name] is None else row[name] for row in rows])


def assert_close(derived: Columns, made: Columns, names: str, rel: float, most: float) -> None:
    for name in names.split():
        one, other = column(derived, name), column(made, name)
        assert np.array_equal(np.isnan(one), np.isnan(other)), name
        np.testing.assert_allclose(one, other, rel, most, err_msg=name)


def same_pairs(derived: Columns, made: Columns, mode: str, steady: bool) -> tuple[Columns, Columns]:
    """Seconds of a mode out of the same pairs. The first and the last of a transmission may not
    be, since what was keyed is not judged again."""
    chosen = [
        (one, other)
        for one, other in zip(derived, made, strict=True)
        if one["samples"] == other["samples"]
        and MODES[one["transmission_id"] - 1] == mode
        and (one["transmission_id"] <= FAULTS_FROM) == steady
    ]
    assert len(chosen) > 10
    return [one for one, _ in chosen], [other for _, other in chosen]


BOUNDS = "swr swr_low swr_high swr_noise_low swr_noise_high"
ROUNDING = 1.01e-4  # one step of what is stored, as watts and SWR are rounded twice


@pytest.mark.parametrize(("wrong", "speech"), [("one_db", 1e-4), ("law", 1e-3)])
def test_rows_become_those_of_the_right_calibration(
    stores: Stores, wrong: str, speech: float
) -> None:
    path = stores.fresh(wrong)
    before = content_of(path)
    summary = derive(path, stores.config, stores.right)
    transmissions, seconds, alarms = content_of(path)
    right_transmissions, right_seconds, _ = content_of(stores.fresh("right"))
    assert (summary.transmissions, summary.seconds) == (9, len(seconds))
    assert summary.without_seconds == 0
    assert alarms == before[2]  # judged at the time

    fm = same_pairs(seconds, right_seconds, "fm", steady=True)
    assert_close(*fm, "forward_w reflected_w", rel=1e-3, most=ROUNDING)
    assert_close(*fm, BOUNDS, rel=0, most=4 * ROUNDING)
    am = same_pairs(seconds, right_seconds, "am", steady=True)
    # Mean volts do not tell what held readings hid, which counts in a second with a key-up.
    assert_close(*am, "forward_w reflected_w", rel=speech, most=5e-3)
    assert_close(*am, BOUNDS, rel=0, most=1.5e-3)
    ssb = same_pairs(seconds, right_seconds, "ssb", steady=True)
    assert_close(*ssb, "forward_w reflected_w", rel=speech, most=1e-2)
    # The noise of seconds with hardly any speech is read back from rounded figures.
    assert_close(*ssb, "swr swr_high swr_noise_high", rel=0, most=2e-2)
    assert_close(*ssb, "swr_low swr_noise_low", rel=0, most=8e-2)

    # Where the reflection jumps within a second its mean volts say little.
    for mode in ("fm", "am"):
        jumps = same_pairs(seconds, right_seconds, mode, steady=False)
        assert_close(*jumps, "forward_w", rel=1e-3, most=1e-2)
        assert_close(*jumps, "reflected_w", rel=0.07, most=ROUNDING)
        readable = [pair for pair in zip(*jumps, strict=True) if pair[1]["swr"] < 20]
        assert_close(*map(list, zip(*readable, strict=True)), BOUNDS, rel=0.04, most=ROUNDING)

    assert [row["flags"] for row in seconds] == [row["flags"] for row in right_seconds]
    steady = transmissions[:FAULTS_FROM], right_transmissions[:FAULTS_FROM]
    assert_close(*steady, "forward_w_mean energy_j reflected_w_mean", 5e-3, ROUNDING)
    assert_close(*steady, "forward_w_max reflected_w_max", 1e-3, 2 * ROUNDING)
    assert_close(*steady, BOUNDS, rel=0, most=2e-3)
    assert_close(*steady, "swr_max", rel=0.005, most=0)
    whole = transmissions, right_transmissions
    assert_close(*whole, "reflected_w_mean", rel=0.05, most=ROUNDING)
    assert_close(*whole, BOUNDS, rel=0.02, most=0)
    one, other = (rho_of_swr(column(rows, "swr_max")) for rows in whole)
    np.testing.assert_allclose(one, other, rtol=0.02)
    for name in ("flags", "calibration_id"):
        assert [row[name] for row in transmissions] == [row[name] for row in right_transmissions]


def test_the_second_time_changes_nothing(stores: Stores) -> None:
    path = stores.fresh("law")
    derive(path, stores.config, stores.right)
    once = content_of(path)
    store = StoreWriter.open(path)
    outbox = Outbox(store.database)
    outbox.begin("any")
    before = [outbox.position("any", table) for table in FORWARDED]
    _, again = recompute(store, stores.config, Coupler(stores.right))
    assert (again.transmissions, again.seconds) == (0, 0)
    assert [outbox.position("any", table) for table in FORWARDED] == before
    store.close()
    assert content_of(path) == once


def test_the_temperature_of_a_transmission_counts(stores: Stores, tmp_path: Path) -> None:
    """A coefficient learned later corrects rows of which no pairs are left."""
    plain = replace(stores.right, temperature_c=21.0)
    ports = {side: {"r_is_per_c": 0.07} for side in ("forward", "reflected")}
    warm = changed(plain, **ports)
    derived = play(stores.config, plain, tmp_path / "plain.sqlite", celsius=6.3)
    made = play(stores.config, warm, tmp_path / "warm.sqlite", celsius=6.3)
    before = content_of(derived)[1]
    derive(derived, stores.config, warm)
    transmissions, seconds, _ = content_of(derived)
    assert {row["coupler_temperature_c"] for row in transmissions} == {6.3}
    fm = same_pairs(seconds, content_of(made)[1], "fm", steady=True)
    assert_close(*fm, "forward_w", rel=1e-3, most=ROUNDING)
    assert_close(*fm, "reflected_w", rel=3e-3, most=ROUNDING)
    change = column(seconds, "reflected_w") / column(before, "reflected_w")
    assert np.nanmedian(np.abs(change - 1)) > 0.02


def test_there_and_back(stores: Stores) -> None:
    """Also over a calibration that withholds every figure: volts are as they were."""
    path = stores.fresh("right")
    before = content_of(path)
    coarse = changed(
        replace(stores.law, noise=PortVolts(reflected_v=0.1), converter=Converter(step_v=0.1)),
        reflected={"coupling_db": 40.0},
    )
    derive(path, stores.config, coarse)
    hidden = content_of(path)
    assert all(row["swr"] is None and row["swr_max"] is None for row in hidden[0])
    assert all("below-floor" in row["flags"] for row in hidden[1])
    derive(path, stores.config, stores.right)
    after = content_of(path)
    assert [row["flags"] for row in after[1]] == [row["flags"] for row in before[1]]
    assert_close(after[1], before[1], "forward_w reflected_w", 1e-3, 2 * ROUNDING)
    steady = same_pairs(after[1], before[1], "fm", steady=True)
    assert_close(*steady, "swr", rel=1e-2, most=0)
    assert_close(*steady, "swr_noise_low swr_noise_high", rel=3e-2, most=0)


def test_a_zero_that_moved(stores: Stores) -> None:
    """The drift that the daemon saw against the old zero stays in the interval: wider, never
    narrower than that of the right calibration."""
    moved = changed(stores.right, forward={"zero_v": 0.003}, reflected={"zero_v": 0.0056})
    path = play(stores.config, moved, stores.folder / "moved.sqlite")
    derive(path, stores.config, stores.right)
    seconds, right = content_of(path)[1], content_of(stores.fresh("right"))[1]
    fm = same_pairs(seconds, right, "fm", steady=True)
    assert_close(*fm, "forward_w reflected_w", rel=1e-3, most=ROUNDING)
    assert_close(*fm, "swr swr_noise_low swr_noise_high", rel=0, most=4 * ROUNDING)
    assert (column(fm[0], "swr_low") <= column(fm[1], "swr_low") + ROUNDING).all()
    assert (column(fm[0], "swr_high") >= column(fm[1], "swr_high") - ROUNDING).all()


def test_a_coupling_that_depends_on_frequency(stores: Stores) -> None:
    """1 dB from one end of the band to the other, in both directions."""
    tilted = changed(stores.right, forward={"coupling_by_khz": [(26_965.0, 0.0), (27_405.0, 1.0)]})
    path = play(stores.config, tilted, stores.folder / "tilted.sqlite")
    made = content_of(path)[1]
    right = content_of(stores.fresh("right"))[1]
    derive(path, stores.config, stores.right)
    there = stores.fresh("right")
    derive(there, stores.config, tilted)
    for one, other in ((content_of(path)[1], right), (content_of(there)[1], made)):
        fm = same_pairs(one, other, "fm", steady=True)
        assert_close(*fm, "forward_w reflected_w", rel=1e-3, most=ROUNDING)
        assert_close(*fm, BOUNDS, rel=0, most=4 * ROUNDING)


def test_flags_follow_the_new_calibration(stores: Stores) -> None:
    path = stores.fresh("right")
    narrow = replace(
        stores.right, watts="relative", valid=replace(stores.right.valid, forward_v=(0.3, 0.5))
    )
    derive(path, stores.config, narrow)
    transmissions, seconds, _ = content_of(path)
    assert all("relative" in row["flags"] for row in [*transmissions, *seconds])
    assert all("extrapolated" in row["flags"] for row in transmissions)
    for row in seconds:
        outside = not 0.3 / EDGE <= row["forward_v"] <= 0.5 * EDGE
        assert ("extrapolated" in row["flags"]) == outside
    derive(path, stores.config, stores.right)
    back, right = content_of(path), content_of(stores.fresh("right"))
    for table in (0, 1):
        assert [row["flags"] for row in back[table]] == [row["flags"] for row in right[table]]


def test_the_share_of_the_time_with_power(stores: Stores) -> None:
    change = Recalibration(Coupler(stores.one_db), Coupler(stores.right), np.full(4, np.nan))
    law = change.old.forward
    share = np.array([1.0, 0.7, 0.4, 0.2])
    volts = np.full(4, 0.8)
    mean_v = share * (volts - law.zero_v) + law.zero_v
    found = change.share(mean_v, share * law.watts(volts))
    np.testing.assert_allclose(found, share, rtol=0.01)
    nothing = np.array([-0.002, 0.0, 0.0, -0.001])
    assert change.share(law.zero_v + nothing, nothing).tolist() == [1.0] * 4


def test_rewritten_rows_go_out_again(stores: Stores) -> None:
    path = stores.fresh("one_db")
    sent: list[str] = []
    options = InfluxOptions(url="http://127.0.0.1:9", org="home", bucket="station")
    forwarder = InfluxForwarder(path, options, "here", {})
    forwarder._send = sent.extend  # type: ignore[assignment] # returns None: the server took them
    drain(forwarder)
    forwarder.close()
    store = StoreWriter.open(path)
    outbox = Outbox(store.database)
    rows = store.counts()["transmissions"] + store.counts()["seconds"]
    recompute(store, stores.config, Coupler(stores.right), dry_run=True)
    assert outbox.totals(forwarder.name).backlog == 0
    recompute(store, stores.config, Coupler(stores.right))
    assert outbox.totals(forwarder.name).backlog == rows
    sent.clear()
    drain(forwarder)
    assert sorted(sent) == sorted(
        point(table, record, "here", store.station_id)
        for table in FORWARDED
        if table.measurement in ("transmission", "second")
        for record in store.records(table, *ALWAYS)
    )
    forwarder.close()
    store.close()


def test_a_transmission_without_seconds_is_left(stores: Stores) -> None:
    path = stores.fresh("one_db")
    before = content_of(path)[0]
    store = StoreWriter.open(path)
    store.database.execute("DELETE FROM seconds WHERE transmission_id = 2")
    _, summary = recompute(store, stores.config, Coupler(stores.right))
    store.close()
    assert (summary.transmissions, summary.without_seconds) == (8, 1)
    after = content_of(path)[0]
    assert after[1] == before[1]
    assert after[0] != before[0]


def test_pages_are_put_together(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    path, paged = stores.fresh("law"), stores.fresh("law")
    derive(path, stores.config, stores.right)
    monkeypatch.setattr("logger.recompute.means.PAGE_ROWS", 7)
    derive(paged, stores.config, stores.right)
    assert content_of(paged) == content_of(path)


@pytest.fixture
def station(stores: Stores, tmp_path: Path) -> Path:
    """A configuration with the right calibration, its store made by the wrong one."""
    (tmp_path / "data").mkdir()
    shutil.copy(stores.fresh("one_db"), tmp_path / "data/station.sqlite")
    (tmp_path / "coupler.yaml").write_text(dump(stores.right))
    config = tmp_path / "config.yaml"
    config.write_text(EXAMPLE + "\ncalibration: coupler.yaml\n")
    return config


def test_the_command(stores: Stores, station: Path) -> None:
    path = station.parent / "data/station.sqlite"
    before = content_of(path)
    by, said, end = mismatchd("recompute", "--dry-run", "-c", station).stderr.splitlines()
    assert by == f"by calibration {Coupler(stores.right).id}:"
    seconds = len(before[1])
    assert said.startswith(f"from the mean volts of {seconds} seconds, where no pairs remain: 9 ")
    assert "incident power -20.57%" in said
    assert "SWR +0.000" in said
    assert end == "nothing was written"
    assert content_of(path) == before

    lock = StoreLock(path)
    refused = mismatchd("recompute", "-c", station, check=False)
    lock.release()
    assert refused.returncode == 1
    (line,) = refused.stderr.splitlines()
    assert "stop it first" in line
    assert content_of(path) == before

    done = mismatchd("recompute", "-c", station)
    _, said = done.stderr.splitlines()
    assert done.stdout == ""
    assert said.startswith("from the mean volts of ")
    assert content_of(path) != before
    _, said = mismatchd("recompute", "-c", station).stderr.splitlines()
    assert said.startswith("nothing to do")


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM calibrations", "it is missing from the store"),
        ("UPDATE calibrations SET text = '{'", "not valid YAML"),
    ],
)
def test_a_calibration_that_is_lost_is_named(station: Path, statement: str, said: str) -> None:
    store = StoreWriter.open(station.parent / "data/station.sqlite")
    store.database.execute(statement)
    (calibration_id,) = store.calibrations()
    store.close()
    done = mismatchd("recompute", "-c", station, check=False)
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert said in line
    assert calibration_id in line


def test_nothing_to_work_on(station: Path) -> None:
    store = station.parent / "data/station.sqlite"
    store.unlink()
    for arguments in (["--dry-run"], []):
        done = mismatchd("recompute", "-c", station, *arguments, check=False)
        assert done.returncode == 1
        assert "no store at" in done.stderr
    assert list(store.parent.iterdir()) == []
    (station.parent / "coupler.yaml").unlink()
    done = mismatchd("recompute", "-c", station, check=False)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert "no such calibration file" in line
