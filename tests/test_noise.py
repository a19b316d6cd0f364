"""Noise of rounded readings that end at zero, against counts drawn here."""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from drivers.contract import SampleBlock
from logger.blocks import Bools, Floats, Noise
from logger.calibration.converter_step import common_step
from logger.calibration.coupler import Coupler
from logger.calibration.file import parse
from logger.config.load import TransmissionOptions
from logger.physics.censored import Prior, estimate, normal_cdf
from logger.pipeline import Pipeline
from logger.rows import Flag, Transmission
from logger.stages.noise import NoiseTracker
from logger.stages.quarters import Quarters, SentPairs
from tests.station import CALIBRATION
from tests.station_model import Over, exact, random_station
from tests.station_model.pipeline import Settings, blocks

STEP_V = 5.0 / 4096
START_NS = 1_780_000_000_000_000_000


def read(rng: np.random.Generator, mean: float, noise: float, count: int) -> Floats:
    """Volts of a converter that cannot read below zero; `mean` and `noise` in steps."""
    counts = np.rint(mean + noise * rng.standard_normal(count))
    return np.asarray(np.maximum(counts, 0.0) * STEP_V)


def keyed(
    forward_v: Floats, reflected_v: Floats, quarter: int = 50, follows: Bools | None = None
) -> Quarters:
    """One quarter after another of `quarter` steady pairs."""
    count = len(forward_v) // quarter
    n = quarter * count
    yes = np.ones(n, dtype=bool)
    if follows is None:
        follows = yes
    watts = np.ones(n)
    pairs = SentPairs(
        np.arange(n) * (250_000_000 // quarter),
        forward_v,
        reflected_v,
        watts,
        watts,
        yes,
        follows,
        yes,
        0 * watts,
    )
    none, zeros = np.full(count, np.nan), np.zeros(count)
    number = np.arange(count)
    first = np.arange(count + 1) * quarter
    return Quarters(
        number, number * 0, none, zeros, zeros, zeros, none, zeros, zeros + 1.0, first, pairs
    )


def measured(
    zero: float, noise: float, *, keyed_too: bool, prior: float = 12**-0.5
) -> tuple[Noise, float]:
    rng = np.random.default_rng(1)
    unkeyed = read(rng, zero, noise, 2048), read(rng, zero, noise, 2048)
    zero_v = float(unkeyed[1].mean())
    tracker = NoiseTracker((prior * STEP_V,) * 2, (zero_v, zero_v), STEP_V)
    tracker.update(*unkeyed, (STEP_V, STEP_V))
    if keyed_too:
        tracker.update_keyed(keyed(read(rng, 800.4, noise, 2000), read(rng, zero, noise, 2000)))
    return tracker.noise(), math.hypot(noise, 12**-0.5)


@pytest.mark.parametrize("zero", [-3.0, -1.0, 0.0, 0.4, 2.0, 5.0])
@pytest.mark.parametrize("noise", [0.2, 0.7, 1.5, 3.0])
def test_noise_is_that_of_the_readings_before_they_were_cut(zero: float, noise: float) -> None:
    found, true = measured(zero, noise, keyed_too=True)
    sd = np.array(found.sd_v) / STEP_V
    assert sd.min() >= 12**-0.5 - 1e-9
    assert sd.min() >= (0.8 if noise < 0.5 else 0.95) * true
    assert sd.max() <= max(1.35 * true, 0.6)


def test_before_anything_tells_the_noise_it_is_assumed_large() -> None:
    found, _ = measured(-3.0, 0.2, keyed_too=False)
    assert found.sd_v[1] >= 0.8 * STEP_V
    assert NoiseTracker((0.0, 0.0), (0.0, 0.0), STEP_V).noise().sd_v[1] >= 2 * STEP_V
    # A calibration that saw its noise whole is believed.
    known = NoiseTracker((0.7 * STEP_V,) * 2, (5 * STEP_V,) * 2, STEP_V).noise()
    assert known.sd_v == (0.7 * STEP_V, 0.7 * STEP_V)


def test_a_hidden_zero_is_in_doubt_and_a_visible_one_is_not() -> None:
    hidden, _ = measured(-3.0, 0.7, keyed_too=True)
    visible, _ = measured(5.0, 0.7, keyed_too=True)
    assert hidden.zero_u_v[1] > STEP_V > 5 * visible.zero_u_v[1]
    assert hidden.bias_v[1] > 0.8 * STEP_V
    assert visible.bias_v[1] == 0.0


@pytest.mark.parametrize("seed", range(12))
def test_weak_speech_in_most_bursts_is_no_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tracker = NoiseTracker((STEP_V, STEP_V), (5 * STEP_V, 5 * STEP_V), STEP_V)
    for group in range(32):
        level = 5.0 if group % 3 == 0 else 5.0 + 40.0 * rng.random(64)
        volts = np.rint(level + 0.7 * rng.standard_normal(64)) * STEP_V
        tracker.update(volts, volts, (STEP_V, STEP_V))
    # The lower quartile of all groups is the upper one of those without speech: it is too high by
    # 15 % on average, and by up to 28 % over 400 seeds. Speech would give 15 times as much.
    true = math.hypot(0.7, 12**-0.5)
    assert 0.95 * true <= tracker.noise().sd_v[0] / STEP_V <= 1.35 * true


@settings(max_examples=25, deadline=None)
@given(
    cuts=st.sets(st.integers(1, 159)),
    quarter=st.sampled_from([1, 5, 12, 25, 50]),
    seed=st.integers(0, 9),
)
def test_noise_does_not_depend_on_how_quarters_are_cut(
    cuts: set[int], quarter: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    pairs = 160 * quarter
    # The noise differs from stretch to stretch, so that it shows which are taken.
    noise = np.repeat(rng.uniform(0.3, 3.0, 160), quarter)
    forward_v = np.rint(800 + noise * rng.standard_normal(pairs)) * STEP_V
    follows = rng.random(pairs) > rng.choice([0.0, 0.01, 0.05])
    whole = keyed(forward_v, forward_v, quarter, follows)

    def noise_of(edges: Sequence[int]) -> Noise:
        tracker = NoiseTracker((STEP_V, STEP_V), (0.0, 0.0), STEP_V)
        for begin, end in itertools.pairwise(edges):
            tracker.update_keyed(whole.part(begin, end))
        return tracker.noise()

    at_once = noise_of([0, 160])
    assert noise_of([0, *sorted(cuts), 160]) == at_once
    assert noise_of(range(161)) == at_once


@pytest.mark.parametrize("quarter", [1, 3, 8, 15, 16, 20])
def test_slow_pairs_bound_a_hidden_noise_too(quarter: int) -> None:
    rng = np.random.default_rng(5)
    tracker = NoiseTracker((STEP_V, STEP_V), (0.0, 0.0), STEP_V)
    unbounded = tracker.noise().sd_v[1] / STEP_V
    volts = read(rng, 800.4, 0.7, 320 * quarter)
    tracker.update_keyed(keyed(volts, volts, quarter))
    true = math.hypot(0.7, 12**-0.5)
    assert 0.9 * true <= tracker.noise().sd_v[1] / STEP_V <= 1.35 * true < unbounded / 2


def test_the_normal_distribution_is_that_of_scipy() -> None:
    z = np.linspace(-40.0, 40.0, 2001)
    assert normal_cdf(z) == pytest.approx(ndtr(z), rel=1e-7, abs=1e-300)


def test_the_pipeline_measures_hidden_noise_without_scipy(monkeypatch: pytest.MonkeyPatch) -> None:
    """scipy would take more memory than the daemon has reason to."""
    station = random_station(np.random.default_rng(1))
    over = Over(5.0, 8.0, "fm", 20, 4.0, seed=4)
    record = station.record(np.random.default_rng(1), [over], [], since_s=0.0, until_s=12.0)
    for name in [name for name in sys.modules if name.split(".")[0] == "scipy"]:
        monkeypatch.setitem(sys.modules, name, None)  # to import it is an error
    hidden = []
    monkeypatch.setattr(
        "logger.stages.noise.estimate", lambda *given: hidden.append(estimate(*given)) or hidden[-1]
    )
    pipeline = Pipeline(Settings(), Coupler(exact(station.coupler)))
    rows = [row for block in blocks(station, record) for row in pipeline.process(block)]
    assert rows
    assert hidden


def test_counts_that_tell_nothing_leave_the_prior() -> None:
    none = np.zeros(0, dtype=np.int64)
    assert 2.0 < estimate(none, Prior()).sd < 2.6
    assert estimate(none, Prior(bound=0.7)).sd == pytest.approx(0.75, rel=0.2)


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_the_step_is_that_of_the_readings_not_of_the_print(bits: int) -> None:
    rng = np.random.default_rng(3)
    step_v = 5.0 / 2**bits
    counts = np.concatenate(
        [np.abs(np.rint(rng.normal(0, 1.5, 500))), np.rint(rng.normal(0.6 * 2**bits, 1.5, 500))]
    )
    printed = np.round(counts * step_v, 4)
    assert common_step(printed, 1e-4) == pytest.approx(step_v, rel=0.03)
    assert common_step(2 * counts * step_v, 0.0) == pytest.approx(2 * step_v, rel=1e-6)
    # Steps as fine as the print, and readings on no grid, tell nothing.
    assert common_step(np.round(rng.uniform(0, 0.05, 2000), 4), 1e-4) == 0.0
    assert common_step(rng.uniform(0, 5, 300), 1e-4) == 0.0
    assert common_step(np.repeat([0.0, 0.3, 0.6, 0.9, 1.0], 50), 0.0) == 0.0
    assert common_step(np.zeros(500), 1e-4) == 0.0


@pytest.mark.parametrize(
    "codes",
    [
        [0, 14, 28, 50, 100],  # half of each level is an edge caught between two conversions
        [0, 21, 28, 42, 50, 84, 100],
        [0, 25, 75, 100],
        [0, 14, 21, 28, 42, 75, 84, 100],
    ],
)
def test_the_levels_of_a_board_without_noise_are_no_steps(codes: list[int]) -> None:
    step_v = 5 / 1023 / 4
    assert common_step(np.repeat(codes, 32) * step_v, step_v) == 0.0


def test_the_levels_of_a_board_without_noise_hide_no_swr() -> None:
    """Two carriers whose edges are caught between conversions, then a third."""
    step_v = 5 / 1023 / 4
    codes = np.zeros((2, 4000), dtype=np.int64)
    for begin, end, forward, reflected in (
        (150, 1050, 712, 100),
        (1400, 2300, 1156, 28),
        (2650, 3250, 712, 100),
    ):
        codes[:, begin:end] = [[forward], [reflected]]
        codes[:, begin] //= 2
    times = START_NS + np.arange(codes.shape[1]) * 1_000_000
    config = Settings(transmission=TransmissionOptions(hang_ms=300))
    pipeline = Pipeline(config, Coupler(parse(CALIBRATION, "calibration.yaml")))
    block = SampleBlock(times, *(codes * step_v), step_v=(step_v, step_v), full_scale_v=5.0)
    rows = [*pipeline.process(block), *pipeline.finish()]
    carriers = [row for row in rows if isinstance(row, Transmission) and row.ended]
    assert [row.flags & Flag.BELOW_FLOOR for row in carriers] == [0, 0, 0]
    assert carriers[0].swr == pytest.approx(carriers[2].swr, rel=1e-9)


def test_the_step_of_a_still_port_is_that_of_the_other() -> None:
    rng = np.random.default_rng(4)
    tracker = NoiseTracker((0.0, 0.0), (0.0, 0.0), 1e-4)
    forward = np.round(read(rng, 3.0, 1.0, 2048), 4)
    tracker.update(forward, np.zeros(2048), (1e-4, 1e-4))
    found = tracker.noise()
    assert found.step_v == pytest.approx((STEP_V, STEP_V), rel=0.03)
    assert found.sd_v[1] >= STEP_V / math.sqrt(12)
