"""Analogue-to-digital converter of a small board: volts at its pins in, printed volts out.

A unipolar converter: an offset or noise that goes below ground reads 0 counts, anything above the
reference reads full scale. Order: hum and offset, curvature, noise, rounding, clipping, missing
codes, printing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Volts = NDArray[np.float64]


@dataclass(frozen=True)
class Converter:
    """Converter settings; offsets, noise, hum and curvature are in LSB, noise and hum rms."""

    bits: int = 10
    reference_v: float = 5.0
    offset_lsb: tuple[float, float] = (0.0, 0.0)  # forward, reflected
    noise_lsb: float = 0.5
    noise: str = "gaussian"  # or "uniform"
    hum_lsb: float = 0.0
    hum_hz: float = 50.0
    bow_lsb: float = 0.0  # integral nonlinearity at mid scale
    missing_codes: tuple[int, ...] = ()  # counts that read as the next lower one
    decimals: int | None = None  # of the printed volts; None: the exact volts of the count
    reports_step: bool = True  # the bridge declares its step (it prints counts)
    reports_full_scale: bool = True

    @property
    def top(self) -> int:
        """Highest count."""
        return (1 << self.bits) - 1

    @property
    def lsb_v(self) -> float:
        """Volts of one count."""
        return self.reference_v / self.top

    @property
    def step_v(self) -> tuple[float, float]:
        """Step of both channels as the bridge declares it, 0 if it does not."""
        return (self.lsb_v, self.lsb_v) if self.reports_step else (0.0, 0.0)

    @property
    def full_scale_v(self) -> float | None:
        """Reading of full scale as the bridge declares it."""
        return self.reference_v if self.reports_full_scale else None

    def count(self, volts: Volts, time_s: Volts, side: int, rng: np.random.Generator) -> Volts:
        """Return counts (n,) of volts (n,); `side` is 0 for forward and 1 for reflected."""
        x = volts * (1.0 / self.lsb_v)
        if self.bow_lsb:
            part = np.clip(volts / self.reference_v, 0.0, 1.0)
            x += 4.0 * self.bow_lsb * part * (1.0 - part)
        if self.hum_lsb:
            phase = 2.0 * np.pi * self.hum_hz * time_s + 0.7 * side
            x += (np.sqrt(2.0) * self.hum_lsb) * np.sin(phase)
        if self.noise == "gaussian":
            x += rng.standard_normal(len(x), dtype=np.float32) * np.float32(self.noise_lsb)
        else:
            width = self.noise_lsb * np.sqrt(12.0)
            x += (rng.random(len(x), dtype=np.float32) - np.float32(0.5)) * np.float32(width)
        x += self.offset_lsb[side]
        np.rint(x, out=x)
        np.clip(x, 0.0, float(self.top), out=x)
        if self.missing_codes:
            x -= np.isin(x, np.asarray(self.missing_codes, dtype=np.float64))
        return x

    def read(self, volts: Volts, time_s: Volts, side: int, rng: np.random.Generator) -> Volts:
        """Return the volts (n,) that the bridge prints."""
        printed = self.count(volts, time_s, side, rng)
        printed *= self.lsb_v
        return printed if self.decimals is None else np.round(printed, self.decimals)
