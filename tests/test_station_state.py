"""What several channels say of antenna and line, at invented stations and in the report."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from logger.daily import Days, WorkEvent
from logger.physics.antenna import rho
from logger.report import words
from logger.report.summary import summary
from logger.trend.account import Account
from logger.trend.state_fit import fitted
from logger.trend.state_model import Bins, Model, starts
from logger.trend.station_state import station_state
from logger.utc import DAY_NS
from tests import drift_store
from tests.drift_stations import FIRST_DAY
from tests.state_stations import KHZ, LOSS_A_YEAR, PLANTED, state_station
from tests.station import mismatchd, write_config


def test_the_reflection_is_that_of_textbooks() -> None:
    # At resonance (R - 50) / (R + 50), and each dB of line takes two from what comes back.
    assert rho(27200, 27200, 100, 10, 0) == pytest.approx(1 / 3)
    assert rho(27200, 27200, 25, 10, 1.5) == pytest.approx(10 ** (-3 / 20) / 3)
    # |Z| = R sqrt(2) where f/f0 - f0/f = 1/Q: Z = 50 + 50j, SWR 2.618.
    size = float(rho(27200 * (0.05 + np.sqrt(1 + 0.05**2)), 27200, 50, 10, 0))
    assert (1 + size) / (1 - size) == pytest.approx(2.618, abs=1e-3)


@pytest.mark.parametrize("case", PLANTED)
def test_what_changes_is_told(case: str) -> None:
    """The bench has 200 of them, and wants nine in ten told apart."""
    told = []
    for seed in (5, 8):
        station = state_station(np.random.default_rng(seed), case)
        state = station_state(station.used)
        assert state is not None
        told.append(state.verdict)
        loss, move = state.loss_db_per_year, state.resonance_khz_per_year
        assert loss is not None
        assert move is not None
        assert loss.low <= station.loss_db_per_year <= loss.high
        assert move.low <= station.resonance_khz_per_year <= move.high
    assert told == [case, case]


def test_the_derivatives_are_those_of_the_residuals() -> None:
    rng = np.random.default_rng(2)
    place = np.repeat(np.arange(4), 50)
    bins = Bins(
        np.tile(20_000 + 7.0 * np.arange(50), 4),
        np.array([26965.0, 27105, 27265, 27405])[place],
        place,
        rng.uniform(1.2, 2, 200),
        rng.integers(1, 7, 200),
    )
    for story in ("loss", "resistance"):
        model = Model(bins, (20_150,), 2, story, {4: 0.3})  # type: ignore[arg-type]
        x = rng.normal(0, 0.3, len(model.free))
        by_hand = [
            (model.residual(x + 1e-5 * e) - model.residual(x - 1e-5 * e)) / 2e-5
            for e in np.eye(len(x))
        ]
        np.testing.assert_allclose(model.jacobian(x), np.column_stack(by_hand), atol=0.01)


def test_weeks_that_hang_together_widen_the_doubt() -> None:
    """Noise of the same size: independent weeks, and stretches of eight weeks alike."""
    week, place = np.tile(np.arange(104), 3), np.repeat(np.arange(3), 104)
    khz = np.array([26965.0, 27185, 27405])[place]
    rng = np.random.default_rng(0)
    widened = []
    for stretch in (1, 8):
        noise = 0.03 * np.repeat(rng.standard_normal(312 // stretch), stretch)
        swr = 1.6 + 0.3 * ((khz - 27185) / 220) ** 2 + noise
        bins = Bins(20_000 + 7.0 * week, khz, place, swr, np.full(312, 5))
        model = Model(bins, (), 1, "loss")
        fit = fitted(model, starts(model))
        rest = model.residual(fit.p[model.free])[:312]
        widened.append(fit.unit / (float(rest @ rest) / (312 - len(model.free))))
    assert 1 <= widened[0] < 2
    assert widened[1] > 3


def test_work_makes_a_step_and_no_slope() -> None:
    station = state_station(np.random.default_rng(8), "unchanged", moved_khz=80.0)
    middle = FIRST_DAY + round(3 * 365.25 / 2)
    unaware = station_state(station.used)
    told = station_state(station.used, [WorkEvent(middle, "adjustment", "slid")])
    assert unaware is not None
    assert told is not None
    assert unaware.verdict == "resonance"
    assert told.verdict == "unchanged"
    assert told.resonance_khz_per_year is not None
    assert told.resonance_khz_per_year.low <= 0 <= told.resonance_khz_per_year.high


def test_too_little_says_so() -> None:
    station = state_station(np.random.default_rng(3), "loss", years=0.8)
    state = station_state(station.used)
    assert state is not None
    assert (state.verdict, state.loss_db_per_year) == ("undecided", None)
    assert "less than a year" in state.reasons[0]
    assert 26_000 < state.resonance_khz.low < state.resonance_khz.high < 28_500
    assert station_state(station.used[:2]) is None
    nowhere = [replace(one, channel=None) for one in station.used]
    assert station_state(nowhere) is None


def test_the_report_tells_it(tmp_path: Path) -> None:
    station = state_station(np.random.default_rng(21), "loss")
    config = write_config(tmp_path, "/dev/null")
    drift_store.write(tmp_path / "data/station.sqlite", station.used, a_day=3)
    told = json.loads(mismatchd("report", "-c", config, "--format", "json").stdout)
    state = told["station_state"]
    assert state["channels"] == len(KHZ)
    assert state["verdict"] == "loss"
    span = state["loss_db_per_year"]
    assert span["low"] < LOSS_A_YEAR < span["high"]
    said = " ".join(mismatchd("report", "-c", config).stdout.split())
    assert "Taken together, 5 channels show that the line loses more than before." in said
    assert "feedline measure" in said


def test_undecided_names_its_stories() -> None:
    used: list[Days] = state_station(np.random.default_rng(3), "loss", years=1.5).used
    state = station_state(used)
    assert state is not None
    state = msgspec.structs.replace(state, verdict="undecided", or_else=("loss", "resistance"))
    account = Account("s", 3.0, 20_000 * DAY_NS, (), (), (), None, state)
    (section,) = [one for one in words.sections(summary(account)) if "line" in one.title]
    assert "; or the antenna's resistance changes" in section.lines[0]
