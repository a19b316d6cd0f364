"""Detection of a steady key-down: mean, noise and drift of its readings.

This module is responsible for when a key-down may be averaged. Input: blocks of pairs. Output: a
`SteadyReading`, or the reason to reject the key-down. Pure: the only clock is the times of pairs,
and results do not depend on how these were cut into blocks.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from drivers.contract import SampleBlock
from logger.blocks import Bools, Floats, Times
from logger.calibration.bench_points import BenchPoint
from logger.calibration.converter_step import common_step

SLICE_NS = 100_000_000  # pairs are judged in slices of this length
LEAST_READINGS = 8
BRIEF_S = 0.3  # a shorter key-down is a bounce
GAP_NS = 3_000_000_000  # longest pause between pairs within a key-down
DRIFT = 0.01  # share of the reading above its zero, over the averaging time
WEAK_DRIFT = 0.001  # share of the stronger reading, for the port with only a leak
SPREAD = 0.03  # a carrier that scatters more is modulated
SPREAD_SDS = 8.0  # standard deviations of the unkeyed noise
ERRORS = 3.0  # standard errors below which a drift is not significant
KEYED_SDS, KEYED_STEPS, KEYED_LEAST_V = 8.0, 4.0, 1e-3


class Level(NamedTuple):
    """One port over a time, volts.

    mean_v     mean
    sd_v       standard deviation of a single reading
    drift_v    change from the beginning to the end
    drift_u_v  standard error of that change
    """

    mean_v: float
    sd_v: float
    drift_v: float
    drift_u_v: float


@dataclass(frozen=True)
class SteadyReading:
    """Averages of the pairs of a stretch of `seconds`; see BenchPoint for the other fields."""

    forward: Level
    reflected: Level
    readings: int
    seconds: float
    frequency_khz: float | None
    temperature_c: float | None
    step_v: float
    full_scale_v: float | None

    def point(self, condition: str, power: float) -> BenchPoint:
        """Return the bench point; `power` is the value shown by the reference meter."""
        return BenchPoint(
            condition=condition,
            power_w=power,
            forward_v=self.forward.mean_v,
            reflected_v=self.reflected.mean_v,
            frequency_khz=self.frequency_khz,
            temperature_c=self.temperature_c,
            forward_sd_v=self.forward.sd_v,
            reflected_sd_v=self.reflected.sd_v,
            readings=self.readings,
            step_v=self.step_v or None,
            full_scale_v=self.full_scale_v,
        )


@dataclass(frozen=True)
class Quiet:
    """Both ports unkeyed: zero, standard deviation of a single reading, and step, volts."""

    zero_v: tuple[float, float]
    sd_v: tuple[float, float]
    step_v: float

    @classmethod
    def of(cls, point: BenchPoint) -> Quiet | None:
        """Create it from an unkeyed point; None if the point does not state the noise."""
        if point.forward_sd_v is None or point.reflected_sd_v is None:
            return None
        return cls(
            (point.forward_v, point.reflected_v),
            (point.forward_sd_v, point.reflected_sd_v),
            point.step_v or 0.0,
        )

    def keyed(self, forward_v: ArrayLike, reflected_v: ArrayLike) -> Bools:
        """Return a mask of pairs with a reading clear of its noise."""
        forward, reflected = (
            np.asarray(volts) - zero > max(KEYED_SDS * sd, KEYED_STEPS * self.step_v, KEYED_LEAST_V)
            for volts, zero, sd in zip(
                (forward_v, reflected_v), self.zero_v, self.sd_v, strict=True
            )
        )
        return np.asarray(forward | reflected)


def unsteady(reading: SteadyReading, quiet: Quiet | None) -> str | None:
    """Describe a drift that is too large for averaging; None if there is none.

    quiet  the unkeyed readings, None if `reading` is unkeyed itself
    """
    levels = (reading.forward, reading.reflected)
    zeros = quiet.zero_v if quiet else (reading.forward.mean_v, reading.reflected.mean_v)
    above = [abs(level.mean_v - zero) for level, zero in zip(levels, zeros, strict=True)]
    for port, name in enumerate(("forward", "reflected")):
        level = levels[port]
        if quiet is not None:
            most_v = max(SPREAD * above[port], SPREAD_SDS * quiet.sd_v[port], reading.step_v)
            if level.sd_v > most_v:
                return f"{name} scatters by {1e3 * level.sd_v:.1f} mV: is the carrier modulated?"
        most_v = max(
            DRIFT * above[port],
            WEAK_DRIFT * max(above),
            ERRORS * level.drift_u_v,
            reading.step_v,
        )
        if abs(level.drift_v) > most_v:
            return f"{name} drifts by {1e3 * level.drift_v:+.1f} mV in {reading.seconds:.1f} s"
    return None


class Trouble(enum.Enum):
    """Reasons to reject a key-down."""

    CLIPPED = enum.auto()  # at the end of the converter's range
    RELEASED = enum.auto()  # key released before the end of averaging
    TOO_LONG = enum.auto()  # not steady within the limit
    GAP = enum.auto()  # pairs stopped coming


class _Slice(NamedTuple):
    number: int
    values: Floats  # (4, n): forward, reflected, frequency, temperature


class Watch:
    """State machine that waits for a steady key-down and averages it.

    It waits until the key-down has settled and averages the last `average_s` seconds of it.

    quiet    the unkeyed readings; None to average at once, as for the unkeyed readings themselves
    limit_s  longest key-down, seconds
    """

    def __init__(self, quiet: Quiet | None, average_s: float, limit_s: float) -> None:
        self._quiet = quiet
        self._slices = max(1, round(average_s * 1e9 / SLICE_NS))
        self._limit_ns = limit_s * 1e9
        self._origin_ns: int | None = None
        self._times: Times = np.empty(0, dtype=np.int64)
        self._values: Floats = np.empty((4, 0))
        self._window: list[_Slice] = []
        self._down_ns: int | None = None
        self._last_ns = 0
        self._step_v = 0.0
        self._full_scale_v: float | None = None
        self.latest_v: tuple[float, float] | None = None

    @property
    def keyed_s(self) -> float | None:
        """Time since key-down in seconds, None if the key is up."""
        return None if self._down_ns is None else 1e-9 * (self._last_ns - self._down_ns)

    def update(self, block: SampleBlock) -> SteadyReading | Trouble | None:
        """Process pairs; return the steady reading or the reason to reject it, as soon as known."""
        nan = np.full(len(block), np.nan)
        fresh = [block.forward_v, block.reflected_v]
        fresh += [block.aux.get(name, nan) for name in ("frequency_khz", "temperature_c")]
        self.latest_v = (float(block.forward_v[-1]), float(block.reflected_v[-1]))
        self._step_v = max(block.step_v)
        self._full_scale_v = block.full_scale_v
        times = np.concatenate([self._times, block.time_ns])
        values = np.concatenate([self._values, np.stack(fresh)], axis=1)
        if self._origin_ns is None:
            self._origin_ns = int(times[0])
        number = (times - self._origin_ns) // SLICE_NS
        begin = 0
        for end in np.flatnonzero(np.diff(number)) + 1:
            outcome = self._judge(
                times[begin:end], _Slice(int(number[begin]), values[:, begin:end])
            )
            if outcome is not None:
                return outcome
            begin = int(end)
        self._times, self._values = times[begin:], values[:, begin:]
        return None

    def _judge(self, times: Times, part: _Slice) -> SteadyReading | Trouble | None:
        forward, reflected = part.values[:2]
        keyed = (
            np.ones(len(times), dtype=bool)
            if self._quiet is None
            else self._quiet.keyed(forward, reflected)
        )
        previous_ns, self._last_ns = self._last_ns, int(times[-1])
        if self._down_ns is None:
            if not keyed.all():
                return None
            self._down_ns = int(times[0])  # the carrier may still rise in this slice: not averaged
            return Trouble.CLIPPED if self._clipped(part) else None
        if int(times[0]) - previous_ns > GAP_NS:
            return Trouble.GAP
        if not keyed.any():
            brief = previous_ns - self._down_ns < BRIEF_S * 1e9
            self._down_ns = None
            self._window.clear()
            return None if brief else Trouble.RELEASED
        if self._clipped(part):
            return Trouble.CLIPPED
        if keyed.all():
            self._window.append(part)
        else:
            self._window.clear()
        self._forget()
        reading = self.reading() if self._full() else None
        if reading is not None and unsteady(reading, self._quiet) is None:
            return reading
        return Trouble.TOO_LONG if self._last_ns - self._down_ns > self._limit_ns else None

    def _clipped(self, part: _Slice) -> bool:
        if self._full_scale_v is None or self._quiet is None:
            return False
        return bool((part.values[:2] > self._full_scale_v - 1.5 * self._step_v).any())

    def _full(self, window: slice = slice(None)) -> bool:
        parts = self._window[window]
        return (
            bool(parts)
            and parts[-1].number - parts[0].number + 1 >= self._slices
            and sum(part.values.shape[1] for part in parts) >= LEAST_READINGS
        )

    def _forget(self) -> None:
        """Drop slices older than the averaging time."""
        while self._full(slice(1, None)):
            del self._window[0]

    def reading(self) -> SteadyReading | None:
        """Return the averages so far, None if there are too few readings for noise and drift."""
        if not self._window:
            return None
        values = np.concatenate([part.values for part in self._window], axis=1)
        if values.shape[1] < LEAST_READINGS:
            return None
        spans = self._window[-1].number - self._window[0].number + 1
        return SteadyReading(
            forward=level(values[0]),
            reflected=level(values[1]),
            readings=values.shape[1],
            seconds=1e-9 * SLICE_NS * spans,
            frequency_khz=_middle(values[2], above=0.0),
            temperature_c=_middle(values[3]),
            step_v=max(self._step_v, *(common_step(volts, self._step_v) for volts in values[:2])),
            full_scale_v=self._full_scale_v,
        )


def level(volts: Floats) -> Level:
    """Return mean, noise and drift of readings in order, (n,), n >= 4."""
    half = len(volts) // 2
    sd = float(volts.std(ddof=1))
    # The means of the halves are half the time apart, so the drift is twice their difference.
    drift = 2 * float(volts[-half:].mean() - volts[:half].mean())
    return Level(float(volts.mean()), sd, drift, 4 * sd / math.sqrt(len(volts)))


def _middle(values: Floats, above: float = -math.inf) -> float | None:
    values = values[values > above]
    return float(np.median(values)) if len(values) else None
