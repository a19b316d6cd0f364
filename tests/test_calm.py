"""Pairs of a transmission that may wait: none that a rule judges, and no alarm comes late."""

from __future__ import annotations

import numpy as np

from drivers.contract import SampleBlock
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Row, Transmission
from logger.stages.view import View
from logger.watchdog.calm import CalmBound
from tests.test_watchdog import COUPLER, Settings, block, cut, derived, rows_of

RULES = [(0.25, 0.0), (0.0, 2.0)]  # SWR 3; 2 W
KEYED_W = 0.1
PATIENCE_NS = 40_000_000
SOUND = [(1.0, 0.0, 1.0), (2.0, 5.0, 1.4), (2.0, 0.0, 1.0), (2.0, 8.0, 1.6)]


def test_what_is_calm_is_within_all_bounds_at_any_power() -> None:
    bound = CalmBound(COUPLER, RULES, KEYED_W)
    forward_w = np.geomspace(KEYED_W, 50, 100)
    calm = 0
    for rho in np.linspace(0, 1, 11):
        forward_v = COUPLER.forward.volts(forward_w)
        reflected_v = COUPLER.reflected.volts(forward_w * rho**2)
        for i in range(len(forward_w)):
            pair = SampleBlock(
                np.array([i], dtype=np.int64), forward_v[i : i + 1], reflected_v[i : i + 1]
            )
            watts = COUPLER.power(pair)
            exceeds = any(watts[1][0] > slope * watts[0][0] + least for slope, least in RULES)
            holds = bound.holds(pair)
            assert not (exceeds and holds), (forward_w[i], rho)
            calm += holds
    assert calm > 100


def test_a_good_transmission_is_calm_and_its_rows_are_the_same() -> None:
    whole = block(SOUND, 1000.0)
    processed: list[View] = []
    pipeline = Pipeline(Settings(), COUPLER, tap=processed.append)
    pipeline.patience_ns = PATIENCE_NS
    blocks = cut(whole, range(0, len(whole), 5))
    rows = derived([row for each in blocks for row in pipeline.process(each)])
    assert len(processed) < len(blocks) / 6

    def ended(rows: list[Row]) -> list[tuple[int, int, float]]:
        return [
            (row.start_ns, row.end_ns, round(row.forward_w_mean, 9))
            for row in rows
            if isinstance(row, Transmission) and row.ended
        ]

    assert len(ended(rows)) == 1
    assert ended(rows) == ended(rows_of(blocks))


def test_no_alarm_waits() -> None:
    whole = block([(1.0, 0.0, 1.0), (1.0, 5.0, 1.4), (0.2, 5.0, 9.0)], 1000.0)
    blocks = cut(whole, range(0, len(whole), 3))
    moments = []
    for patience_ns in (0, PATIENCE_NS):
        pipeline = Pipeline(Settings(), COUPLER)
        pipeline.patience_ns = patience_ns
        moments.append(
            next(
                place
                for place, each in enumerate(blocks)
                if any(isinstance(row, AlarmChange) for row in pipeline.process(each))
            )
        )
    assert moments[0] == moments[1]
