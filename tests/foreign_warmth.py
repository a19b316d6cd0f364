"""Years of a station whose coupler has a thermometer: heated, sunny or cold shacks, a real antenna.

Written from the physics, with no formula of the package but the conversion of the volts by its
calibration, as the daemon does. The diodes follow the published law, solved by bisection, each at
its own rate, which falls with the absolute temperature as that of a junction does. The shack
follows the weather with a lag, is heated while somebody is there on cold days, and gains from the
sun. The sensor has an offset, steps of 1/16 °C, and lags or leads the diodes. The antenna has a
season, follows the weather outdoors with an unknown sign, and is wet after rain. Reflection and
leak add as vectors. Invented data; everything is deterministic by seed.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from scipy.special import ive

from logger.blocks import Noise
from logger.calibration.coupler import Coupler
from logger.calibration.file import CalibrationFile
from tests.foreign_shacks import BENCH_C, BOLTZMANN_V, DIODES, Array, Diode, calibrate

FIRST_DAY = 20_454  # 2026-01-01
NOISE_V = 2e-5  # of the mean of a transmission; the zero is known as well
BENCH_K = BENCH_C + 273.15
POWERS = {"one": (1.0,), "two": (1.0, 0.12), "three": (1.0, 0.3, 0.08)}  # of full power


class WarmDiode(NamedTuple):
    """A detector whose saturation current rises as that of a junction does.

    saturation_a  at BENCH_C
    rate_per_c    its relative change there
    power         of the absolute temperature, beside the exponential of the barrier
    """

    saturation_a: float
    ideality: float
    load_ohm: float
    rate_per_c: float
    power: float

    def volts(self, peak_v: Array, celsius: Array) -> Array:
        """Direct voltages at peak voltages and temperatures (n,)."""
        kelvin = celsius + 273.15
        ratio = kelvin / BENCH_K
        barrier = self.rate_per_c * BENCH_K - self.power
        r_is = self.load_ohm * self.saturation_a * ratio**self.power
        r_is = r_is * np.exp(barrier * (1 - 1 / ratio))
        n_vt = self.ideality * BOLTZMANN_V * kelvin
        x = peak_v / n_vt
        drive = np.log(ive(0, x)) + x
        low, high = np.zeros_like(peak_v), peak_v.copy()
        for _ in range(50):
            middle = 0.5 * (low + high)
            is_below = np.log1p(middle / r_is) + middle / n_vt < drive
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        return low


class Years(NamedTuple):
    """Transmissions in order of time, (n,), and the diodes' mean coefficient at the bench.

    noise  relative standard deviation of rho
    """

    day: Array
    channel: Array
    forward_w: Array
    rho: Array
    celsius: Array
    noise: Array
    true_rho: Array
    content: CalibrationFile
    per_c: float


class Story(NamedTuple):
    """What happens.

    powers      key of POWERS
    heated      by how many degrees at most the presence of somebody warms the shack
    later_c     the shack is so much warmer from the middle of the time on (insulation, a cellar)
    loss_db     growth of the line's loss a year, one way
    coefficient of the calibration; 0: it does not correct
    """

    days: int = 365
    powers: str = "two"
    heated: float = 10.0
    later_c: float = 0.0
    loss_db: float = 0.0
    coefficient: float = 0.0


def _lagged(values: Array, steps: float) -> Array:
    out = np.empty_like(values)
    level = float(values.mean())
    for place, value in enumerate(values):
        level += (value - level) / steps
        out[place] = level
    return out


def render(seed: int, story: Story) -> Years:
    """Draw a station and its transmissions."""
    rng = np.random.default_rng([91, seed])
    kind = str(rng.choice(list(DIODES)))
    saturation, ideality = DIODES[kind]
    load, rate = float(rng.choice([22e3, 47e3, 100e3])), float(rng.uniform(0.05, 0.09))
    power = float(rng.uniform(0, 4))
    sides = [
        WarmDiode(
            saturation * rng.lognormal(0, 0.1), ideality, load, rate * rng.normal(1, 0.03), power
        )
        for _ in range(2)
    ]
    full_w = float(rng.choice([4.0, 10.0]))
    gain = float(rng.uniform(0.8, 2.5)) / np.sqrt(full_w)

    # Hours of weather and shack.
    hours = np.arange(24 * story.days)
    day, hour = hours / 24, hours % 24
    year = np.cos(2 * np.pi * (FIRST_DAY + day - 20) / 365.25)
    cloud = _lagged(rng.normal(0, 1, len(hours)), 30.0) * 6
    sun = np.clip(np.sin(2 * np.pi * (hour - 6) / 24), 0, None) * (1 - 0.6 * year)
    sun *= np.clip(1 - 0.5 * cloud, 0, 1.5)
    fronts = _lagged(rng.normal(0, 1, len(hours)), 60.0) * 25
    outdoor = 10 - 9 * year + fronts + 5 * (_lagged(sun, 3.0) - 0.4)
    rain = _lagged((rng.random(len(hours)) < 0.03) * rng.exponential(4, len(hours)), 20.0)

    # Sessions: somebody is there, heats if it is cold, and transmits.
    start, presence = [], np.zeros(len(hours))
    for number in range(story.days):
        for _ in range(rng.poisson(1.3)):
            begin = 24 * number + int(np.clip(rng.normal(17, 4), 6, 22))
            length = int(rng.integers(1, 4))
            presence[begin : begin + length + 1] = 1.0
            start += (begin + rng.uniform(0, length, rng.integers(2, 7))).tolist()
    at = np.sort(np.array(start))
    at = at[at < len(hours) - 1]
    inside = _lagged(outdoor, rng.uniform(6, 24)) + rng.uniform(2, 6) + rng.uniform(0, 4) * sun
    cold = np.clip(20 - inside, 0, story.heated) if story.heated else 0.0
    inside = inside + _lagged(presence * cold, 1.5) + story.later_c * (day > story.days / 2)
    diode_c = np.interp(at, hours, inside)
    shown = np.interp(at - rng.uniform(-0.1, 0.3), hours, inside) + rng.normal(0, 0.3)
    shown = np.round((shown + rng.normal(0, 0.05, len(at))) * 16) / 16

    # Antenna and line.
    there = {name: np.interp(at, hours, values) for name, values in
             (("outdoor", outdoor), ("rain", rain), ("year", year), ("sun", sun))}  # fmt: skip
    level = rng.uniform(0.08, 0.22)
    turn = [np.exp(2j * np.pi * rng.random()) for _ in range(5)]
    channel = rng.choice([3, 20, 38], len(at))
    gamma = level * (
        1
        + 0.002 * rng.normal() * turn[0] * (there["outdoor"] - 10)
        + 0.02 * turn[1] * np.log1p(there["rain"])
        + 0.05 * rng.normal() * turn[2] * there["year"]
        + 0.008 * (rng.normal(size=len(at)) + 1j * rng.normal(size=len(at)))
    )
    gamma = gamma + rng.uniform(0.0005, 0.002) * turn[3] * (channel - 20)
    gamma = gamma * 10 ** (-story.loss_db * at / 24 / 365.25 / 10)
    leak = 10 ** (-rng.uniform(26, 40) / 20) * turn[4]
    watts = 0.85 * full_w * rng.choice(POWERS[story.powers], len(at))
    watts = watts * rng.lognormal(0, 0.02, len(at))
    true_rho = np.abs(gamma + leak)

    at_bench = [Diode(side.saturation_a, side.ideality, load, 10.0) for side in sides]
    content = calibrate(at_bench[0], gain)
    own = [calibrate(diode, gain).forward for diode in at_bench]
    own = [
        msgspec.structs.replace(
            port,
            n_vt_v=port.n_vt_v * rng.normal(1, 0.005),
            r_is_v=port.r_is_v * rng.lognormal(0, 0.05),
            r_is_per_c=story.coefficient,
        )
        for port in own
    ]
    content = msgspec.structs.replace(
        content, forward=own[0], reflected=own[1], temperature_c=BENCH_C
    )
    coupler, noise = Coupler(content), rng.normal(0, NOISE_V, (2, len(at)))
    read = [
        coupler.watts(name, side.volts(gain * np.sqrt(watts) * part, diode_c) + noise[place],
                      {"temperature_c": shown})
        for place, (name, side, part) in enumerate(
            (("forward", sides[0], np.ones(len(at))), ("reflected", sides[1], true_rho)))
    ]  # fmt: skip
    rho = np.clip(np.sqrt(np.maximum(read[1], 0.0) / read[0]), 1e-4, 0.98)
    slope = coupler.reflected.slope(coupler.reflected.volts(read[1]))
    reflected_u = slope * NOISE_V / np.maximum(read[1], 1e-12) / 2
    floor_w = coupler.readable_floor_w(Noise((NOISE_V,) * 2, (NOISE_V,) * 2))
    told = read[0] >= floor_w
    return Years(
        FIRST_DAY + at[told] / 24,
        channel[told],
        read[0][told],
        rho[told],
        shown[told],
        reflected_u[told],
        true_rho[told],
        content,
        float(np.mean([side.rate_per_c for side in sides])),
    )
