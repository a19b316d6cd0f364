"""Directional coupler, diode detectors and analogue to digital converter."""

from __future__ import annotations

import functools
import math
from typing import Annotated

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from drivers.simulated.station import Z0_OHM, ComplexArray, FloatArray, NotNegative, Positive

# Span of the detector table: below it, the volts are far under the step of any converter; above it
# lies no practical coupler. At this density, linear interpolation between logarithms is accurate to
# 1e-6.
LEAST_PEAK_V, MOST_PEAK_V, TABLE_POINTS = 1e-6, 1e3, 16385
SERIES_BELOW = 15.0  # ln I0: power series below, asymptotic series above; both exact to 1e-10
ATTACK_SPAN = 6.0  # length of the charging filter in attack time constants
DECAY_SPAN = 20.0  # decay time constants after which 2e-9 is left


class Port(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """One side of the coupler with its detector.

    n_vt_v and r_is_v are the constants of I0(Vp/(n Vt)) = (1 + V/(R Is)) exp(V/(n Vt)), in volts.
    The opposite wave leaks in by `directivity_db`, with the phase `leak_deg`.
    """

    coupling_db: Annotated[float, msgspec.Meta(description="Coupling.")] = 24.0
    directivity_db: Annotated[NotNegative, msgspec.Meta(description="Directivity.")] = 30.0
    leak_deg: Annotated[float, msgspec.Meta(description="Phase of the leak.")] = 0.0
    n_vt_v: Annotated[
        Positive, msgspec.Meta(description="Ideality factor times thermal voltage of the diode.")
    ] = 0.028
    r_is_v: Annotated[
        Positive, msgspec.Meta(description="Load resistance times saturation current of the diode.")
    ] = 0.004
    zero_v: Annotated[float, msgspec.Meta(description="Reading without power.")] = 0.004
    attack_ms: Annotated[NotNegative, msgspec.Meta(description="Time constant of charging.")] = 1.0
    decay_ms: Annotated[Positive, msgspec.Meta(description="Time constant of discharging.")] = 8.0


def _forward_port() -> Port:
    return Port(coupling_db=24.0, directivity_db=33.0, leak_deg=70.0)


def _reflected_port() -> Port:
    # Two diodes of one batch differ slightly.
    return Port(
        coupling_db=24.2,
        directivity_db=30.0,
        leak_deg=-140.0,
        n_vt_v=0.0285,
        r_is_v=0.0044,
        zero_v=0.0046,
    )


class SimulatedCoupler(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """Both ports. A port with some keys set takes the defaults of `Port` for the others."""

    forward: Port = msgspec.field(default_factory=_forward_port)
    reflected: Port = msgspec.field(default_factory=_reflected_port)


class Adc(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """The converter; `noise_lsb` is the rms noise of one reading in steps."""

    bits: Annotated[int, msgspec.Meta(ge=1, le=24, description="Resolution.")] = 12
    reference_v: Annotated[Positive, msgspec.Meta(description="Voltage at full scale.")] = 3.3
    noise_lsb: Annotated[
        NotNegative, msgspec.Meta(description="Noise of a reading, rms, in steps.")
    ] = 0.7

    @property
    def step_v(self) -> float:
        """Size of one step in volts."""
        return self.reference_v / 2.0**self.bits

    @property
    def full_scale_v(self) -> float:
        """Reading at which the converter clips, in volts."""
        return self.reference_v - self.step_v


def wave_ratios(coupler: SimulatedCoupler, reflection: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return |b| of the forward and the reflected port for an incident wave of 1."""
    gamma = np.asarray(reflection, dtype=np.complex128)
    forward = 1 + _leak(coupler.forward) * gamma
    reflected: ComplexArray = gamma + _leak(coupler.reflected)
    return np.asarray(np.abs(forward)), np.asarray(np.abs(reflected))


def _leak(port: Port) -> complex:
    size = 10.0 ** (-port.directivity_db / 20)
    return complex(size * np.exp(1j * math.radians(port.leak_deg)))


def peak_volts(port: Port, incident_w: ArrayLike, wave_ratio: ArrayLike) -> FloatArray:
    """Return the RF peak volts at the detector of `port`."""
    wave: FloatArray = np.sqrt(2 * Z0_OHM * np.asarray(incident_w, dtype=np.float64))
    return np.asarray(wave * 10.0 ** (-port.coupling_db / 20) * np.asarray(wave_ratio))


def ln_i0(x: ArrayLike) -> FloatArray:
    """Return ln I0(x) for x >= 0, precise also where I0 is nearly 1 or too large for a float."""
    x = np.asarray(x, dtype=np.float64)
    small = np.minimum(x, SERIES_BELOW)
    term, total = np.ones_like(x), np.zeros_like(x)
    for k in range(1, 45):
        term = term * (small / (2 * k)) ** 2
        total = total + term
    large = np.maximum(x, SERIES_BELOW)
    term, tail = np.ones_like(x), np.zeros_like(x)
    for k in range(1, 11):
        term = term * (2 * k - 1) ** 2 / (8 * k * large)
        tail = tail + term
    asymptotic = large - np.log(2 * np.pi * large) / 2 + np.log1p(tail)
    return np.asarray(np.where(x < SERIES_BELOW, np.log1p(total), asymptotic))


def detector_law(peak_v: ArrayLike, n_vt_v: float, r_is_v: float) -> FloatArray:
    """Solve the detector law for the DC volts of a steady carrier; slow and exact.

    The logarithm of the law is a rising concave function of V, so Newton's steps from 0 approach
    the root from below.
    """
    target = ln_i0(np.asarray(peak_v, dtype=np.float64) / n_vt_v)
    volts = np.zeros_like(target)
    for _ in range(60):
        miss = target - np.log1p(volts / r_is_v) - volts / n_vt_v
        step = miss / (1 / (r_is_v + volts) + 1 / n_vt_v)
        volts = np.maximum(volts + step, 0.0)
        if np.all(np.abs(step) <= 1e-14 * volts):
            break
    return volts


@functools.lru_cache(maxsize=16)
def _detector_table(n_vt_v: float, r_is_v: float) -> tuple[FloatArray, FloatArray]:
    ln_peak = np.linspace(math.log(LEAST_PEAK_V), math.log(MOST_PEAK_V), TABLE_POINTS)
    return ln_peak, np.log(detector_law(np.exp(ln_peak), n_vt_v, r_is_v))


def detector_volts(port: Port, peak_v: ArrayLike) -> FloatArray:
    """Return the DC volts of `port` for RF peak volts, from a table; without the zero offset."""
    ln_peak, ln_volts = _detector_table(port.n_vt_v, port.r_is_v)
    peak = np.maximum(np.asarray(peak_v, dtype=np.float64), LEAST_PEAK_V)
    return np.asarray(np.exp(np.interp(np.log(peak), ln_peak, ln_volts)))


def memory_s(port: Port) -> float:
    """Return the time in seconds over which past input affects the detector's output."""
    return (ATTACK_SPAN * port.attack_ms + DECAY_SPAN * port.decay_ms) * 1e-3


def hold(port: Port, volts: FloatArray, dt_s: float) -> FloatArray:
    """Return the response of the hold capacitor to evenly spaced `volts`: fast attack, slow decay.

    Charging is a short causal filter; after it, the output is the maximum of all earlier volts,
    each decayed since. In logarithms that is a running maximum, and nothing can overflow.
    """
    attack_s = port.attack_ms * 1e-3
    taps = np.ones(1)
    if attack_s > 0:
        reach = math.floor(ATTACK_SPAN * attack_s / dt_s) + 1
        taps = np.exp(-np.arange(reach) * dt_s / attack_s)
    charged = np.convolve(volts, taps / taps.sum())[: len(volts)]
    age = np.arange(len(volts)) * (dt_s / (port.decay_ms * 1e-3))
    ln_charged = np.log(np.maximum(charged, 1e-300)) + age
    return np.asarray(np.exp(np.maximum.accumulate(ln_charged) - age))


def convert(adc: Adc, volts: FloatArray, noise: NDArray[np.float64]) -> FloatArray:
    """Return `volts` as read by the converter; `noise` has unit variance."""
    steps = np.rint(volts / adc.step_v + adc.noise_lsb * noise)
    return np.asarray(np.clip(steps, 0, 2**adc.bits - 1) * adc.step_v)
