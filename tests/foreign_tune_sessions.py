"""A person who cuts or slides an antenna of `tests.foreign_antennas` and follows the advice."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.physics.reflection import estimate as product_reading
from logger.tune.positions import Adjustment, ChannelReading, Position
from logger.tune.session import TuningSession, TuningState
from tests.foreign_antennas import CuttingSession, random_antenna

ADJUSTMENTS = 4
CUTS = 20  # more than any person makes
DIRECTIVITY_DB = 22.0  # the least that `CuttingSession` draws: what its calibration may claim
SPARE = 1.25  # of the leak that a calibration with a matched load claims, over the true one
NOISE = 0.01  # relative, of a reading of the reflection coefficient
WATTS = 4.0


@dataclass
class ForeignOutcome:
    """How a session ended.

    beyond_mm  by how much the element is shorter than its best length at the end
    needs      for each position the true change of length to the best, and its stated interval
    last       kind of the last advice
    worst      the highest SWR of the channels at the end, `best` at the best length
    middle     SWR on the middle channel at the end, `best_middle` at its own best length
    started    the highest SWR of the channels at the start
    admitted   whether it was said that a cut went too far
    """

    kind: str
    steps: int
    beyond_mm: float
    needs: list[tuple[float, float, float]]
    last: str
    worst: float
    best: float
    middle: float
    best_middle: float
    started: float
    admitted: bool

    @property
    def overcut(self) -> bool:
        return self.beyond_mm > 5.0

    @property
    def reached(self) -> bool:
        return self.middle <= max(1.3, self.best_middle + 0.1)

    @property
    def reached_worst(self) -> bool:
        return self.worst <= max(1.3, self.best + 0.1)

    @property
    def covered(self) -> float:
        return float(np.mean([low <= need <= high for need, low, high in self.needs]))


def cut_session(seed: int, kind: str, *, is_leak_known: bool = False) -> ForeignOutcome:
    """Cut an antenna that begins too long until the advice is to leave it.

    The calibration claims the leak of the poorest coupler or, with `is_leak_known`, that of this
    one with a little to spare.
    """
    antenna = replace(random_antenna(seed, kind), can_lengthen=False)
    person = CuttingSession(antenna, 1)
    leak = SPARE * person.leak if is_leak_known else 10 ** (-DIRECTIVITY_DB / 20)
    return _follow(person, CUTS, leak, cut=True)


def slide_session(seed: int, kind: str) -> ForeignOutcome:
    """Adjust an antenna that begins too long or too short, with few adjustments."""
    antenna = random_antenna(seed, kind)
    sign = 1.0 if seed % 2 else -1.0
    antenna = replace(
        antenna, can_lengthen=True, start_excess_share=sign * antenna.start_excess_share
    )
    person = CuttingSession(antenna, 1, forget_rate=0.0)
    return _follow(person, ADJUSTMENTS, 10 ** (-DIRECTIVITY_DB / 20), cut=False)


def _follow(person: CuttingSession, most: int, leak: float, *, cut: bool) -> ForeignOutcome:
    antenna, truth = person.antenna, person.antenna.truth
    channels = antenna.channels_khz
    setting = float(round(person.measured_start_mm))
    adjustment = Adjustment("mm", length_mm=setting, cut=cut)
    session = TuningSession(TuningState(adjustment, channels[1]))
    started = float(antenna.worst_swr(person.length_mm))
    needs, steps, admitted = [], 0, False
    while True:
        session.state.positions.append(
            Position(setting, [_read(person, f, leak) for f in channels])
        )
        advice = session.advice()
        need = truth.best_length_mm - person.length_mm
        needs.append((need, advice.longer_by.low, advice.longer_by.high))
        admitted = admitted or advice.overcut
        if advice.to is None or steps == most:
            break
        person.shorten(setting - advice.to)
        setting = advice.to
        steps += 1
    low, high = antenna.range_mm
    middle = antenna.swr(channels[1], np.linspace(low, high, 1201))
    return ForeignOutcome(
        antenna.kind,
        steps,
        truth.best_length_mm - person.length_mm,
        needs,
        advice.kind,
        float(antenna.worst_swr(person.length_mm)),
        truth.worst_swr,
        float(antenna.swr(channels[1], person.length_mm)),
        float(middle.min()),
        started,
        admitted,
    )


def _read(person: CuttingSession, frequency_khz: float, leak: float) -> ChannelReading:
    size = person.read_gamma(frequency_khz)
    reading = product_reading(
        np.array([WATTS]),
        np.array([WATTS * size**2]),
        np.array([1e-9]),
        np.array([(2 * NOISE) ** 2]),
        leak,
        0.0,
        np.array([True]),
    )
    return ChannelReading(
        frequency_khz, float(reading.swr[0]), float(reading.low[0]), float(reading.high[0])
    )
