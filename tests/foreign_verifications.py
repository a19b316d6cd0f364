"""Years of monthly checks of a coupler against its dummy load, by vectors and the diode law.

Each station has a coupler with a leak of unknown phase in both ports, diodes that follow the
published law at the shack's temperature (`tests/foreign_shacks.py`), a dummy load whose reflection
moves with warming and plugging, a transmitter whose power wanders from day to day and over weeks,
and a meter with an error of its class. The calibration has bench points of the same couplers at
21 °C with errors of the bench's meter. Nothing here is a formula of the package. Invented;
everything is deterministic by seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import (
    LAW,
    SIDES,
    Assumptions,
    CalibrationFile,
    Converter,
    Covariance,
    Directivity,
    Port,
    PortVolts,
    Valid,
)
from logger.daily import Days
from logger.utc import DAY_NS
from logger.verification.reading import (
    TRANSMITTER_DB,
    Keying,
    Verification,
    transmitter_spread_db,
    verify,
)
from tests.foreign_shacks import BENCH_C, DIODES, Diode

MONTH_NS = 30 * 86_400 * 10**9
BEGIN_NS = 1_767_225_600 * 10**9
OPEN_W = 0.8
SECONDS, PAIRS = 10, 200


@dataclass
class Station:
    """A station; `change` gives the drift of both ports in dB in a month, from 0."""

    seed: int
    has_open: bool = True
    has_meter: bool = False
    has_open_points: bool = True
    transmitter_sd: float = 0.03  # of ln power
    has_habit: bool = True  # the usual power is known
    days: list[tuple[int, float]] = field(default_factory=list)  # of use, and the power read
    slow: float = 0.0  # ln of the power, over weeks
    drifted: tuple[float, float] = (0.0, 0.0)  # at the last check
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng = np.random.default_rng([320, self.seed])
        kind = str(rng.choice(list(DIODES)))
        saturation, ideality = DIODES[kind]
        load_ohm = float(rng.choice([22e3, 47e3, 100e3]))
        self.diodes = [
            Diode(saturation * rng.lognormal(0, 0.15), ideality, load_ohm, rng.uniform(8.5, 12.5))
            for _ in range(2)
        ]
        self.full_w = float(rng.choice([4.0, 4.0, 10.0]))
        self.gain = np.array([1.0, 1.0]) * rng.uniform(1.2, 2.5) / math.sqrt(self.full_w)
        self.gain[1] *= rng.lognormal(0, 0.1)
        self.leak = 10 ** (-rng.uniform(24, 38, 2) / 20) * np.exp(2j * np.pi * rng.random(2))
        self.match = 10 ** (-rng.uniform(18, 30) / 20) * np.exp(2j * np.pi * rng.random())
        self.load = 10 ** (-rng.uniform(24, 34) / 20) * np.exp(2j * np.pi * rng.random())
        self.noise_v = rng.uniform(0.3e-3, 1e-3)
        self.meter_error = rng.uniform(-0.05, 0.05)
        self.usual_w = self.full_w * rng.uniform(0.8, 1.0)
        # Sixty days of ordinary use, at the same setting.
        days = self.usual_w * rng.lognormal(0, self.transmitter_sd, 60)
        self.habit_db = transmitter_spread_db(days) if self.has_habit else TRANSMITTER_DB
        self.coupler = Coupler(self._calibration(), None, 8.0)

    def volts(
        self, watts: float, gamma: complex, celsius: float, drift_db: np.ndarray
    ) -> np.ndarray:
        """Detector volts of both ports at a reflection at the antenna port, (2,)."""
        gamma = gamma / (1 - self.match * gamma)
        waves = np.abs([1 + self.leak[0] * gamma, gamma + self.leak[1]])
        waves = waves * self.gain * math.sqrt(watts) * 10 ** (drift_db / 20)
        at = np.array([celsius])
        return np.array(
            [
                float(diode.volts(np.array([w]), at)[0])
                for diode, w in zip(self.diodes, waves, strict=True)
            ]
        )

    def _calibration(self) -> CalibrationFile:
        """Return a file as a careful bench with a 5 % meter leaves it."""
        rng, still = self.rng, np.zeros(2)
        bench_error = rng.uniform(-0.05, 0.05)
        points: list[dict[str, str | float]] = []
        powers = [self.full_w / 10, self.full_w / 3, self.full_w]
        conditions = [("matched", self.load, powers)]
        if self.has_open_points:
            conditions.append(("open", 0.985 * np.exp(-0.2j), [0.3, OPEN_W]))
        for condition, gamma, watts in conditions:
            for power_w in watts:
                forward_v, reflected_v = self.volts(power_w, gamma, BENCH_C, still) + rng.normal(
                    0, self.noise_v / math.sqrt(PAIRS), 2
                )
                point = {
                    "condition": condition,
                    "power_w": power_w * (1 + bench_error),
                    "forward_v": float(forward_v),
                    "reflected_v": float(reflected_v),
                    "readings": float(PAIRS),
                }
                points.append(point)
        ports = []
        for diode, gain in zip(self.diodes, self.gain, strict=True):
            n_vt, r_is = (float(value) for value in diode.parameters(np.array(BENCH_C)))
            gain_error_db = 10 * math.log10(1 + bench_error) + rng.normal(0, 0.03)
            ports.append(
                Port(
                    coupling_db=-20 * math.log10(gain / 10) + gain_error_db,
                    n_vt_v=n_vt * rng.lognormal(0, 0.01),
                    r_is_v=r_is * rng.lognormal(0, 0.05),
                )
            )
        names = [f"{side}.{name}" for side in SIDES for name in LAW]
        values = [getattr(port, name) for port in ports for name in LAW]
        sd = [
            0.1 if name.endswith("_db") else 0.03 * value
            for name, value in zip(names, values, strict=True)
        ]
        span = (0.0, 5.0)
        directivity = -20 * np.log10(np.abs(self.leak))
        return CalibrationFile(
            mismatchd_calibration=1,
            date="2025-12-20T12:00:00Z",
            instrument={"reference_class_percent": 5.0},
            temperature_c=BENCH_C,
            forward=ports[0],
            reflected=ports[1],
            directivity=Directivity(
                reflected_db=float(directivity[1]), forward_db=float(directivity[0])
            ),
            assumptions=Assumptions(),
            noise=PortVolts(forward_v=self.noise_v, reflected_v=self.noise_v),
            converter=Converter(step_v=0.0008, full_scale_v=5.0),
            valid=Valid(forward_v=span, reflected_v=span, forward_w=span, reflected_w=span),
            covariance=Covariance(parameters=names, matrix=np.diag(np.square(sd)).tolist()),
            bench_points=points,
        )

    def _key(
        self, watts: float, gamma: complex, celsius: float, drift_db: np.ndarray
    ) -> Keying | None:
        volts = self.volts(watts, gamma, celsius, drift_db)
        noisy = volts[:, None] + self.rng.normal(0, self.noise_v / math.sqrt(PAIRS), (2, SECONDS))
        forward_w = self.coupler.watts("forward", noisy[0], {})
        reflected_w = self.coupler.watts("reflected", noisy[1], {})
        return Keying.of_seconds(list(zip(forward_w.tolist(), reflected_w.tolist(), strict=True)))

    def use(self, month: int, drift_db: tuple[float, float]) -> None:
        """Key on most days of the month before a check; the ports drift on one of them."""
        rng = self.rng
        since = int(rng.integers(1, 29)) if drift_db != self.drifted else 0
        for ago in range(29, 0, -1):
            self.slow += rng.normal(0, 0.1 * 0.02) - 0.005 * self.slow  # 2 % in the long run
            if rng.random() < 0.6:
                drift = np.array(drift_db if ago <= since or not since else self.drifted)
                watts = self.usual_w * rng.lognormal(self.slow, self.transmitter_sd)
                celsius = BENCH_C + rng.uniform(-8, 8)
                volts = self.volts(watts, 0.2j, celsius, drift)
                read_w = float(self.coupler.watts("forward", volts[:1], {})[0])
                self.days.append(((BEGIN_NS + month * MONTH_NS) // DAY_NS - ago, read_w))
        self.drifted = drift_db

    def daily(self) -> list[Days]:
        """Daily values so far."""
        day, power_w = (np.array(values) for values in zip(*self.days, strict=True))
        ones = np.ones(len(day), dtype=np.int64)
        blank = np.full(len(day), 1.5)
        return [Days(20, None, day, blank, 0 * blank, ones, power_w, 0 * ones, (self.coupler.id,))]

    def check(self, month: int, drift_db: tuple[float, float] = (0.0, 0.0)) -> Verification:
        """The check of a month, the ports having drifted so far, dB."""
        rng, drift = self.rng, np.array(drift_db)
        celsius = BENCH_C + rng.uniform(-8, 8)
        if self.has_habit:
            self.use(month, drift_db)
        watts = self.usual_w * rng.lognormal(self.slow, self.transmitter_sd)
        load = self.load + 0.0015 * (rng.standard_normal() + 1j * rng.standard_normal())
        keyed = self._key(watts, load, celsius, drift)
        assert keyed is not None
        opened = None
        if self.has_open:
            end = 0.985 * np.exp(-1j * (0.2 + 0.02 * rng.standard_normal()))
            opened = self._key(OPEN_W * rng.lognormal(0, 0.1), end, celsius, drift)
        shown_w = None
        if self.has_meter:
            shown_w = watts * (1 + self.meter_error) * rng.lognormal(0, 0.02)
        return verify(
            self.coupler,
            keyed,
            opened,
            shown_w,
            transmitter_db=self.habit_db,
            time_ns=BEGIN_NS + month * MONTH_NS,
            channel=20,
        )
