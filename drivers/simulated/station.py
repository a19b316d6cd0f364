"""Antenna, feedline and plugs as one complex reflection coefficient at the coupler."""

from __future__ import annotations

from typing import Annotated, Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

Z0_OHM = 50.0
LIGHT_M_S = 299_792_458.0
# A contact is never perfect: these bounds keep the arithmetic finite and change no reading.
LEAST_SHUNT_OHM = 1e-3
MOST_SERIES_OHM = 1e9

Positive = Annotated[float, msgspec.Meta(gt=0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0)]
ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]


class Cable(NamedTuple):
    """Loss k1*sqrt(f/MHz) + k2*f/MHz in dB per 100 ft, and the velocity factor."""

    k1: float
    k2: float
    velocity_factor: float


# Fitted to nominal data sheet points from 1 to 100 MHz (tests/references/coax_k1_k2.csv).
CABLES = {
    "RG-58": Cable(0.40008, 0.015658, 0.66),
    "RG-8X": Cable(0.28926, 0.001559, 0.82),
    "RG-213": Cable(0.16738, 0.002273, 0.66),
}
M_PER_100_FT = 30.48


class Antenna(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """A series resonant antenna: `r_ohm` at resonance `f0_mhz`, quality factor `q`."""

    r_ohm: Annotated[Positive, msgspec.Meta(description="Resistance at resonance.")] = 42.0
    q: Annotated[NotNegative, msgspec.Meta(description="Quality factor.")] = 9.0
    f0_mhz: Annotated[Positive, msgspec.Meta(description="Resonance.")] = 27.15


class Line(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """A 50 ohm feedline, by designation or by its own constants (both k1 and k2, dB per 100 m)."""

    length_m: Annotated[NotNegative, msgspec.Meta(description="Length of the line.")] = 18.0
    cable: Annotated[
        Literal["RG-58", "RG-8X", "RG-213"], msgspec.Meta(description="Designation of the cable.")
    ] = "RG-58"
    k1_db_100m: Annotated[
        NotNegative | None,
        msgspec.Meta(
            description="Loss per 100 m that grows with the square root of the frequency in MHz."
        ),
    ] = None
    k2_db_100m: Annotated[
        NotNegative | None,
        msgspec.Meta(description="Loss per 100 m that grows with the frequency in MHz."),
    ] = None
    velocity_factor: Annotated[
        Annotated[float, msgspec.Meta(gt=0, le=1)] | None,
        msgspec.Meta(description="Velocity factor; default: that of the cable."),
    ] = None

    def __post_init__(self) -> None:
        if (self.k1_db_100m is None) != (self.k2_db_100m is None):
            raise ValueError("k1_db_100m and k2_db_100m go together: give both or neither")


class Station(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """Load of the coupler's antenna port; both plugs are sound unless a fault applies."""

    antenna: Antenna = msgspec.field(default_factory=Antenna)
    line: Line = msgspec.field(default_factory=Line)


class Contact(NamedTuple):
    """State of a plug in ohms, scalars or arrays: in series, and across the line."""

    series_ohm: ArrayLike = 0.0
    shunt_ohm: ArrayLike = np.inf


SOUND = Contact()


def antenna_impedance(antenna: Antenna, frequency_mhz: ArrayLike) -> ComplexArray:
    """Return R(1 + jQ(f/f0 - f0/f)) in ohms, with the shape of `frequency_mhz`."""
    ratio = np.asarray(frequency_mhz, dtype=np.float64) / antenna.f0_mhz
    return np.asarray(antenna.r_ohm * (1 + 1j * antenna.q * (ratio - 1 / ratio)))


def line_loss_db(line: Line, frequency_mhz: ArrayLike) -> FloatArray:
    """Return the matched loss of the whole line, one way, in dB."""
    cable = CABLES[line.cable]
    k1, k2 = cable.k1 / M_PER_100_FT * 100, cable.k2 / M_PER_100_FT * 100
    if line.k1_db_100m is not None and line.k2_db_100m is not None:
        k1, k2 = line.k1_db_100m, line.k2_db_100m
    frequency = np.asarray(frequency_mhz, dtype=np.float64)
    return np.asarray((k1 * np.sqrt(frequency) + k2 * frequency) * line.length_m / 100)


def through_line(line: Line, frequency_mhz: ArrayLike, reflection: ArrayLike) -> ComplexArray:
    """Return the reflection at the near end of the line from that at its far end."""
    velocity = line.velocity_factor or CABLES[line.cable].velocity_factor
    frequency = np.asarray(frequency_mhz, dtype=np.float64)
    phase = 4 * np.pi * frequency * 1e6 * line.length_m / (velocity * LIGHT_M_S)
    attenuation = 10 ** (-2 * line_loss_db(line, frequency) / 20)
    return np.asarray(np.asarray(reflection) * attenuation * np.exp(-1j * phase))


def through_contact(contact: Contact, reflection: ArrayLike) -> ComplexArray:
    """Return the reflection in front of a plug from that behind it.

    Adding a resistance in series or across is a bilinear map of the reflection; in this form, an
    open or shorted far end needs no infinite impedance.
    """
    behind = np.asarray(reflection, dtype=np.complex128)
    series = np.minimum(contact.series_ohm, MOST_SERIES_OHM) / Z0_OHM * (1 - behind)
    behind = (2 * behind + series) / (2 + series)
    shunt = Z0_OHM / np.maximum(contact.shunt_ohm, LEAST_SHUNT_OHM) * (1 + behind)
    return np.asarray((2 * behind - shunt) / (2 + shunt))


def reflection_at_coupler(
    station: Station,
    frequency_mhz: ArrayLike,
    shack_plug: Contact = SOUND,
    antenna_plug: Contact = SOUND,
) -> ComplexArray:
    """Return the complex reflection that the coupler sees; all arguments broadcast."""
    impedance = antenna_impedance(station.antenna, frequency_mhz)
    far = through_contact(antenna_plug, (impedance - Z0_OHM) / (impedance + Z0_OHM))
    return through_contact(shack_plug, through_line(station.line, frequency_mhz, far))


def swr_of(reflection: ArrayLike) -> FloatArray:
    """Return the standing wave ratio; infinite at total reflection."""
    rho = np.minimum(np.abs(np.asarray(reflection)), 1.0)
    with np.errstate(divide="ignore"):
        return np.asarray((1 + rho) / (1 - rho))
