"""Bench session: key-downs to take, key-downs done, and checks of readings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import msgspec

from logger.calibration.bench_points import BenchPoint
from logger.calibration.directivity import Load
from logger.calibration.steady import KEYED_LEAST_V, Quiet, SteadyReading

UNKEYED_S = 2.0
LIMIT_S = 20.0  # longest wait for a steady key-down, seconds
FULL_REFLECTION = ("open", "short")
FULL_REFLECTION_LIMIT_S = 5.0
FULL_REFLECTION_AVERAGE_S = 2.0
LOW_W = 1.0  # highest power proposed into an open or a short

LEAST_MISMATCH_V = 0.02  # reflected over forward volts; half of those of SWR 1.5 in square law
HIGH_ZERO_V = 0.1
SAME_POWER = 2.0  # a row belongs to a step if their powers differ by less than this factor
LAW = (0.4, 1.15)  # d ln V / d ln P of diode detectors: 1 when small, 0.5 when large
APART = 1.5  # powers closer than this factor do not determine the law

PER_DECADE = 2  # powers proposed
LOWEST_W = 0.1  # lowest power proposed; less if needed to span DECADES
DECADES = 1.5  # of power needed to determine the law of a detector


USUAL_CONDITIONS = ("matched", "reversed", "open", "short")
FURTHER = ("second-load", "line-DEGREES", "mismatched-OHM")
SECOND = "second"  # name of the second dummy load in the points file


def conditions_of(name: str) -> tuple[str, Load] | None:
    """Return condition and load of a name of `--conditions`; None if it is none."""
    kind, _, figure = name.partition("-")
    if name in USUAL_CONDITIONS:
        return name, Load()
    if name == "second-load":
        return "matched", Load(SECOND)
    if kind not in ("line", "mismatched") or not figure.isdecimal() or not int(figure):
        return None
    if kind == "line":
        return "matched", Load(line_deg=float(figure))
    return None if figure == "50" else ("mismatched", Load(ohm=float(figure)))


class BenchStep(NamedTuple):
    """One key-down to take; 0 W means the transmitter is unkeyed.

    load  what the antenna port is connected to, if not the usual load
    """

    condition: str
    power_w: float
    load: Load = Load()

    @property
    def name(self) -> str:
        """Name in `--conditions`, the inverse of `conditions_of`."""
        if self.load.ohm is not None:
            return f"mismatched-{self.load.ohm:g}"
        if self.load.line_deg:
            return f"line-{self.load.line_deg:g}"
        return "second-load" if self.load.name else self.condition

    def label(self, point: BenchPoint) -> BenchPoint:
        """Return the point with the load of this step."""
        return msgspec.structs.replace(
            point,
            load=self.load.name or None,
            line_deg=self.load.line_deg or None,
            load_ohm=self.load.ohm,
        )

    @property
    def limit_s(self) -> float:
        """Longest time that the key may be down, seconds."""
        return FULL_REFLECTION_LIMIT_S if self.condition in FULL_REFLECTION else LIMIT_S

    def average_s(self, wanted_s: float) -> float:
        """Return the averaging time in seconds if `wanted_s` is requested."""
        return min(wanted_s, FULL_REFLECTION_AVERAGE_S) if self.limit_s < LIMIT_S else wanted_s


def propose_powers_w(highest_w: float) -> tuple[float, ...]:
    """Return the powers to measure, ascending, two per decade, two digits each.

    Uncertainty grows beyond the bench points, so the station's highest power is always included.
    """
    lowest_w = min(LOWEST_W, highest_w / 10**DECADES)
    intervals = math.ceil(PER_DECADE * math.log10(highest_w / lowest_w) - 1e-9)
    below = (
        float(f"{lowest_w * (highest_w / lowest_w) ** (number / intervals):.2g}")
        for number in range(intervals)
    )
    return (*below, highest_w)


def steps(conditions: Sequence[str], powers_w: Sequence[float]) -> list[BenchStep]:
    """Return all steps in order, unkeyed first.

    Into an open, a short or a mismatch only up to LOW_W; on further loads at one power, since they
    only show the leak.
    """
    result = [BenchStep("matched" if conditions[0] not in USUAL_CONDITIONS else conditions[0], 0.0)]
    for name in conditions:
        condition, load = conditions_of(name) or (name, Load())
        is_low = condition in (*FULL_REFLECTION, "mismatched")
        powers = [power for power in sorted(set(powers_w)) if power <= LOW_W or not is_low]
        if load != Load():
            powers = powers[-1:]
        result += [BenchStep(condition, power, load) for power in powers]
    return result


class BenchSession:
    """Progress of a bench session: the next step, and the steps done.

    done  steps taken already, by number, with the number of their point
    """

    def __init__(self, steps: Sequence[BenchStep], done: Mapping[int, int]) -> None:
        self.steps = list(steps)
        self.done = dict(done)
        self._skipped: set[int] = set()
        self._last: int | None = None
        self.current: int | None = None
        self._go_on()

    def _go_on(self) -> None:
        left = (n for n in range(len(self.steps)) if n not in self.done and n not in self._skipped)
        self.current = next(left, None)

    def take(self, point: int) -> None:
        """Mark the current step as done by the point of that number."""
        assert self.current is not None
        self._last = self.current
        self.done[self.current] = point
        self._go_on()

    def skip(self) -> bool:
        """Skip the current step; False for the unkeyed one, which all others need."""
        if self.current in (0, None):
            return False
        if self.current not in self.done:
            self._skipped.add(self.current)
        self._go_on()
        return True

    def back(self) -> bool:
        """Go to the previous step, done or not; False if there is none."""
        if self.current in (0, None):
            return False
        self.current -= 1
        self._skipped.discard(self.current)
        return True

    def repeat(self) -> bool:
        """Go to the step taken last; False if there is none."""
        if self._last is None:
            return False
        self.current = self._last
        return True


def match_points(steps: Sequence[BenchStep], points: Sequence[BenchPoint]) -> dict[int, int]:
    """Return the steps that have a point of an earlier session: step number to point number.

    A point belongs to the step of its condition that is nearest in power. An unkeyed point counts
    only if it states the noise.
    """
    done: dict[int, int] = {}
    for number, point in enumerate(points):
        if point.power_w == 0:
            if Quiet.of(point) is not None:
                done[0] = number
            continue
        near = [
            (abs(math.log(point.power_w / step.power_w)), place)
            for place, step in enumerate(steps)
            if step.condition == point.condition and step.power_w > 0
            if step.load == Load(point.load or "", point.line_deg or 0.0, point.load_ohm)
        ]
        distance, place = min(near, default=(math.inf, 0))
        if distance < math.log(SAME_POWER):
            done[place] = number
    return done


def doubts_of_zero(reading: SteadyReading) -> list[str]:
    """Return warnings about an unkeyed reading, one line each."""
    return [
        f"{name} reads {level.mean_v:.3f} V, high for an unkeyed transmitter; is the key up?"
        for name, level in (("forward", reading.forward), ("reflected", reading.reflected))
        if level.mean_v > HIGH_ZERO_V
    ]


def doubts(step: BenchStep, reading: SteadyReading, quiet: Quiet | None) -> list[str]:
    """Return warnings about a reading to check before it is stored, one line each."""
    levels = (reading.forward, reading.reflected)
    if quiet is None:
        return doubts_of_zero(reading)
    forward, reflected = (
        level.mean_v - zero_v for level, zero_v in zip(levels, quiet.zero_v, strict=True)
    )
    if step.condition == "matched" and reflected > forward:
        return ["reflected reads above forward: is the coupler the right way round?"]
    if step.condition == "reversed" and forward > reflected:
        return ["forward reads above reflected: has the coupler been reversed?"]
    if step.condition in FULL_REFLECTION and reflected < 0.5 * forward:
        return [f"reflected reads far below forward: is the antenna port really {step.condition}?"]
    if step.condition == "mismatched" and reflected < LEAST_MISMATCH_V * forward:
        return ["reflected reads as little as on a dummy load: is the mismatch connected?"]
    return []


def doubt_of_power(point: BenchPoint, others: Sequence[BenchPoint], quiet: Quiet) -> str | None:
    """Return a warning if the power of a point does not fit the volts of the others, else None."""
    port = int(point.condition == "reversed")  # the port with the full wave

    def signal_v(point: BenchPoint) -> float:
        return (point.forward_v, point.reflected_v)[port] - quiet.zero_v[port]

    clear_v = max(10 * quiet.sd_v[port], 10 * quiet.step_v, KEYED_LEAST_V)
    usable = [
        (abs(math.log(other.power_w / point.power_w)), other)
        for other in others
        if other.condition == point.condition and other.power_w > 0 and signal_v(other) > clear_v
    ]
    apart = [pair for pair in usable if pair[0] > math.log(APART)]
    if not apart or signal_v(point) <= clear_v:
        return None
    _, near = min(apart, key=lambda pair: pair[0])
    slope = math.log(signal_v(point) / signal_v(near)) / math.log(point.power_w / near.power_w)
    if LAW[0] < slope < LAW[1]:
        return None
    return (
        f"{signal_v(point):.3f} V at {point.power_w:.3g} W does not fit"
        f" {signal_v(near):.3f} V at {near.power_w:.3g} W: check the figure you entered."
    )
