"""Invented stations to be adjusted: a whip of some millimetres, a line with loss and delay, and a
coupler with a leak. Written from the circuit, independent of what the package fits.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field

import numpy as np

from logger.physics.reflection import estimate as product_reading
from logger.tune.positions import ChannelReading

MHZ = (26.965, 27.185, 27.405)
OHM = 50.0
LIGHT_M_PER_S = 299_792_458.0
DIRECTIVITY_DB = 25.0
SETTING_MM = 2.0
NOISE = 0.003  # relative, of each reading of the reflected wave
WATTS = 4.0


@dataclass
class Station:
    """An antenna whose resonance at `setting_mm` is `mhz`; see `random_station`."""

    mhz: float
    setting_mm: float
    exponent: float  # resonance goes with setting ** -exponent
    r_ohm: float
    q: float
    line_m: float
    loss_db: float
    velocity: float
    leak: complex
    rng: np.random.Generator = field(repr=False)
    off_mm: float = 0.0

    def set(self, mm: float) -> None:
        """Set the whip as well as a person can."""
        self.off_mm = mm + float(self.rng.normal(0, SETTING_MM))

    @property
    def resonance_mhz(self) -> float:
        """True resonance as it is set."""
        return float(self.mhz * (self.off_mm / self.setting_mm) ** -self.exponent)

    def at_antenna(self, mhz: float, resonance_mhz: float | None = None) -> complex:
        """Reflection coefficient at the antenna: R, L and C in series."""
        resonance = resonance_mhz or self.resonance_mhz
        henry = self.q * self.r_ohm / (2 * math.pi * resonance * 1e6)
        farad = 1 / (henry * (2 * math.pi * resonance * 1e6) ** 2)
        omega = 2 * math.pi * mhz * 1e6
        z = self.r_ohm + 1j * omega * henry + 1 / (1j * omega * farad)
        return (z - OHM) / (z + OHM)

    def at_radio(self, mhz: float, resonance_mhz: float | None = None) -> complex:
        """The same through the line."""
        nepers = self.loss_db / 20 * math.log(10)
        radians = 2 * math.pi * mhz * 1e6 * self.line_m / (self.velocity * LIGHT_M_PER_S)
        return self.at_antenna(mhz, resonance_mhz) * cmath.exp(-2 * (nepers + 1j * radians))

    def true_swr(self, mhz: float, resonance_mhz: float | None = None) -> float:
        """SWR at the radio by an ideal coupler."""
        size = abs(self.at_radio(mhz, resonance_mhz))
        return (1 + size) / (1 - size)

    def read(self, mhz: float) -> ChannelReading:
        """What the product's reading would be."""
        size = abs(self.at_radio(mhz) + self.leak) * (1 + self.rng.normal(0, NOISE))
        told = product_reading(
            np.array([WATTS]),
            np.array([WATTS * size**2]),
            np.array([1e-9]),
            np.array([(2 * NOISE) ** 2]),
            10 ** (-DIRECTIVITY_DB / 20),
            0.0,
            np.array([True]),
        )
        return ChannelReading(
            1e3 * mhz, float(told.swr[0]), float(told.low[0]), float(told.high[0])
        )


def random_station(seed: int) -> Station:
    """R 20 to 90 ohm, Q 6 to 30, up to 1.2 MHz off; 2 to 40 m of line with 0.1 to 2 dB."""
    rng = np.random.default_rng(seed)
    line_m = float(rng.uniform(2, 40))
    mhz = MHZ[1] + float(rng.uniform(-1.2, 1.2))
    setting_mm = float(rng.uniform(2400, 2900))
    made = Station(
        mhz=mhz,
        setting_mm=setting_mm,
        exponent=float(np.exp(rng.normal(0, 0.12))),
        r_ohm=float(rng.uniform(20, 90)),
        q=float(rng.uniform(6, 30)),
        line_m=line_m,
        loss_db=float(rng.uniform(0.1, 2.0)),
        velocity=float(rng.choice([0.66, 0.8])),
        leak=10 ** (-DIRECTIVITY_DB / 20) * cmath.exp(1j * rng.uniform(0, 2 * math.pi)),
        rng=rng,
    )
    made.set(setting_mm)
    return made
