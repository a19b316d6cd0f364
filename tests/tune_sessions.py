"""A person with a whip, a key and the advice; and another with the rule of thumb alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from logger.tune.advice import advise
from logger.tune.estimate import estimate
from logger.tune.positions import Adjustment, ChannelReading, Position
from tests.tune_stations import MHZ, Station

ADJUSTMENTS = 4
INCH_MM = 25.0


@dataclass
class Outcome:
    """`inside`: for each position, whether the true resonance was in the interval; `widths` kHz."""

    adjustments: int
    swr: float
    best: float
    inside: list[bool]
    widths: list[float]
    said: list[str]

    @property
    def reached(self) -> bool:
        return self.swr <= 1.3 or self.swr <= self.best + 0.1


def advised(station: Station) -> Outcome:
    """Follow the advice for ADJUSTMENTS at most; go back if it says that an earlier one is best."""
    adjustment = Adjustment("mm")
    positions = [_read(station, station.setting_mm)]
    inside, widths, said = [], [], []
    while True:
        posterior = estimate(adjustment, positions)
        advice = advise(adjustment, positions, posterior, 1e3 * MHZ[1])
        its = advice.resonance_khz
        inside.append(its.low <= 1e3 * station.resonance_mhz <= its.high)
        widths.append(its.high - its.low)
        said.append(advice.kind)
        if advice.to is None or len(positions) > ADJUSTMENTS:
            break
        station.set(advice.to)
        positions.append(_read(station, advice.to))
    return _outcome(station, len(positions) - 1, inside, widths, said)


def by_thumb(station: Station) -> Outcome:
    """Lower on the low channel: an inch shorter, or two from SWR 3 on; the other way round:
    longer; half as much after turning round. Enough where both ends are within 0.1 or the middle is
    below 1.3."""
    setting, step, before, done = station.setting_mm, INCH_MM, 0.0, 0
    while done < ADJUSTMENTS:
        low, middle, high = (each.swr for each in _read(station, setting).readings)
        if abs(low - high) < 0.1 or middle <= 1.3:
            break
        way = -1.0 if low < high else 1.0
        if way * before < 0:
            step /= 2
        before = way
        setting += way * step * (2 if middle >= 3 else 1)
        station.set(setting)
        done += 1
    return _outcome(station, done, [], [], [])


def played(make: Callable[[int], Station], seed: int) -> tuple[Outcome, Outcome]:
    """The same station adjusted by advice and by thumb."""
    return advised(make(seed)), by_thumb(make(seed))


def _read(station: Station, setting: float) -> Position:
    readings: list[ChannelReading] = [station.read(mhz) for mhz in MHZ]
    return Position(setting, readings)


def _outcome(
    station: Station, done: int, inside: list[bool], widths: list[float], said: list[str]
) -> Outcome:
    middle = MHZ[1]
    best = station.true_swr(middle, resonance_mhz=middle)
    return Outcome(done, station.true_swr(middle), best, inside, widths, said)
