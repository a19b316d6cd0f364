"""Diode peak detectors: RF amplitude in, volts on the smoothing capacitor out.

The steady curve is either that of a diode with series resistance and a load resistor, solved
numerically over the RF cycle, or a curve through measured-looking points. The capacitor charges
towards the steady curve with the attack time constant; when the steady value is below it, it
discharges through the load towards zero until the diode conducts again.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.signal import lfilter
from scipy.special import wrightomega

Array = NDArray[np.float64]
Single = NDArray[np.float32]
NODES = 8192
STEP_C = 5.0  # between the temperatures at which curves are computed
CONVERGED_V = 3e-6

# saturation current in A at 20 degC, ideality, degC that double the current (common practice)
DIODES = {
    "germanium": (1.5e-6, 1.1, 10.0),
    "schottky": (5e-8, 1.06, 12.0),
    "silicon": (4e-9, 1.8, 10.0),
}


@dataclass(frozen=True)
class Detector:
    """One detector with what lies between it and the converter. Times in s, resistances in ohm.

    kind      a name of DIODES, or "measured"
    filter_s  time constant of an RC filter at the converter's pin, 0 if there is none
    tail      part of the volts that comes late, with `tail_s` (dielectric absorption, warming)
    """

    kind: str = "schottky"
    attack_s: float = 0.5e-3
    decay_s: float = 10e-3
    series_ohm: float = 300.0
    load_ohm: float = 47e3
    seed: int = 0  # of the measured-looking curve
    highest_v: float = 12.0  # RF amplitude at the end of the table
    filter_s: float = 0.0
    tail: float = 0.0
    tail_s: float = 0.5

    def curve(self, temperature_c: float) -> Array:
        """Return steady volts (NODES,) at amplitudes from 0 to `highest_v`, equally spaced."""
        if self.kind == "measured":
            return measured_curve(self.seed, self.highest_v) * (1 + 2e-4 * (temperature_c - 20))
        args = (self.kind, self.series_ohm, self.load_ohm, self.highest_v)
        step, weight = divmod(temperature_c / STEP_C, 1.0)
        colder, warmer = (diode_curve(*args, STEP_C * (step + n)) for n in (0, 1))
        return (1 - weight) * colder + weight * warmer

    def steady(self, amplitude_v: Array, temperature_c: float = 20.0) -> Array:
        """Return the steady volts (n,) at RF amplitudes (n,)."""
        return look_up(self.curve(temperature_c), amplitude_v * ((NODES - 1) / self.highest_v))

    def delay(self, volts: Single, fs_hz: float) -> Single:
        """Return capacitor volts (n,) after the pin's filter and with the tail, from rest."""
        if self.tail:
            volts = (1.0 - self.tail) * volts + self.tail * low_pass(volts, fs_hz, self.tail_s)
        return low_pass(volts, fs_hz, self.filter_s) if self.filter_s else volts


def low_pass(volts: Single, fs_hz: float, constant_s: float) -> Single:
    """Return volts (n,) behind a first-order low-pass that starts at 0."""
    keep = np.exp(-1.0 / (fs_hz * constant_s))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], volts), dtype=np.float32)


def look_up(table: NDArray[Any], position: Array) -> Array:
    """Interpolate an equally spaced table at fractional positions (n,)."""
    position = np.clip(position, 0.0, len(table) - 1.001)
    left = position.astype(np.int32)
    position -= left
    slope = np.diff(table, append=table[-1:])
    position *= slope[left]
    position += table[left]
    return position


@lru_cache(maxsize=64)
def diode_curve(
    kind: str, series_ohm: float, load_ohm: float, highest_v: float, temperature_c: float
) -> Array:
    """Return steady volts (NODES,) of a diode that feeds a load through its series resistance.

    The current over a cycle solves x = i*Rs + n*Vt*ln(1 + i/Is) for the voltage x across both,
    by the Wright omega function; its mean must be the load's current. Found by bisection.
    """
    saturation_20, ideality, doubling = DIODES[kind]
    saturation = saturation_20 * 2.0 ** ((temperature_c - 20.0) / doubling)
    thermal_v = ideality * 8.617e-5 * (temperature_c + 273.15)
    amplitude = highest_v * np.linspace(0.0, 1.0, 200) ** 2
    part = (np.arange(64) + 0.5) / 64  # angles crowd where the diode conducts
    angle, weight = np.pi * part**2, 2.0 * part / 64
    scale = thermal_v / series_ohm
    shift = np.log(saturation / scale) + saturation / scale
    wave = amplitude[:, None] * np.cos(angle)[None, :]
    low, high = np.zeros_like(amplitude), amplitude.copy()
    for _ in range(34):
        middle = 0.5 * (low + high)
        current = scale * wrightomega((wave - middle[:, None]) / thermal_v + shift) - saturation
        is_above = current @ weight > middle / load_ohm
        low, high = np.where(is_above, middle, low), np.where(is_above, high, middle)
    nodes = np.linspace(0.0, 1.0, NODES) * highest_v
    return np.asarray(PchipInterpolator(amplitude, low)(nodes))


@lru_cache(maxsize=64)
def measured_curve(seed: int, highest_v: float) -> Array:
    """Return a monotone curve (NODES,) through points that look taken by hand."""
    rng = np.random.default_rng(seed)
    knee, gain = rng.uniform(0.08, 0.3), rng.uniform(0.85, 0.98)
    amplitude = highest_v * np.linspace(0.0, 1.0, 25) ** 2
    volts = gain * amplitude**2 / (amplitude + knee)
    bend = 0.01 * np.sin(rng.uniform(0, 6) + np.linspace(0, rng.uniform(2, 7), 25))
    volts = np.maximum.accumulate(volts * (1.0 + bend + 0.002 * rng.standard_normal(25)))
    return np.asarray(PchipInterpolator(amplitude, volts)(np.linspace(0, highest_v, NODES)))


def piece_length(n: int, fs_hz: float, decay_s: float) -> int:
    """Return how many samples of n a piece of `follow` has: a few decays, or more if n is large."""
    return int(max(128.0, 4.0 * decay_s * fs_hz, np.sqrt(n) / 4))


def follow(steady_v: NDArray[Any], fs_hz: float, attack_s: Array, decay_s: Array) -> Single:
    """Return capacitor volts (channels, n) that follow steady volts (channels, n).

    The series is cut into pieces that run side by side; passes are repeated, each with the ends of
    the previous pass as starts, until they agree within CONVERGED_V, so the cut does not show.
    The capacitors are empty at the start.
    """
    channels, n = steady_v.shape
    length = piece_length(n, fs_hz, float(np.max(decay_s)))
    pieces = -(-n // length)
    padded = np.zeros((channels, pieces * length), dtype=np.float32)
    padded[:, :n] = steady_v
    # (length, channels * pieces): a step is a contiguous row
    drive = np.ascontiguousarray(padded.reshape(channels * pieces, length).T)
    rise, keep = (
        np.repeat(rates, pieces).astype(np.float32)
        for rates in (-np.expm1(-1.0 / (fs_hz * attack_s)), np.exp(-1.0 / (fs_hz * decay_s)))
    )
    out = np.empty_like(drive)
    start = drive[0].copy()
    first = np.arange(channels) * pieces
    start[first] = 0.0
    charged = np.empty_like(start)
    for _ in range(pieces + 1):
        volts = start
        for row, result in zip(drive, out, strict=True):
            np.subtract(row, volts, out=charged)
            np.multiply(charged, rise, out=charged)
            np.add(charged, volts, out=charged)
            np.minimum(charged, row, out=charged)  # the steady value, if that is below
            np.multiply(volts, keep, out=result)
            np.maximum(result, charged, out=result)
            volts = result
        following = np.roll(volts, 1)
        following[first] = 0.0
        gap = float(np.max(np.abs(following - start)))
        start = following
        if gap < CONVERGED_V:
            break
    return np.ascontiguousarray(out.T).reshape(channels, pieces * length)[:, :n]
