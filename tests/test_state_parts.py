"""The parts of the station's state: the physics in complex numbers, bins, and what is said when."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers.channels import CHANNEL_MHZ
from logger.daily import Days, WorkEvent
from logger.physics.estimate import Estimate
from logger.trend.state_fit import StateFit, best_fit
from logger.trend.state_model import Bins, Model, starts
from logger.trend.station_state import _bins, _is_change, _khz, _misfit, _steps, _verdict
from logger.trend.station_state import station_state as judge

KHZ = np.array([26965.0, 27105.0, 27265.0, 27405.0])
FIRST = 20_000
YEAR = 365.25


def bins_of(weeks: int = 60, swr: float = 1.5, days: int = 5) -> Bins:
    place = np.repeat(np.arange(4), weeks)
    count = 4 * weeks
    return Bins(
        np.tile(FIRST + 7.0 * np.arange(weeks), 4),
        KHZ[place],
        place,
        np.full(count, swr),
        np.full(count, days),
    )


def read_swr(
    khz: np.ndarray,
    resonance_khz: np.ndarray,
    ohm: np.ndarray,
    q: float,
    loss_db: np.ndarray,
    leak: complex,
    delay_ns: float,
) -> np.ndarray:
    """A series circuit behind a line that loses, and the coupler's leak turning against it."""
    z = ohm * (1 + 1j * q * (khz / resonance_khz - resonance_khz / khz))
    from_antenna = (z - 50) / (z + 50) * 10 ** (-2 * loss_db / 20)
    middle = (KHZ.min() + KHZ.max()) / 2
    turned = leak * np.exp(2j * np.pi * delay_ns * 1e-9 * (khz - middle) * 1e3)
    size = np.abs(from_antenna + turned)
    return (1 + size) / (1 - size)


@pytest.mark.parametrize("story", ["loss", "resistance"])
def test_model_agrees_with_the_physics(story: str) -> None:
    """Parameters in the units that the module states: medians and deviations known beforehand."""
    bins = bins_of()
    work = FIRST + 200
    model = Model(bins, (work,), 1, story)  # type: ignore[arg-type]
    p = np.array(
        [
            math.log(60 / 45) / 0.5,  # R 60 ohm
            math.log(20 / 14) / 0.6,  # Q 20
            math.log(0.9 / 0.6) / 0.9,  # 0.9 dB
            30.0 / 600.0,  # 30 kHz above the middle
            0.4,  # 40 kHz a year
            0.2,  # 0.2 dB, or 2 % of R, a year
            0.5,  # leak 0.02
            -0.25,  # and 0.01
            math.log(80 / 120) / 0.9,  # 80 ns
            *(0.6, -0.2, 0.5),  # waves of 30 and 10 kHz, 25 kHz from the work on
            *(0.1, 0.0, -0.5),  # a wave of 0.03 dB, -0.15 dB from the work on
            *(1.0, -1.0, 0.5, 0.0),  # hundredths of SWR of the channels
        ]
    )
    assert model.size == len(p)
    years = (bins.day - (bins.day.min() + bins.day.max()) / 2) / YEAR
    angle = 2 * np.pi * bins.day / YEAR
    after = bins.day >= work
    resonance = 27185 + 30 + 40 * years + 30 * np.sin(angle) - 10 * np.cos(angle) + 25 * after
    loss = 0.9 + 0.03 * np.sin(angle) - 0.15 * after
    ohm = np.full(len(years), 60.0)
    if story == "loss":
        loss = loss + 0.2 * years
    else:
        ohm = 60 * np.exp(0.02 * years)
    offsets = np.array([0.01, -0.01, 0.005, 0.0])[bins.place]
    expected = read_swr(bins.khz, resonance, ohm, 20.0, loss, 0.02 - 0.01j, 80.0) + offsets
    weight = np.sqrt(5 / (1 + 0.35 * 4)) / 0.03
    found = model.residual(p)
    np.testing.assert_allclose(found[: len(years)], (expected - 1.5) * weight, atol=2e-3)
    np.testing.assert_allclose(found[len(years) :], p)  # what is known beforehand


def test_parameters_that_are_given_stay() -> None:
    model = Model(bins_of(), (), 0, "loss", {4: 0.3, 5: -0.2})
    assert set(range(model.size)) - set(model.free.tolist()) == {4, 5}
    whole = model.expand(np.arange(1.0, model.size - 1))
    assert (whole[4], whole[5]) == (0.3, -0.2)
    assert whole[model.free].tolist() == list(range(1, model.size - 1))


def test_fits_start_on_either_side() -> None:
    model = Model(bins_of(), (), 0, "loss")
    found = {
        (round(math.exp(math.log(45) + 0.5 * start[0])), round(27185 + 600 * start[3]))
        for start in starts(model)
    }
    assert found == {(ohm, khz) for ohm in (30, 75) for khz in (27075, 27295)}


def exact(seed: int = 0, noise: float = 0.0) -> Model:
    """Readings of the physics itself: R 60, Q 20, 0.9 dB, +40 kHz and 0.3 dB a year."""
    bins = bins_of(110)
    years = (bins.day - (bins.day.min() + bins.day.max()) / 2) / YEAR
    swr = read_swr(
        bins.khz, 27215 + 40 * years, np.full(len(years), 60.0), 20.0, 0.9 + 0.3 * years, 0j, 100.0
    )
    swr = swr + noise * np.random.default_rng(seed).standard_normal(len(swr))
    return Model(replace(bins, swr=swr), (), 0, "loss")


def test_fit_recovers_planted_values_within_its_intervals() -> None:
    model = exact(noise=0.02)
    found = best_fit(model, starts(model))
    move, growth = found.slope(4, 100.0), found.slope(5, 1.0)
    for span, truth, widest in ((move, 40.0, 25.0), (growth, 0.3, 0.3)):
        assert span.low < truth < span.high
        assert span.low < span.value < span.high
        assert span.high - span.low < widest
    last = float(model.bins.day.max())
    years = (last - model.middle) / YEAR
    for which, truth in ((0, 27215 + 40 * years), (1, 0.9 + 0.3 * years), (2, 60.0), (3, 20.0)):
        span = found.level(which, last)
        assert span.low < truth < span.high
        assert span.low < span.value < span.high
    resonance = found.level(0, last)
    assert resonance.high - resonance.low < 400
    assert _misfit(found) < 1.1


def test_an_interval_ends_where_chi_square_rises_by_that_of_95_percent() -> None:
    model = exact(seed=1, noise=0.02)
    found = best_fit(model, starts(model))
    span = found.slope(4, 1.0)
    for end in (span.low, span.high):
        rise = (found.with_fixed(4, end).chi2 - found.chi2) / found.unit
        assert math.sqrt(rise) == pytest.approx(1.96, abs=0.12)
    # Half as much noise, half as wide.
    quiet = exact(seed=1, noise=0.01)
    half = best_fit(quiet, starts(quiet)).slope(4, 1.0)
    assert (half.high - half.low) / (span.high - span.low) == pytest.approx(0.5, abs=0.08)


def test_stories_are_compared_in_units_of_the_noise() -> None:
    model = exact(seed=2, noise=0.02)
    best = best_fit(model, starts(model))
    fixed = best.with_fixed(4, 0.0)
    gain = best.better_than(fixed)
    assert gain > 25
    assert fixed.better_than(best) == pytest.approx(-gain * best.unit / fixed.unit)
    assert best.better_than(StateFit(model, best.p, best.chi2 + best.unit)) == pytest.approx(1.0)


# --- what it is made from ---


def days_of(day: np.ndarray, swr: float, **changes: object) -> Days:
    ones = np.ones(len(day), dtype=np.int64)
    one = Days(20, None, day, swr * ones, 0.02 * ones, 10 * ones, 4.0 * ones, ones)
    return replace(one, **changes)  # type: ignore[arg-type]


def test_bins_are_weeks_of_a_channel() -> None:
    day = FIRST + np.array([0, 1, 6, 7, 20])
    swr = np.array([1.0, 1.2, 1.4, 2.0, 99.0])
    used = [replace(days_of(day, 1.0), swr=swr), days_of(day + 7, 1.5)]
    found = _bins(used, np.array([27205.0, 26965.0]))
    first = found.place == 0
    assert found.day[first].tolist() == [FIRST + 3, FIRST + 10, FIRST + 17]
    assert found.swr[first] == pytest.approx([1.2, 2.0, 6.0])  # beyond 6 it is open or short
    assert found.days[first].tolist() == [3, 1, 1]
    assert found.day[~first].tolist() == [FIRST + 10, FIRST + 17, FIRST + 24]
    assert set(found.khz[first]) == {27205.0}
    assert set(found.khz[~first]) == {26965.0}


def test_many_years_have_longer_bins() -> None:
    day = FIRST + np.arange(0, 4800, 3)
    found = _bins([days_of(day, 1.5)], np.array([27205.0]))
    assert set(np.diff(found.day)) == {29.0}
    assert len(found.day) <= 170


def test_work_needs_bins_on_either_side() -> None:
    bins = bins_of(20)
    day = bins.day
    places = [2, 3, 10, 12, 17, 18]
    events = [WorkEvent(int(day[place]), "repair", "") for place in places]
    assert _steps(bins, events) == tuple(int(day[place]) for place in (3, 10, 17))
    assert _steps(bins, []) == ()


def test_frequencies_of_channels() -> None:
    day = FIRST + np.arange(3)
    assert _khz(days_of(day, 1.5), CHANNEL_MHZ) == pytest.approx(27205.0)
    assert _khz(days_of(day, 1.5, frequency_khz=14_200.0), CHANNEL_MHZ) == 14_200.0
    assert _khz(days_of(day, 1.5, channel=None), CHANNEL_MHZ) is None
    assert _khz(days_of(day, 1.5, channel=999), CHANNEL_MHZ) is None


@pytest.mark.parametrize(
    ("frequencies", "count"),
    [
        ((27000.0, 27200.0), 90),
        ((27000.0, 27200.0, 27200.0), 90),
        ((27000.0, 27200.0, 27400.0), 59),
        ((24000.0, 26000.0, 28000.0), 90),
    ],
)
def test_no_state_from_too_few_readings(frequencies: tuple[float, ...], count: int) -> None:
    used = [days_of(FIRST + np.arange(count), 1.5, frequency_khz=khz) for khz in frequencies]
    assert judge(used) is None


def test_sixty_days_on_each_channel_give_the_present_state() -> None:
    day, rng = FIRST + np.arange(60), np.random.default_rng(3)
    used = []
    for khz in KHZ.tolist():
        swr = read_swr(
            np.full(60, khz), np.full(60, 27200.0), np.full(60, 60.0), 20.0, np.ones(60), 0j, 0.0
        )
        one = days_of(day, 1.0, frequency_khz=khz)
        used.append(replace(one, swr=swr + 0.02 * rng.standard_normal(60)))
    found = judge(used)
    assert found is not None
    assert (found.verdict, found.channels) == ("undecided", 4)
    assert (found.first, found.last) == (FIRST, FIRST + 59)
    assert found.resonance_khz_per_year is None
    assert found.resonance_khz.low < 27200 < found.resonance_khz.high


# --- what is said ---

STILL_MOVE, WIDE_MOVE = Estimate(2.0, -14.0, 14.0), Estimate(2.0, -16.0, 16.0)
STILL_LOSS, WIDE_LOSS = Estimate(0.02, -0.14, 0.14), Estimate(0.02, -0.14, 0.16)


@pytest.mark.parametrize(
    ("moves", "grows", "move", "growth", "expected"),
    [
        (True, True, WIDE_MOVE, WIDE_LOSS, ("both", ())),
        (False, True, STILL_MOVE, WIDE_LOSS, ("loss", ())),
        (False, True, WIDE_MOVE, WIDE_LOSS, ("loss", ("both",))),
        (True, False, WIDE_MOVE, STILL_LOSS, ("resonance", ())),
        (True, False, WIDE_MOVE, WIDE_LOSS, ("resonance", ("both",))),
        (False, False, STILL_MOVE, STILL_LOSS, ("unchanged", ())),
        (False, False, WIDE_MOVE, STILL_LOSS, ("undecided", ("resonance",))),
        (False, False, STILL_MOVE, WIDE_LOSS, ("undecided", ("loss",))),
        (
            False,
            False,
            Estimate(0, -16, 0),
            Estimate(0, -0.16, 0),
            ("undecided", ("resonance", "loss")),
        ),
    ],
)
def test_verdicts(
    moves: bool,
    grows: bool,
    move: Estimate,
    growth: Estimate,
    expected: tuple[str, tuple[str, ...]],
) -> None:
    assert _verdict(moves, grows, move, growth) == expected


@pytest.mark.parametrize(
    ("span", "change"),
    [
        (Estimate(0.1, 0.02, 0.2), True),
        (Estimate(-0.1, -0.2, -0.02), True),
        (Estimate(0.1, -0.02, 0.2), False),
        (Estimate(-0.1, -0.2, 0.02), False),
        (Estimate(0.02, 0.01, 0.03), False),
        (Estimate(0.03, 0.01, 0.05), True),
    ],
)
def test_a_slope_is_a_change_beyond_doubt_and_of_some_size(span: Estimate, change: bool) -> None:
    assert _is_change(span, 0.03) == change


def test_an_interval_takes_in_a_value() -> None:
    assert Estimate(1.0, 0.5, 2.0).widened(0.0) == Estimate(1.0, 0.0, 2.0)
    assert Estimate(1.0, 0.5, 2.0).widened(3.0) == Estimate(1.0, 0.5, 3.0)
