"""Blocks of calibrated pairs that the stages exchange."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bits = NDArray[np.uint8]
Places = NDArray[np.intp]

QUICK = -1.0  # `PowerBlock.below` for detectors that do not hold a reading for long


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of the converters, and quantities derived from it.

    sd_v       standard deviation of one forward and one reflected reading, rounding included, volts
    zero_u_v   standard uncertainty of the zero of both, volts
    step_v     converter step of both, volts; 0 if unknown
    bias_v     bound of the error of both that averaging does not reduce and that differs between
               levels: rounding without noise, a zero below the converter's lower end; volts
    """

    sd_v: tuple[float, float]
    zero_u_v: tuple[float, float]
    step_v: tuple[float, float] = (0.0, 0.0)
    bias_v: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PowerBlock:
    """Calibrated pairs in time order; all arrays (n,).

    time_ns      int64 UTC nanoseconds, strictly increasing
    forward_v    volts as returned by the driver; reflected_v likewise
    forward_w    incident power in watts; slightly negative values are noise about zero and are
                 kept so that averages stay unbiased; reflected_w likewise
    flags        uint8 bits of `rows.Flag`
    settled      the detectors have followed the envelope (see `settling`)
    aux          further columns by name
    below        how far the forward reading is below the discharge curve of earlier readings, as a
                 logarithm; < 0 for detectors that hold nothing for long (see `settling.Settled`)
    hidden       estimated share of the measured power that was not present, because the detectors
                 held an earlier crest; None if no pair is affected
    """

    time_ns: Times
    forward_v: Floats
    reflected_v: Floats
    forward_w: Floats
    reflected_w: Floats
    flags: Bits
    settled: Bools
    aux: Mapping[str, Floats]
    below: Floats | None = None
    hidden: Floats | None = None

    def __len__(self) -> int:
        return len(self.time_ns)

    def __getitem__(self, part: slice) -> PowerBlock:
        return PowerBlock(
            self.time_ns[part],
            self.forward_v[part],
            self.reflected_v[part],
            self.forward_w[part],
            self.reflected_w[part],
            self.flags[part],
            self.settled[part],
            {name: column[part] for name, column in self.aux.items()},
            None if self.below is None else self.below[part],
            None if self.hidden is None else self.hidden[part],
        )


def steps_from(previous_ns: int | None, times: Times) -> Times:
    """Return the time of each pair since the one before, (n,) -> (n,), 0 at first if there is none.

    As `np.diff`, which costs small blocks more than the rest of a rule.
    """
    steps = np.empty_like(times)
    steps[0] = 0 if previous_ns is None else times[0] - previous_ns
    np.subtract(times[1:], times[:-1], out=steps[1:])
    return steps


def join(blocks: list[PowerBlock]) -> PowerBlock:
    """Join consecutive blocks; an auxiliary column is NaN where a block lacks it."""
    if len(blocks) == 1:
        return blocks[0]
    hidden = None
    if any(block.hidden is not None for block in blocks):
        hidden = np.concatenate(
            [np.zeros(len(b)) if b.hidden is None else b.hidden for b in blocks]
        )
    names = {name: None for block in blocks for name in block.aux}
    return PowerBlock(
        np.concatenate([b.time_ns for b in blocks]),
        np.concatenate([b.forward_v for b in blocks]),
        np.concatenate([b.reflected_v for b in blocks]),
        np.concatenate([b.forward_w for b in blocks]),
        np.concatenate([b.reflected_w for b in blocks]),
        np.concatenate([b.flags for b in blocks]),
        np.concatenate([b.settled for b in blocks]),
        {
            name: np.concatenate([b.aux.get(name, np.full(len(b), np.nan)) for b in blocks])
            for name in names
        },
        None,
        hidden,
    )
