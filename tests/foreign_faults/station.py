"""The sound station: antenna, line, coupler and detectors, and what an instrument reads of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np

from tests.foreign_faults.draws import Floats, Integers, Random, Waves, log_uniform

MIDDLE_KHZ = 27_205.0
FIRST_KHZ, SPACING_KHZ = 26_965.0, 10.0  # of channel 1, between channels


@dataclass(frozen=True)
class Station:
    """What stays as it was built.

    The antenna is a series resonator of `antenna_ohm` and `q`. The line has `line_db` and
    `line_rad` at 27.205 MHz, one way; water gathers at `low_point` (0 at the radio). `leaks` are
    those of the coupler into the forward and the reflected port; `leaks[1]` is its ghost. Gain
    errors in dB. `source` is the reflection of the transmitter. `pair_noise` is rms of |Gamma| of a
    pair at 4 W FM; `sway` rms of |Gamma| by wind at 8 m/s.
    """

    resonance_khz: float
    antenna_ohm: float
    q: float
    line_db: float
    line_rad: float
    low_point: float
    leaks: tuple[complex, complex]
    gain_db: tuple[float, float]
    gain_db_per_degree: tuple[float, float]
    source: complex
    folds_back: bool
    pair_hz: float
    pair_noise: float
    sway: float
    wet_khz: float
    khz_per_degree: float
    leaves_khz: float
    channels: tuple[int, ...]
    powers_w: dict[str, float]
    mode_shares: tuple[float, float, float]  # FM, AM, SSB

    @property
    def directivity(self) -> float:
        """Magnitude of the coupler's leakage into the reflected port."""
        return abs(self.leaks[1])

    @classmethod
    def draw(cls, rng: Random) -> Self:
        """Draw a plausible station."""
        metres = rng.uniform(8, 40)
        leaks = 10 ** (-rng.uniform(20, 33, 2) / 20) * np.exp(2j * np.pi * rng.random(2))
        modes = np.array([[1, 0, 0], [0.8, 0.2, 0], [0.1, 0.1, 0.8], [0.6, 0.1, 0.3]])
        return cls(
            resonance_khz=MIDDLE_KHZ + rng.uniform(-350, 350),
            antenna_ohm=rng.uniform(36, 68),
            q=rng.uniform(9, 22),
            line_db=metres * rng.uniform(0.035, 0.08),
            line_rad=2 * np.pi * metres / (11.02 * rng.choice([0.66, 0.8])),
            low_point=rng.uniform(0.1, 0.9),
            leaks=(complex(leaks[0]), complex(leaks[1])),
            gain_db=(rng.normal(0, 0.2), rng.normal(0, 0.2)),
            gain_db_per_degree=(rng.normal(0, 0.004), rng.normal(0, 0.004)),
            source=complex(rng.uniform(0, 0.2) * np.exp(2j * np.pi * rng.random())),
            folds_back=bool(rng.random() < 0.4),
            pair_hz=float(rng.choice([100, 200, 500, 1000])),
            pair_noise=log_uniform(rng, 0.0015, 0.008),
            sway=log_uniform(rng, 0.0005, 0.003),
            wet_khz=rng.uniform(0, 60),
            khz_per_degree=rng.normal(0, 0.8),
            leaves_khz=float(rng.choice([0, 0, 25])),
            channels=tuple(
                sorted(rng.choice(np.arange(1, 41), rng.integers(1, 5), False).tolist())
            ),
            powers_w={"fm": 4.0, "am": float(rng.choice([1, 4])), "ssb": 12.0},
            mode_shares=tuple(modes[rng.choice(4, p=[0.5, 0.2, 0.1, 0.2])].tolist()),
        )


def frequency_khz(channel: Integers) -> Floats:
    """Return frequencies of channels."""
    return np.asarray(FIRST_KHZ + SPACING_KHZ * (channel - 1.0))


@dataclass(frozen=True)
class Feedline:
    """Condition of antenna, line and detectors at n moments, arrays (n,).

    `mast_ohm` and `radio_ohm` are complex impedances in series with the plugs there, `water` is the
    susceptance across the line at its low point, in units of 1/50 S.
    """

    khz: Floats
    resonance_khz: Floats
    wet_db: Floats
    water: Floats
    mast_ohm: Waves
    radio_ohm: Waves
    forward_db: Floats
    reflected_db: Floats

    def take(self, index: Integers) -> Feedline:
        """Return the condition at some of the moments."""
        return Feedline(**{name: column[index] for name, column in vars(self).items()})

    def add(self, **changes: Any) -> Feedline:
        """Return the condition with changes added to some columns."""
        return replace(self, **{name: getattr(self, name) + x for name, x in changes.items()})


def antenna_reflection(station: Station, line: Feedline) -> Waves:
    """Return Gamma (n,) at the antenna's terminals."""
    off = line.khz / line.resonance_khz - line.resonance_khz / line.khz
    z = station.antenna_ohm * (1 + 1j * station.q * off) / 50.0
    return np.asarray((z - 1) / (z + 1))


def coupler_reflection(station: Station, line: Feedline) -> Waves:
    """Return Gamma (n,) at the coupler."""
    loss_db = station.line_db * np.sqrt(line.khz / MIDDLE_KHZ) + line.wet_db
    rad = station.line_rad * line.khz / MIDDLE_KHZ
    low = station.low_point
    gamma = _insert_series(antenna_reflection(station, line), line.mast_ohm)
    gamma = _travel(gamma, loss_db * (1 - low), rad * (1 - low))
    y = (1 - gamma) / (1 + gamma) + 1j * line.water
    gamma = _travel((1 - y) / (1 + y), loss_db * low, rad * low)
    return _insert_series(gamma, line.radio_ohm)


def _insert_series(gamma: Waves, ohm: Waves) -> Waves:
    z = (1 + gamma) / (1 - gamma) + ohm / 50.0
    return np.asarray((z - 1) / (z + 1))


def _travel(gamma: Waves, loss_db: Floats, rad: Floats) -> Waves:
    return np.asarray(gamma * 10 ** (-loss_db / 10) * np.exp(-2j * rad))


def contact_ohm(resistance: Floats, khz: Floats) -> Waves:
    """Return the impedance of a bad contact: its resistance beside 3 pF."""
    return np.asarray(1 / (1 / resistance + 2j * np.pi * khz * 1e3 * 3e-12))


@dataclass(frozen=True)
class Reading:
    """Watts that the instrument states without noise, and the true |Gamma| at the coupler, (n,)."""

    forward_w: Floats
    reflected_w: Floats
    true_rho: Floats

    @property
    def rho(self) -> Floats:
        """|Gamma| as read."""
        return np.sqrt(self.reflected_w / self.forward_w)


def read(station: Station, line: Feedline, mean_w: Floats) -> Reading:
    """Return the reading of a transmitter of `mean_w` (n,) into a matched load."""
    gamma = coupler_reflection(station, line)
    rho = np.abs(gamma)
    incident = mean_w / np.abs(1 - station.source * gamma) ** 2
    if station.folds_back:
        incident = incident * np.where(rho > 0.5, np.clip((1 - rho**2) / 0.75, 0.15, 1), 1)
    forward = np.abs(1 + station.leaks[0] * gamma) ** 2 * 10 ** (line.forward_db / 10)
    reflected = np.abs(gamma + station.leaks[1]) ** 2 * 10 ** (line.reflected_db / 10)
    return Reading(incident * forward, incident * reflected, rho)
