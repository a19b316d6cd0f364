"""A station: bridge, detectors, coupler and load together, and how to draw one at random."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tests.foreign_stations.converter import Converter
from tests.foreign_stations.coupler import Coupler
from tests.foreign_stations.detector import NODES, Detector
from tests.foreign_stations.load import Load


@dataclass(frozen=True)
class Station:
    """Everything that stays as it was built. Times in s.

    skew_s    the reflected channel is sampled so long after the forward one
    jitter_s  rms of the sampling instants; the printed times follow it
    stamp_jitter_s  rms of the printed times alone
    """

    rate_hz: float = 1000.0
    jitter_s: float = 0.0
    stamp_jitter_s: float = 0.0
    skew_s: float = 0.0
    converter: Converter = field(default_factory=Converter)
    forward: Detector = field(default_factory=Detector)
    reflected: Detector = field(default_factory=Detector)
    coupler: Coupler = field(default_factory=Coupler)
    load: Load = field(default_factory=Load)
    highest_w: float = 5.0  # strongest peak the transmitter makes
    powers: tuple[float, ...] = (1.0,)  # settings, as parts of the full power
    channels: tuple[int, ...] = (20,)
    modes: tuple[str, ...] = ("fm",)
    reports_channel: bool = True
    reports_temperature: bool = False


def amplitude_for(detector: Detector, volts: float) -> float:
    """Return the RF amplitude at which a detector gives `volts`."""
    return float(np.searchsorted(detector.curve(20.0), volts)) * detector.highest_v / (NODES - 1)


def draw_station(seed: int, **changes: Any) -> Station:
    """Return a random but plausible station; `changes` replace its fields afterwards.

    The coupling is chosen so that the strongest peak reads 55 to 90 % of full scale.
    """
    rng = np.random.default_rng([1, seed])
    converter = changes.pop("converter", None) or draw_converter(rng)
    kind = str(rng.choice(["schottky", "germanium", "silicon", "measured"], p=[0.4, 0.3, 0.1, 0.2]))
    decay_s = float(np.exp(rng.uniform(np.log(0.5e-3), np.log(0.2))))
    forward = Detector(
        kind,
        attack_s=min(float(np.exp(rng.uniform(np.log(1e-4), np.log(5e-3)))), decay_s),
        decay_s=decay_s,
        series_ohm=round(float(np.exp(rng.uniform(np.log(50), np.log(2000)))), -1),
        load_ohm=float(rng.choice([22e3, 33e3, 47e3, 100e3, 220e3])),
        seed=int(rng.integers(1000)),
        highest_v=4.0 * converter.reference_v,
        filter_s=float(rng.choice([0.0, 0.0, 0.2e-3, 2e-3])),
        tail=float(rng.choice([0.0, 0.0, 0.0, 0.002, 0.005])),
        tail_s=float(rng.uniform(0.1, 1.0)),
    )
    reflected = replace(
        forward, attack_s=forward.attack_s * rng.uniform(0.8, 1.25), seed=int(rng.integers(1000))
    )
    reflected = replace(reflected, decay_s=decay_s * float(rng.uniform(0.8, 1.25)))
    forward = changes.pop("forward", forward)
    reflected = changes.pop("reflected", reflected)
    highest_w = float(changes.pop("highest_w", rng.choice([4.5, 5.0, 8.0, 12.5])))
    peak_v = float(rng.uniform(0.55, 0.9)) * converter.reference_v
    gain = amplitude_for(forward, peak_v) / np.sqrt(highest_w)

    def leak() -> complex:
        size = 10.0 ** (-rng.uniform(15, 40) / 20.0)
        return complex(size * np.exp(1j * rng.uniform(0, 2 * np.pi)))

    def turn(size: float) -> complex:
        return complex(size * np.exp(1j * rng.uniform(0, 2 * np.pi)))

    coupler = Coupler(gain, gain * float(rng.uniform(0.95, 1.4)), leak(), leak())
    load = Load(
        at_middle=turn(rng.uniform(0.02, 0.25)),
        per_channel=turn(rng.uniform(0.0005, 0.003)),
        wind=float(np.exp(rng.uniform(np.log(2e-4), np.log(6e-3)))),
        wind_s=float(rng.uniform(0.5, 4.0)),
        per_degree=turn(rng.uniform(0, 6e-4)),
        contact_phase=float(rng.uniform(0, 2 * np.pi)),
        source=turn(rng.uniform(0, 0.25)),
        receiver=turn(rng.uniform(0.1, 0.5)),
    )
    channels = [(20,), (3, 38), (1, 20, 40)][rng.integers(3)]
    modes = [("fm",), ("fm", "am"), ("ssb",), ("ssb", "fm"), ("cw",)][
        rng.choice(5, p=[0.4, 0.2, 0.2, 0.1, 0.1])
    ]
    station = Station(
        rate_hz=float(rng.choice([100, 200, 500, 1000])),
        jitter_s=float(rng.choice([0.0, 20e-6])),
        skew_s=float(rng.choice([0.0, 100e-6, 200e-6])),
        converter=converter,
        forward=forward,
        reflected=reflected,
        coupler=coupler,
        load=load,
        highest_w=highest_w,
        channels=channels,
        modes=modes,
    )
    return replace(station, **changes)


def with_diodes(station: Station, kind: str) -> Station:
    """Return the station with diodes of a kind of DIODES, reading the same at its highest power."""
    gain = station.coupler.forward_gain
    amplitude = np.array([gain * np.sqrt(station.highest_w)])
    forward, reflected = (replace(d, kind=kind) for d in (station.forward, station.reflected))
    factor = amplitude_for(forward, float(station.forward.steady(amplitude)[0])) / amplitude[0]
    coupler = replace(
        station.coupler,
        forward_gain=gain * factor,
        reflected_gain=station.coupler.reflected_gain * factor,
    )
    return replace(station, forward=forward, reflected=reflected, coupler=coupler)


def draw_missing(codes: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Return a few missing codes, the likeliest being where the upper bits change."""
    places = codes * np.array([1, 2, 3, 4, 6]) // 8
    return tuple(int(p) for p in rng.choice(places, int(rng.integers(1, 4)), replace=False))


def draw_converter(rng: np.random.Generator) -> Converter:
    """Return a random converter; three quarters declare their step."""
    declares = bool(rng.random() < 0.75)
    bits = int(rng.choice([8, 10, 12, 16], p=[0.1, 0.45, 0.35, 0.1]))
    reference_v = float(rng.choice([1.1, 2.5, 3.3, 5.0]))
    return Converter(
        bits=bits,
        reference_v=reference_v,
        offset_lsb=(float(rng.uniform(-3, 5)), float(rng.uniform(-3, 5))),
        noise_lsb=float(np.exp(rng.uniform(np.log(0.2), np.log(3.0)))),
        noise=str(rng.choice(["gaussian", "uniform"])),
        hum_lsb=float(rng.choice([0.0, 0.0, 0.3, 1.0])),
        hum_hz=float(rng.choice([50.0, 100.0])),
        bow_lsb=float(rng.choice([0.0, 0.0, 0.5, 1.5])),
        missing_codes=draw_missing(1 << bits, rng) if rng.random() < 0.15 else (),
        decimals=None if declares else (4 if reference_v / (1 << bits) > 2e-4 else 5),
        reports_step=declares,
        reports_full_scale=declares,
    )
