"""The levels of quarter seconds against plain numpy, one quarter at a time."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.blocks import Noise, PowerBlock
from logger.calibration.coupler import Coupler
from logger.calibration.file import parse
from logger.stages.levels import LEAST_PAIRS, Levels
from logger.stages.quarters import QUARTER_NS, Quarters, join_quarters
from logger.stages.view import View
from tests.station import CALIBRATION

COUPLER = Coupler(parse(CALIBRATION, "test"))
NOISE = Noise((8e-4, 8e-4), (0.0, 0.0))
START_NS = 1_770_000_000_000_000_000
HANG_NS = 1_500_000_000


def view(forward_w: np.ndarray, ratio: np.ndarray, channel: np.ndarray, at: int = 0) -> View:
    count = len(forward_w)
    reflected_w = ratio * forward_w
    block = PowerBlock(
        START_NS + (at + np.arange(count)) * 5_000_000,
        COUPLER.forward.volts(forward_w),
        COUPLER.reflected.volts(reflected_w),
        forward_w,
        reflected_w,
        np.zeros(count, dtype=np.uint8),
        np.ones(count, dtype=bool),
        {"channel": channel},
    )
    return View(block, forward_w >= 0.2, NOISE, COUPLER, (0.0, 0.0), np.zeros(count, dtype=bool))


def quarters_of(views: list[View]) -> Quarters:
    levels = Levels(COUPLER, HANG_NS)
    found = [levels.update(each) for each in views]
    found.append(levels.finish(NOISE))
    return join_quarters([each for each in found if each is not None])


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 1000), keyed=st.floats(0.2, 1.0), cuts=st.lists(st.integers(1, 599)))
def test_each_level_is_the_median_of_its_quarter(seed: int, keyed: float, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    forward_w = np.where(rng.random(600) < keyed, rng.uniform(1.0, 8.0, 600), 0.0)
    forward_w[0] = 4.0
    ratio = rng.uniform(0.0, 0.9, 600)
    channel = np.full(600, 20.0)
    edges = sorted({0, *cuts, 600})
    views = [
        view(forward_w[begin:end], ratio[begin:end], channel[begin:end], begin)
        for begin, end in itertools.pairwise(edges)
    ]
    found = quarters_of(views)
    number = (START_NS + np.arange(600) * 5_000_000) // QUARTER_NS
    for place, level in zip(found.number.tolist(), found.ratio.tolist(), strict=True):
        own = ratio[(number == place) & (forward_w > 0)]
        if len(own) < LEAST_PAIRS:
            assert np.isnan(level)
        else:
            assert level == pytest.approx(np.median(own), abs=1e-9)
    assert len(found.pairs) == np.count_nonzero(forward_w)


def test_another_channel_and_a_long_pause_begin_anew() -> None:
    forward_w = np.full(1400, 4.0)
    forward_w[800:1150] = 0.0  # 1.75 s
    channel = np.where(np.arange(1400) < 400, 1.0, 40.0)
    found = quarters_of([view(forward_w, np.full(1400, 0.02), channel)])
    starts = np.unique(found.start_ns - START_NS)
    assert starts.tolist() == [0, 400 * 5_000_000, 1150 * 5_000_000]
    assert set(found.place.tolist()) == {"1", "40"}


def test_the_noise_of_a_level_is_what_levels_scatter() -> None:
    rng = np.random.default_rng(1)
    count = 50 * 400
    forward_v = COUPLER.forward.volts(np.full(count, 2.0)) + rng.normal(0, 8e-4, count)
    reflected_v = COUPLER.reflected.volts(np.full(count, 0.1)) + rng.normal(0, 8e-4, count)
    block = PowerBlock(
        START_NS + np.arange(count) * 5_000_000,
        forward_v,
        reflected_v,
        COUPLER.forward.watts(forward_v),
        COUPLER.reflected.watts(reflected_v),
        np.zeros(count, dtype=np.uint8),
        np.ones(count, dtype=bool),
        {},
    )
    found = quarters_of(
        [
            View(
                block,
                np.ones(count, dtype=bool),
                NOISE,
                COUPLER,
                (0.0, 0.0),
                np.zeros(count, dtype=bool),
            )
        ]
    )
    assert np.std(found.ratio) == pytest.approx(float(np.sqrt(np.mean(found.variance))), rel=0.15)
