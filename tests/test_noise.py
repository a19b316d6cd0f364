"""Noise of rounded readings that end at zero, against counts drawn here."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.blocks import Floats, Noise
from logger.censored import Prior, estimate
from logger.converter_step import common_step
from logger.noise import NoiseTracker
from logger.quarters import Quarters, SentPairs

STEP_V = 5.0 / 4096


def read(rng: np.random.Generator, mean: float, noise: float, count: int) -> Floats:
    """Volts of a converter that cannot read below zero; `mean` and `noise` in steps."""
    counts = np.rint(mean + noise * rng.standard_normal(count))
    return np.asarray(np.maximum(counts, 0.0) * STEP_V)


def keyed(forward_v: Floats, reflected_v: Floats) -> Quarters:
    """One quarter after another of 50 steady pairs."""
    count = len(forward_v) // 50
    n = 50 * count
    yes = np.ones(n, dtype=bool)
    watts = np.ones(n)
    pairs = SentPairs(
        np.arange(n) * 5_000_000, forward_v, reflected_v, watts, watts, yes, yes, yes, 0 * watts
    )
    none, zeros = np.full(count, np.nan), np.zeros(count)
    number = np.arange(count)
    first = np.arange(count + 1) * 50
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


def test_weak_speech_in_most_bursts_is_no_noise() -> None:
    rng = np.random.default_rng(2)
    tracker = NoiseTracker((STEP_V, STEP_V), (5 * STEP_V, 5 * STEP_V), STEP_V)
    for group in range(32):
        level = 5.0 if group % 3 == 0 else 5.0 + 40.0 * rng.random(64)
        volts = (
            read(rng, 0.0, 0.7, 64) * 0 + np.rint(level + 0.7 * rng.standard_normal(64)) * STEP_V
        )
        tracker.update(volts, volts, (STEP_V, STEP_V))
    assert tracker.noise().sd_v[0] == pytest.approx(0.76 * STEP_V, rel=0.15)


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


def test_the_step_of_a_still_port_is_that_of_the_other() -> None:
    rng = np.random.default_rng(4)
    tracker = NoiseTracker((0.0, 0.0), (0.0, 0.0), 1e-4)
    forward = np.round(read(rng, 3.0, 1.0, 2048), 4)
    tracker.update(forward, np.zeros(2048), (1e-4, 1e-4))
    found = tracker.noise()
    assert found.step_v == pytest.approx((STEP_V, STEP_V), rel=0.03)
    assert found.sd_v[1] >= STEP_V / math.sqrt(12)
