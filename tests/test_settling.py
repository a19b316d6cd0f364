"""Which pairs are settled, by cases made by hand."""

from __future__ import annotations

import numpy as np

from logger.stages.settling import RISE, RISE_NS, Settling

STEP_NS = 1_000_000


def settled(volts: list[float], noise_v: float, step_ns: int = STEP_NS) -> list[bool]:
    readings = np.array([0.0, *volts])
    times = np.arange(len(readings)) * step_ns
    stage = Settling((0.0, 0.0))
    result = stage.update(times, readings, 0 * readings, readings > 0, (noise_v, 0.0))
    return result.settled[1:].tolist()


def test_noise_alone_does_not_unsettle_a_carrier() -> None:
    """Of weak readings that scatter by a tenth hardly any looks like a fall of the envelope."""
    rng = np.random.default_rng(1)
    volts = (1.0 + 0.03 * rng.standard_normal(2000)).tolist()
    share = np.mean(settled(volts, 0.03)[50:])
    assert share > 0.99
    assert np.mean(settled(volts, 0.0)[50:]) < 0.9


def test_a_fall_is_unsettled_until_it_is_over() -> None:
    found = settled([1.0] * 30 + [0.8] * 30, 0.0)
    assert found[25:30] == [True] * 5
    assert found[30:50] == [False] * 20
    assert all(found[51:])


def test_a_rise_is_unsettled_for_the_time_a_detector_takes() -> None:
    """A pair is held against what was there RISE_NS before, not just against the pair before."""
    slow = [1.0] * 30 + [1.0 + 0.06 * step for step in range(1, 11)] + [1.6] * 30
    found = settled(slow, 0.0)
    ratio = np.array(slow[5:]) / np.array(slow[:-5])
    expected = ratio <= RISE
    assert RISE_NS == 5 * STEP_NS
    assert not expected.all()
    assert found[5:] == expected.tolist()
