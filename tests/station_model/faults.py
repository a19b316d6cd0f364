"""What can go wrong: each fault changes one thing of the physics from `at_s` on.

A fault overrides what it touches; everything else of `Fault` changes nothing. `NAMES` makes one of
each with random figures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.station_model.traffic import Over

Floats = NDArray[np.float64]
DAY_S = 86_400.0


@dataclass(frozen=True)
class Fault:
    """Nothing wrong."""

    at_s: float = 0.0

    def key_down(self, over: Over) -> None:
        """An over begins; they come in the order of time."""

    def series_ohm(self, t: Floats) -> Floats | float:
        """In series at the plug."""
        return 0.0

    def strand_siemens(self, t: Floats) -> Floats | float:
        """Across the plug."""
        return 0.0

    def extra_loss_db(self, at_s: float) -> float:
        """Of the line, one way."""
        return 0.0

    def shift_khz(self, at_s: float) -> float:
        """Of the antenna's resonance."""
        return 0.0

    def foreign_watts(self, channel: int, t: Floats) -> Floats | float:
        """Heard at the reflected port besides the station's own."""
        return 0.0

    def power_factor(self, at_s: float) -> float:
        """Of the transmitter."""
        return 1.0

    def line_volts(self, side: str, t: Floats, volts: Floats, zero_v: float) -> Floats:
        """What the converter is given instead of `volts`; `side` is forward or reflected."""
        return volts

    def readings(self, side: str, t: Floats, volts: Floats) -> Floats:
        """What the bridge prints instead of `volts`."""
        return volts


@dataclass(frozen=True)
class PermanentOpen(Fault):
    """The inner conductor has come off."""

    ohm: float = 1e5

    def series_ohm(self, t: Floats) -> Floats | float:
        return np.where(t >= self.at_s, self.ohm, 0.0)


@dataclass(frozen=True)
class PermanentShort(Fault):
    """A strand of the braid lies on the pin."""

    ohm: float = 0.3

    def strand_siemens(self, t: Floats) -> Floats | float:
        return np.where(t >= self.at_s, 1 / self.ohm, 0.0)


@dataclass
class _Warmth:
    """Of the joint; mutable, for it remembers."""

    now: float = 0.0
    since_s: float = 0.0
    goal: float = 0.0
    until_s: float = 0.0


@dataclass(frozen=True)
class HotJoint(Fault):
    """Resistance that grows with the warmth of the joint: `ohm` after a long key-down at 4 W."""

    ohm: float = 60.0
    heats_s: float = 15.0
    cools_s: float = 40.0
    _warmth: _Warmth = field(default_factory=_Warmth, compare=False)

    def key_down(self, over: Over) -> None:
        warmth = self._warmth
        up_s = min(warmth.until_s, over.start_s)
        at_up = warmth.goal + (warmth.now - warmth.goal) * np.exp(
            -(up_s - warmth.since_s) / self.heats_s
        )
        warmth.now = float(at_up * np.exp(-(over.start_s - up_s) / self.cools_s))
        warmth.since_s, warmth.until_s = over.start_s, over.end_s
        warmth.goal = over.mean_watts / 4.0 if over.start_s >= self.at_s else 0.0

    def series_ohm(self, t: Floats) -> Floats | float:
        warmth = self._warmth
        lapse = np.maximum(t - warmth.since_s, 0.0)
        warm = warmth.goal + (warmth.now - warmth.goal) * np.exp(-lapse / self.heats_s)
        return np.asarray(self.ohm * warm)


@dataclass(frozen=True)
class WetLine(Fault):
    """Water creeps in: loss grows for thirty days."""

    db_per_day: float = 0.1

    def extra_loss_db(self, at_s: float) -> float:
        return self.db_per_day * float(np.clip((at_s - self.at_s) / DAY_S, 0.0, 30.0))


@dataclass(frozen=True)
class SlippedElement(Fault):
    """The antenna's resonance has moved: below 0 the element has become longer."""

    khz: float = -400.0

    def shift_khz(self, at_s: float) -> float:
        return self.khz if at_s >= self.at_s else 0.0


@dataclass(frozen=True)
class Interference(Fault):
    """Somebody near transmits on one channel and is heard at the reflected port."""

    channel: int = 20
    watts: float = 0.3
    fading_s: float = 7.0

    def foreign_watts(self, channel: int, t: Floats) -> Floats | float:
        if channel != self.channel:
            return 0.0
        fading = 0.6 + 0.4 * np.sin(2 * np.pi * t / self.fading_s)
        return np.where(t >= self.at_s, self.watts * fading, 0.0)


@dataclass(frozen=True)
class TransmitterChange(Fault):
    """Another amplifier, a tired one: power changes, reflection does not."""

    factor: float = 0.5

    def power_factor(self, at_s: float) -> float:
        return self.factor if at_s >= self.at_s else 1.0


@dataclass(frozen=True)
class CouplerFault(Fault):
    """One port's detector: `what` is gain (`size` is what is left of the volts), stuck (at `size`
    volts), noisy (deviation of `size` volts) or drift (of the zero, `size` volts a day)."""

    side: str = "reflected"
    what: str = "gain"
    size: float = 0.5

    def line_volts(self, side: str, t: Floats, volts: Floats, zero_v: float) -> Floats:
        if side != self.side:
            return volts
        changed = volts
        if self.what == "gain":
            changed = zero_v + self.size * (volts - zero_v)
        elif self.what == "noisy":
            seed = int(abs(float(t[0])) * 1e3)
            changed = volts + self.size * np.random.default_rng(seed).standard_normal(len(t))
        elif self.what == "drift":
            changed = volts + self.size * (t - self.at_s) / DAY_S
        return np.where(t >= self.at_s, changed, volts)

    def readings(self, side: str, t: Floats, volts: Floats) -> Floats:
        if side != self.side or self.what != "stuck":
            return volts
        return np.where(t >= self.at_s, self.size, volts)


Make = Callable[[np.random.Generator, float, list[int]], Fault]


def _coupler_fault(rng: np.random.Generator, at_s: float, channels: list[int]) -> Fault:
    what = str(rng.choice(["gain", "stuck", "noisy", "drift"]))
    size = {
        "gain": rng.uniform(0.1, 0.7),
        "stuck": rng.choice([0.0, rng.uniform(0.0, 2.0)]),
        "noisy": rng.uniform(0.01, 0.1),
        "drift": rng.uniform(0.005, 0.05),
    }[what]
    return CouplerFault(at_s, str(rng.choice(["forward", "reflected"])), what, float(size))


# An intermittent contact is no fault of this kind: give `Station.record` some `random_opens`.
NAMES: dict[str, Make] = {
    "permanent-open": lambda rng, at_s, _: PermanentOpen(at_s, float(10 ** rng.uniform(3.5, 5))),
    "permanent-short": lambda rng, at_s, _: PermanentShort(at_s, float(rng.uniform(0.05, 2))),
    "hot-joint": lambda rng, at_s, _: HotJoint(
        at_s, rng.uniform(30, 120), rng.uniform(5, 25), rng.uniform(20, 60)
    ),
    "wet-line": lambda rng, at_s, _: WetLine(at_s, rng.uniform(0.05, 0.3)),
    "slipped-element": lambda rng, at_s, _: SlippedElement(
        at_s, float(rng.choice([-1, 1]) * rng.uniform(250, 900))
    ),
    "interference": lambda rng, at_s, channels: Interference(
        at_s, int(rng.choice(channels)), rng.uniform(0.1, 1.0), rng.uniform(3, 20)
    ),
    "transmitter-change": lambda rng, at_s, _: TransmitterChange(
        at_s, float(rng.choice([rng.uniform(0.2, 0.7), rng.uniform(1.4, 2.0)]))
    ),
    "coupler-fault": _coupler_fault,
}
