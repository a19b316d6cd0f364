"""What several channels say of antenna and line, at invented stations and in the report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from logger.daily import Days, WorkEvent
from logger.physics.antenna import rho
from logger.report import words
from logger.report.gather import report
from logger.report.summary import summary
from logger.store.reader import Store
from logger.store.verifications import Verifications
from logger.trend.account import Account
from logger.trend.gather import account, read_history
from logger.trend.state_fit import best_fit
from logger.trend.state_model import Bins, Model, starts
from logger.trend.station_state import station_state
from logger.utc import DAY_NS
from logger.verification.row import Verification
from tests import drift_store
from tests.drift_stations import FIRST_DAY
from tests.state_stations import KHZ, LOSS_A_YEAR, PLANTED, state_station
from tests.station import mismatchd, write_config
from tests.test_state_parts import FIRST, YEAR, days_of, read_swr
from tests.test_state_parts import KHZ as CHANNELS_KHZ


def test_the_reflection_is_that_of_textbooks() -> None:
    # At resonance (R - 50) / (R + 50), and each dB of line takes two from what comes back.
    assert rho(27200, 27200, 100, 10, 0) == pytest.approx(1 / 3)
    assert rho(27200, 27200, 25, 10, 1.5) == pytest.approx(10 ** (-3 / 20) / 3)
    # |Z| = R sqrt(2) where f/f0 - f0/f = 1/Q: Z = 50 + 50j, SWR 2.618.
    size = float(rho(27200 * (0.05 + np.sqrt(1 + 0.05**2)), 27200, 50, 10, 0))
    assert (1 + size) / (1 - size) == pytest.approx(2.618, abs=1e-3)


@pytest.mark.parametrize("case", PLANTED)
def test_planted_change_is_the_verdict(case: str) -> None:
    """The bench has 200 of them, and wants nine in ten told apart."""
    told = []
    for seed in (5,):
        station = state_station(np.random.default_rng(seed), case)
        state = station_state(station.used)
        assert state is not None
        told.append(state.verdict)
        loss, move = state.loss_db_per_year, state.resonance_khz_per_year
        assert loss is not None
        assert move is not None
        assert loss.low <= station.loss_db_per_year <= loss.high
        assert move.low <= station.resonance_khz_per_year <= move.high
    assert told == [case]


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
        fit = best_fit(model, starts(model))
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


def test_report_states_the_verdict(tmp_path: Path) -> None:
    station = state_station(np.random.default_rng(21), "loss")
    config = write_config(tmp_path, "/dev/null")
    store = tmp_path / "data/station.sqlite"
    drift_store.write(store, station.used, a_day=3)
    # A wandering coupler reads the same; checks against the dummy load exclude it.
    said = " ".join(mismatchd("report", "-c", config).stdout.split())
    assert "or the balance of the coupler's ports drifts" in said
    assert "has not been checked against its dummy load" in said
    check_monthly(store, station.used)
    end_ns = (int(station.used[0].day[-1]) + 1) * DAY_NS
    with Store.reader(store) as opened:
        history = read_history(opened, end_ns, (0, end_ns))
        made = account(history, "s", 3.0, joint=True)
        figures = report(opened, made).summary
    state = made.state
    assert state is not None
    assert state.channels == len(KHZ)
    assert state.verdict == "loss"
    assert state.loss_db_per_year is not None
    assert state.loss_db_per_year.low < LOSS_A_YEAR < state.loss_db_per_year.high
    assert figures.instrument.checks > 20
    said = " ".join(line for part in words.sections(figures) for line in part.lines)
    assert "Taken together, 5 channels show that the line loses more than before." in said
    assert "feedline measure" in said
    assert "this is taken out of the trends" in said
    assert figures.instrument.advice == ()


def test_what_a_check_advises_comes_before_the_feedline(tmp_path: Path) -> None:
    station = state_station(np.random.default_rng(21), "loss")
    store = tmp_path / "station.sqlite"
    drift_store.write(store, station.used, a_day=3)
    check_monthly(store, station.used)
    end_ns = (int(station.used[0].day[-1]) + 1) * DAY_NS
    with Verifications.editor(store) as checks:
        last = checks.all()[-1]
        changed = msgspec.structs.replace(last, time_ns=end_ns - DAY_NS // 2, open_db=1.5)
        checks.insert(changed, "coupler verified")
    with Store.reader(store) as opened:
        made = account(read_history(opened, end_ns, (0, end_ns)), "s", 3.0)
        figures = report(opened, made).summary
    (section,) = [part for part in words.sections(figures) if part.title == "Next check"]
    assert section.lines[0] == figures.instrument.advice[0]


def check_monthly(store: Path, used: list[Days]) -> None:
    """Store checks of a coupler that does not drift."""
    first, last = (int(days.day[place]) for days, place in ((used[0], 0), (used[0], -1)))
    with Verifications.editor(store) as checks:
        for day in range(first, last, 30):
            reading = Verification(
                time_ns=day * DAY_NS,
                forward_w=4.0,
                reflected_w=0.01,
                forward_db=6.0,
                forward_u_db=0.25,
                load_db=0.0,
                load_u_db=0.5,
                open_db=0.0,
                open_u_db=0.04,
                open_expected_u_db=0.2,
                verdict="fine",
                calibration_id="coupler",
            )
            checks.insert(reading, "coupler verified")


def test_undecided_names_its_stories() -> None:
    used: list[Days] = state_station(np.random.default_rng(3), "loss", years=1.5).used
    state = station_state(used)
    assert state is not None
    state = msgspec.structs.replace(state, verdict="undecided", or_else=("loss", "resistance"))
    alone = Account("s", 3.0, 20_000 * DAY_NS, (), (), (), None, state)
    (section,) = [one for one in words.sections(summary(alone)) if "line" in one.title]
    assert "; or the antenna's resistance changes" in section.lines[0]


# --- small stations of the physics itself, hardly any noise ---


def small_station(
    days: int = 400,
    *,
    move: float = 0.0,
    growth: float = 0.0,
    warming: float = 0.0,
    work: tuple[int, float] = (0, 0.0),
    noise: float = 0.005,
    first: int = FIRST,
    every: int = 6,
) -> list[Days]:
    """Four channels of one antenna: kHz, dB and ln R a year, and kHz from a day of work on."""
    rng = np.random.default_rng(0)
    day = first + np.unique(np.append(np.arange(0, days, every), days))
    years = (day - (day[0] + day[-1]) / 2) / YEAR
    resonance = 27215 + move * years + work[1] * (day >= work[0])
    used = []
    for khz in CHANNELS_KHZ.tolist():
        swr = read_swr(
            np.full(len(day), khz), resonance, 60 * np.exp(warming * years), 20.0,
            0.9 + growth * years, 0.01j, 100.0,
        )  # fmt: skip
        swr = swr + noise * rng.standard_normal(len(day))
        used.append(replace(days_of(day, 1.0, frequency_khz=khz), swr=swr))
    return used


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"move": 40.0}, "resonance"),
        ({"move": -40.0}, "resonance"),
        ({"growth": 0.3}, "loss"),
        ({"move": 30.0, "growth": 0.3}, "both"),
        ({}, "unchanged"),
    ],
    ids=str,
)
def test_slopes_of_a_clean_station_are_told_to_some_percent(
    changes: dict[str, float], verdict: str
) -> None:
    state = station_state(small_station(**changes))
    assert state is not None
    assert (state.verdict, state.or_else, state.reasons) == (verdict, (), ())
    assert (state.first, state.last, state.channels) == (FIRST, FIRST + 400, 4)
    for span, truth, most in (
        (state.resonance_khz_per_year, changes.get("move", 0.0), 9.0),
        (state.loss_db_per_year, changes.get("growth", 0.0), 0.13),
    ):
        assert span is not None
        assert span.low <= truth <= span.high < span.low + most
        assert span.low <= span.value <= span.high
        if not truth:
            assert span.low <= 0 <= span.high
    for level, truth in (
        (state.resonance_khz, 27215 + changes.get("move", 0.0) * 200 / YEAR),
        (state.loss_db, 0.9 + changes.get("growth", 0.0) * 200 / YEAR),
        (state.resistance_ohm, 60.0),
        (state.q, 20.0),
    ):
        assert level.low < truth < level.high


def test_years_and_the_order_of_channels_change_nothing() -> None:
    """Four years are 1461 days, so that the season is the same."""
    used = small_station(move=40.0)
    here = station_state(used)
    later = station_state(
        [replace(one, day=one.day + 1461) for one in small_station(move=40.0)][::-1]
    )
    assert here is not None
    assert later is not None
    assert (later.first, later.last) == (here.first + 1461, here.last + 1461)
    for name in ("resonance_khz", "loss_db", "resonance_khz_per_year", "loss_db_per_year"):
        for end in ("value", "low", "high"):
            first, second = (getattr(getattr(state, name), end) for state in (here, later))
            assert second == pytest.approx(first, rel=0.01, abs=0.02)


def test_a_year_less_a_day_tells_no_slopes() -> None:
    for days, known in ((364, False), (365, True)):
        state = station_state(small_station(days, move=40.0))
        assert state is not None
        assert (state.resonance_khz_per_year is not None) == known
        assert (state.loss_db_per_year is not None) == known
        assert bool(state.reasons) != known
        assert (state.verdict == "undecided") != known


def test_work_that_moved_the_resonance_is_no_slope() -> None:
    work = FIRST + 200
    used = small_station(work=(work, 60.0))
    told = station_state(used, [WorkEvent(work, "adjustment", "slid")])
    unaware = station_state(used)
    assert told is not None
    assert unaware is not None
    assert told.verdict == "unchanged"
    assert told.resonance_khz.low < 27275 < told.resonance_khz.high
    assert unaware.verdict == "resonance"


def test_a_resistance_that_falls_is_told_apart_from_loss() -> None:
    state = station_state(small_station(warming=-0.3, noise=0.02))
    assert state is not None
    assert state.verdict in ("resistance", "undecided")
    assert "resistance" in (state.verdict, *state.or_else)
    if state.verdict == "resistance":
        assert state.loss_db_per_year is None


def test_readings_of_several_antennas_tell_nothing() -> None:
    used = small_station()
    drifts = [off * (used[0].day - FIRST) / YEAR for off in (0.4, -0.4, 0.4, -0.4)]
    wild = [replace(one, swr=one.swr + drift) for one, drift in zip(used, drifts, strict=True)]
    assert station_state(wild) is None


@pytest.mark.parametrize(("factor", "known"), [(1.0, True), (1.152, True), (1.168, False)])
def test_one_circuit_serves_frequencies_within_15_percent(factor: float, known: bool) -> None:
    """Of their middle, from the lowest to the highest."""
    used = small_station(100, every=1)
    khz = np.linspace(27000, 27000 * max(factor, 1.01), 4)
    rng = np.random.default_rng(1)
    day = used[0].day
    middle = np.full(len(day), (khz[0] + khz[-1]) / 2)
    same = np.ones(len(day))
    spread = [
        replace(
            one,
            frequency_khz=at,
            swr=read_swr(at * same, middle, 60 * same, 5.0, 0.9 * same, 0j, 100.0)
            + 0.005 * rng.standard_normal(len(day)),
        )
        for one, at in zip(used, khz.tolist(), strict=True)
    ]
    assert (station_state(spread) is not None) == known


def test_two_months_a_year_apart_are_enough_for_slopes() -> None:
    """Few stretches of 45 days, between which long correlations would show."""
    used = small_station(460, move=40.0, every=2)
    apart = (used[0].day < FIRST + 80) | (used[0].day > FIRST + 404)
    state = station_state(
        [
            replace(
                one,
                day=one.day[apart],
                swr=one.swr[apart],
                spread=one.spread[apart],
                transmissions=one.transmissions[apart],
                power_w=one.power_w[apart],
                calibration=one.calibration[apart],
            )
            for one in used
        ]
    )
    assert state is not None
    assert state.resonance_khz_per_year is not None
    assert state.resonance_khz_per_year.low < 40 < state.resonance_khz_per_year.high
    assert state.verdict == "resonance"
