"""What the bridge reads of the waves at the coupler: diodes, their capacitors, hum, converter.

The law of a diode is solved by `tests.coupler_model`; here it is tabulated. The capacitor behind
the diode charges and discharges towards what the law gives for the present wave, each with a time
constant of its own; constants are far below the time between pairs, so that only the last few
milliseconds before a pair count.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.coupler_model import FULL_SCALE_V, Port

Floats = NDArray[np.float64]

CELLS = 8192
ROOM_K = 294.0
TEMPERATURE_STEP_C = 0.25
SETTLED = 5.0  # time constants after which nothing is left of what was before
STEPS = 8


class Table:
    """A port's volts over the root of the watts it hears, to 0.1 µV; flat beyond the end."""

    def __init__(self, port: Port) -> None:
        self._port = port
        top = float(port.watts(1.2 * FULL_SCALE_V))
        self._per_root = CELLS / math.sqrt(top)
        roots = np.arange(CELLS + 1) / self._per_root
        self._volts = np.append(port.volts(roots**2), np.zeros(1))
        self._volts[-1] = self._volts[-2]

    def volts(self, root_watts: Floats) -> Floats:
        """(n,) -> (n,)."""
        place = np.minimum(root_watts * self._per_root, float(CELLS))
        cell = place.astype(np.int64)
        low = self._volts.take(cell)
        return np.asarray(low + (place - cell) * (self._volts.take(cell + 1) - low))


@functools.lru_cache(maxsize=256)
def table(port: Port, steps: int, r_is_per_c: float, zero_per_c: float) -> Table:
    """The port's table when it is `steps` of TEMPERATURE_STEP_C warmer than at the bench."""
    warmer = steps * TEMPERATURE_STEP_C
    return Table(
        replace(
            port,
            n_vt_v=port.n_vt_v * (1 + warmer / ROOM_K),
            r_is_v=port.r_is_v * math.exp(r_is_per_c * warmer),
            zero_v=port.zero_v + zero_per_c * warmer,
        )
    )


def follow(
    target: Callable[[Floats], tuple[Floats, Floats]],
    t: Floats,
    attack_s: float,
    decay_s: float,
) -> tuple[Floats, Floats]:
    """Volts of both capacitors at `t`, when they strive for `target` of earlier times, (n,)."""
    if not attack_s and not decay_s:
        return target(t)
    span_s = SETTLED * max(attack_s, decay_s)
    step_s = span_s / STEPS
    rise, fall = (1 - math.exp(-step_s / tau) if tau else 1.0 for tau in (attack_s, decay_s))
    both = target(t - span_s)
    for step in range(1, STEPS + 1):
        goals = target(t - (span_s - step * step_s))
        both = (
            both[0] + (goals[0] - both[0]) * np.where(goals[0] > both[0], rise, fall),
            both[1] + (goals[1] - both[1]) * np.where(goals[1] > both[1], rise, fall),
        )
    return both


@dataclass(frozen=True)
class Converter:
    """An analogue converter: `noise_lsb` is its deviation, `hum_lsb` the crest of the mains' hum
    on both detector lines."""

    bits: int = 12
    full_scale_v: float = FULL_SCALE_V
    noise_lsb: float = 1.0
    hum_lsb: float = 0.0
    hum_hz: float = 60.0

    @property
    def step_v(self) -> float:
        """One step."""
        return float(self.full_scale_v / 2**self.bits)

    @property
    def noise_v(self) -> float:
        """Deviation of one reading, hum and quantisation included."""
        return self.step_v * math.hypot(self.noise_lsb, self.hum_lsb / math.sqrt(2), 12**-0.5)

    def read(self, rng: np.random.Generator, t: Floats, volts: Floats, hum: float) -> Floats:
        """What is read of `volts` at `t`, (n,); `hum` is the part of the hum on this line."""
        steps = volts * (1 / self.step_v)
        steps += self.noise_lsb * rng.standard_normal(len(steps), dtype=np.float32)
        if self.hum_lsb:
            steps += hum * self.hum_lsb * np.sin(2 * np.pi * self.hum_hz * t)
        np.rint(steps, out=steps)
        np.clip(steps, 0, 2**self.bits - 1, out=steps)
        steps *= self.step_v
        return steps
