"""Combines station, operator, faults and coupler: volts by time, and the true values behind them.

Everything is a function of the seed and the time. Samples are made in independent chunks of a fixed
size, so they do not depend on how a driver cuts its blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drivers.channels import CHANNEL_MHZ
from drivers.simulated.coupler import (
    Adc,
    SimulatedCoupler,
    convert,
    detector_volts,
    hold,
    memory_s,
    peak_volts,
    wave_ratios,
)
from drivers.simulated.faults import (
    BadContact,
    Fault,
    bad_contacts,
    contact_at,
    heat_memory_s,
)
from drivers.simulated.operator import KeyDown, Operator, Schedule
from drivers.simulated.randomness import Stream, generator
from drivers.simulated.station import (
    ComplexArray,
    FloatArray,
    Station,
    reflection_at_coupler,
    swr_of,
)

CHUNK_S = 5.0
# Lowest internal rate: the detectors follow the audio, which is faster than the pairs.
INSIDE_HZ = 4000.0
_NUMBERS = np.array([CHANNEL_MHZ[number] for number in range(1, 41)])


@dataclass(frozen=True, slots=True)
class Chunk:
    """Pairs of one chunk: volts, the radio's channel, its frequency in kHz; each (n,) float64."""

    forward_v: FloatArray
    reflected_v: FloatArray
    channel: FloatArray
    frequency_khz: FloatArray


class Simulation:
    """A station from time 0 on. Pair k is at k / rate_hz seconds."""

    def __init__(
        self,
        *,
        seed: int,
        rate_hz: float,
        station: Station | None = None,
        coupler: SimulatedCoupler | None = None,
        adc: Adc | None = None,
        operator: Operator | None = None,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.station = station or Station()
        self.coupler = coupler or SimulatedCoupler()
        self.adc = adc or Adc()
        self.chunk_pairs = max(1, round(CHUNK_S * rate_hz))
        self._seed = seed
        self._rate_hz = rate_hz
        self._faults = tuple(faults)
        self._schedule = Schedule(operator or Operator(), seed)
        self._heat_memory_s = heat_memory_s(faults)
        self._inside = math.ceil(INSIDE_HZ / rate_hz)
        self._memory_s = max(memory_s(self.coupler.forward), memory_s(self.coupler.reflected))

    def key_downs(self, since_s: float, until_s: float) -> list[KeyDown]:
        """Return the key-downs that overlap the span."""
        return self._schedule.key_downs(since_s, until_s)

    def bad_contacts(self, since_s: float, until_s: float) -> list[BadContact]:
        """Return the bad contacts that overlap the span, including single breaks."""
        return bad_contacts(self._faults, self._seed, since_s, until_s)

    def forward_w(self, t_s: FloatArray) -> FloatArray:
        """Return the true incident envelope power at increasing times, 0 when unkeyed."""
        return self._waves(t_s)[0]

    def reflection(self, t_s: FloatArray) -> ComplexArray:
        """Return the true reflection at the coupler at increasing times, NaN when unkeyed."""
        return self._waves(t_s)[1]

    def swr(self, t_s: FloatArray) -> FloatArray:
        """Return the true SWR at the coupler at increasing times, NaN when unkeyed."""
        return swr_of(self.reflection(t_s))

    def chunk(self, number: int) -> Chunk:
        """Return the pairs of a chunk, the first of which is pair number * chunk_pairs."""
        first = number * self.chunk_pairs
        t_s = np.arange(first, first + self.chunk_pairs) / self._rate_hz
        noise = generator(self._seed, Stream.NOISE, number).standard_normal((2, self.chunk_pairs))
        ports = (self.coupler.forward, self.coupler.reflected)
        read = [
            convert(self.adc, volts + port.zero_v, unit)
            for port, volts, unit in zip(ports, self._detected(first), noise, strict=True)
        ]
        channel = self._schedule.channel(t_s)
        frequency_khz = np.rint(_NUMBERS[channel.astype(np.intp) - 1] * 1e3)
        return Chunk(read[0], read[1], channel, frequency_khz)

    def _detected(self, first: int) -> tuple[FloatArray, FloatArray]:
        """Return the detectors' volts of a chunk without zero and noise."""
        dt_s = 1 / (self._rate_hz * self._inside)
        lead_in = math.ceil(self._memory_s / dt_s)
        start = first * self._inside - lead_in
        stop = (first + self.chunk_pairs) * self._inside
        if not self.key_downs(start * dt_s, stop * dt_s):
            quiet = np.zeros(self.chunk_pairs)
            return quiet, quiet
        incident_w, reflection = self._waves(np.asarray(np.arange(start, stop) * dt_s))
        # No wave enters while unkeyed, whatever the antenna would reflect.
        ratios = wave_ratios(self.coupler, np.where(incident_w > 0, reflection, 0))
        forward, reflected = (
            hold(port, detector_volts(port, peak_volts(port, incident_w, ratio)), dt_s)[
                lead_in :: self._inside
            ]
            for port, ratio in zip(
                (self.coupler.forward, self.coupler.reflected), ratios, strict=True
            )
        )
        return forward, reflected

    def _waves(self, t_s: FloatArray) -> tuple[FloatArray, ComplexArray]:
        """Return incident watts and reflection at increasing times."""
        incident_w = np.zeros(len(t_s))
        reflection = np.full(len(t_s), np.nan + 0j)
        if len(t_s) == 0:
            return incident_w, reflection
        first_s, last_s = float(t_s[0]), float(t_s[-1])
        spans = self.bad_contacts(first_s, np.nextafter(last_s, np.inf))
        warming = self.key_downs(first_s - self._heat_memory_s, np.nextafter(last_s, np.inf))
        for key_down in warming:
            first, last = np.searchsorted(t_s, (key_down.start_s, key_down.end_s))
            if first == last:
                continue
            t_keyed = t_s[first:last]
            incident_w[first:last] = (
                key_down.power_w * self._schedule.amplitude(key_down, t_keyed) ** 2
            )
            reflection[first:last] = reflection_at_coupler(
                self.station,
                key_down.frequency_mhz,
                contact_at(spans, "shack-plug", warming, t_keyed),
                contact_at(spans, "antenna-plug", warming, t_keyed),
            )
        return incident_w, reflection
