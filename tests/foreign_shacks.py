"""Weeks of a station whose shack cools or warms, transmission by transmission, and of wet lines.

The detectors follow the published law of `tests/references/detector_statements.yaml`, solved by
bisection for a diode at its own temperature: its saturation current doubles every `doubling_c`
degrees. The readings are converted to watts by a calibration of the same diodes at 21 °C, which
states no temperature coefficient. Invented data; everything is deterministic by seed.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.special import ive

from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile, Port, Valid
from logger.diagnosis.history import (
    ALARMS,
    EXCURSIONS,
    SECONDS,
    UNKEYED,
    History,
    columns,
)
from logger.diagnosis.temperature import ln_rho_per_c
from tests.foreign_stations import EPOCH_NS

Array = np.ndarray
BOLTZMANN_V = 8.617333e-5  # per kelvin
BENCH_C = 21.0
BEFORE, AFTER, A_DAY = 14, 14, 6  # days, days, transmissions a day
DAY_NS = 86_400 * 10**9
# saturation current in A at 21 degrees, ideality
DIODES = {"germanium": (1.5e-6, 1.1), "schottky": (2.2e-8, 1.08), "silicon": (4e-9, 1.8)}
SETTINGS = ((1.0,), (0.2,), (1.0, 0.25), (1.0, 0.3, 0.1))  # parts of the full power


class Diode(NamedTuple):
    """A detector with its load resistance."""

    saturation_a: float
    ideality: float
    load_ohm: float
    doubling_c: float

    def parameters(self, celsius: Array) -> tuple[Array, Array]:
        """Return n Vt and R Is in volts at temperatures (n,)."""
        warmer = 2.0 ** ((celsius - BENCH_C) / self.doubling_c)
        n_vt = self.ideality * BOLTZMANN_V * (celsius + 273.15)
        return n_vt, self.load_ohm * self.saturation_a * warmer

    def volts(self, peak_v: Array, celsius: Array) -> Array:
        """Return the direct voltages at peak voltages and temperatures (n,)."""
        n_vt, r_is = self.parameters(celsius)
        x = peak_v / n_vt
        drive = np.log(ive(0, x)) + x
        low, high = np.zeros_like(peak_v), peak_v.copy()
        for _ in range(60):
            middle = 0.5 * (low + high)
            is_below = np.log1p(middle / r_is) + middle / n_vt < drive
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        return low


def calibrate(diode: Diode, gain: float) -> CalibrationFile:
    """Return the calibration of two such detectors, `gain` volts of the peak at 1 W, at BENCH_C."""
    n_vt, r_is = (float(value) for value in diode.parameters(np.array(BENCH_C)))
    port = Port(coupling_db=-20 * math.log10(gain / 10), n_vt_v=n_vt, r_is_v=r_is)  # 10: sqrt(2 Z)
    span = 0.0, 5.0
    return CalibrationFile(
        mismatchd_calibration=1, date="2026-01-01", forward=port, reflected=port,
        valid=Valid(forward_v=span, reflected_v=span, forward_w=span, reflected_w=span),
    )  # fmt: skip


def render(seed: int, warmer_c: float = 0.0, load: complex = 0.0, loss_db: float = 0.0) -> History:
    """Return four weeks; over the last two shack or line change steadily.

    `warmer_c` is the change of the shack's temperature at the end, `load` that of the reflection
    (times a random phase common to all channels), `loss_db` that of the line's loss, one way.
    """
    rng = np.random.default_rng([21, seed])
    saturation, ideality = DIODES[str(rng.choice(list(DIODES)))]
    diode = Diode(
        saturation, ideality, float(rng.choice([10e3, 22e3, 47e3])), float(rng.uniform(8, 13))
    )
    full_w = float(rng.choice([4.0, 10.0]))
    gain = float(rng.uniform(0.8, 2.5)) / np.sqrt(full_w)  # volts of the peak at 1 W
    settings = SETTINGS[rng.integers(len(SETTINGS))]
    channels = [(20,), (3, 38), (1, 20, 40)][rng.integers(3)]
    level = rng.uniform(0.06, 0.25) * np.exp(2j * np.pi * rng.random())
    tilt = rng.uniform(0.0005, 0.002) * np.exp(2j * np.pi * rng.random())

    day = np.repeat(np.arange(BEFORE + AFTER), A_DAY)
    progress = np.clip((day - BEFORE + 1) / AFTER, 0, 1)
    channel = rng.choice(channels, len(day)).astype(float)
    weather = (0.02 * level * rng.standard_normal(BEFORE + AFTER))[day]
    gamma = level + tilt * (channel - 20) + weather + load * progress * level / abs(level)
    rho = np.abs(gamma) * 10 ** (-loss_db * progress / 10)
    rho = np.clip(rho + 0.002 * rng.standard_normal(len(day)), 0.005, 0.95)
    watts = 0.85 * full_w * rng.choice(settings, len(day))
    watts *= np.exp(0.01 * rng.standard_normal(len(day)))
    celsius = BENCH_C + rng.uniform(-3, 3) + warmer_c * progress + rng.normal(0, 1, len(day))

    coupler = Coupler(calibrate(diode, gain))
    peaks = gain * np.sqrt(watts), gain * np.sqrt(watts) * rho
    noise_v = rng.normal(0, 2e-5, (2, len(day)))
    read_w = [
        law.watts(diode.volts(peak, celsius) + noise)
        for peak, law, noise in zip(
            peaks, (coupler.forward, coupler.reflected), noise_v, strict=True
        )
    ]
    read_rho = np.clip(np.sqrt(np.maximum(read_w[1], 0) / read_w[0]), 0.0, 0.98)
    swr = (1 + read_rho) / (1 - read_rho)
    start_ns = EPOCH_NS + day * DAY_NS + np.tile(np.arange(A_DAY), BEFORE + AFTER) * 60 * 10**9
    figures = {
        "id": np.arange(len(day)),
        "start_ns": start_ns,
        "end_ns": start_ns + 20 * 10**9,
        "channel": channel,
        "forward_w_mean": read_w[0],
        "forward_w_max": 1.03 * read_w[0],
        "reflected_w_mean": read_w[1],
        "swr": swr,
        "swr_noise_low": swr - 0.003,
        "swr_noise_high": swr + 0.003,
        "settled_samples": np.full(len(day), 900),
        "flags": np.zeros(len(day), np.int64),
    }
    return History(
        EPOCH_NS,
        int(start_ns[-1]) + DAY_NS,
        figures,
        columns(dict.fromkeys(SECONDS, float), []),
        columns(dict.fromkeys(EXCURSIONS, float), []),
        {**columns(ALARMS, []), "kind": np.array([], object)},
        columns(dict.fromkeys(UNKEYED, float), []),
        np.array([], np.int64),
        per_c=ln_rho_per_c(coupler, read_w[0], read_rho),
    )
