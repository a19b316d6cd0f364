"""Pairs of a transmission that may wait: never those that bring an alarm nearer."""

from __future__ import annotations

import msgspec
import numpy as np
from hypothesis import given, settings

from drivers.contract import SampleBlock, join
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, AlarmKind, Memory, Row, Samples
from logger.stages.keying import RELEASE
from logger.store.archive import same
from logger.watchdog.calm import CalmBound
from tests.examples import examples
from tests.test_selection import COUPLER, SIMULATED, Settings, assert_alike, cut, streams

EACH = 20  # pairs of a small block
LIMITS = (AlarmKind.HIGH_SWR, AlarmKind.HIGH_REFLECTED_POWER)


def collect(blocks: list[SampleBlock], patience_ns: int) -> tuple[list[Row], list[tuple[int, Row]]]:
    """All rows, and the alarms of limits with the number of the block that returned them."""
    pipeline = Pipeline(Settings(), COUPLER)
    pipeline.patience_ns = patience_ns
    rows, limits = [], []
    for number, block in enumerate(blocks):
        new = pipeline.process(block)
        rows += new
        limits += [
            (number, row)
            for row in new
            if isinstance(row, AlarmChange) and row.kind in LIMITS and row.change == "raised"
        ]
    return rows + pipeline.finish(), limits


@examples(3)
@given(whole=streams())
def test_waiting_changes_no_row_and_delays_no_limit(whole: SampleBlock) -> None:
    blocks = cut(whole, range(0, len(whole), EACH))
    at_once, limits = collect(blocks, 0)
    patient, same_limits = collect(blocks, 400_000_000)
    archived, archived_at_once = (
        join([row.block for row in rows if isinstance(row, Samples)]) for rows in (patient, at_once)
    )
    assert same(archived, archived_at_once)
    assert_alike(
        *(
            [row for row in rows if not isinstance(row, (Samples, Memory))]
            for rows in (patient, at_once)
        )
    )
    assert same_limits == limits


@settings(max_examples=50, deadline=None)
@given(whole=streams())
def test_no_calm_pair_exceeds_a_limit(whole: SampleBlock) -> None:
    limits = Settings().watchdog
    keyed_w = RELEASE * Settings().transmission.min_forward_w
    bounds = Pipeline(Settings(), COUPLER)._watchdog.bounds
    calm = CalmBound(COUPLER, bounds, keyed_w)
    forward_w, reflected_w, _ = COUPLER.power(whole)
    rho2 = ((limits.high_swr.limit - 1) / (limits.high_swr.limit + 1)) ** 2
    too_high = (forward_w >= keyed_w) & (
        (reflected_w > rho2 * forward_w) | (reflected_w > limits.high_reflected_power.limit_w)
    )
    for begin in range(0, len(whole), EACH):
        part = slice(begin, begin + EACH)
        assert not (calm.holds(whole[part]) and too_high[part].any())


def test_a_good_match_is_calm_and_a_bad_one_is_not() -> None:
    calm = CalmBound(COUPLER, Pipeline(Settings(), COUPLER)._watchdog.bounds, 0.1)

    def sent(forward_w: float, swr: float) -> SampleBlock:
        power = np.full(EACH, forward_w)
        reflected_w = power * ((swr - 1) / (swr + 1)) ** 2
        return SampleBlock(
            np.arange(EACH) * 1_000_000,
            COUPLER.forward.volts(power),
            COUPLER.reflected.volts(reflected_w),
        )

    assert calm.holds(sent(4.0, 1.5))
    assert not calm.holds(sent(4.0, 3.2))
    assert not calm.holds(sent(1.0, 5.0))


def test_where_the_law_depends_on_more_than_volts_nothing_is_calm() -> None:
    content = calibration(SIMULATED.coupler, SIMULATED.adc)
    by_khz = [(1800.0, 0.0), (30_000.0, 3.0)]
    reflected = msgspec.structs.replace(content.reflected, coupling_by_khz=by_khz)
    coupler = Coupler(msgspec.structs.replace(content, reflected=reflected))
    calm = CalmBound(coupler, [(0.25, 0.0)], 0.1)
    assert not calm.holds(SampleBlock(np.arange(1), np.full(1, 1.0), np.full(1, 0.0)))
