"""The whole station: overs and opens in, pairs of volts out, and the truth beside them.

The coupler sits at the plug. Its ports hear |1 + d_f Gamma| and |Gamma + d_r| times the incident
wave, Gamma being the reflection coefficient of the plug with all that follows. The transmitter is
no perfect source: what comes back is reflected again in part (`source`), so the incident wave
changes with Gamma, as 1 / (1 - source Gamma).

Wind moves the antenna: its reflection coefficient is multiplied by 1 + s, s a complex narrow-band
process about `sway_hz` with |s| <= `sway` in the strongest gust. Through a year's days and every
day's hours the shack's temperature moves the diodes (law and zero), the air's the antenna.

Pairs come at `rate_hz`, densely from `LEAD_S` before an over to `TAIL_S` past it, and every
`idle_s` between.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tests.coupler_model import FULL_SCALE_V, TELLS_FROM, Coupler, random_coupler
from tests.station_model.detectors import (
    SETTLED,
    TEMPERATURE_STEP_C,
    Converter,
    Table,
    follow,
    table,
)
from tests.station_model.faults import Fault
from tests.station_model.line import CABLES, Antenna, Complex, Line, parallel, series
from tests.station_model.traffic import Envelope, Open, Over

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

EPOCH_NS = 1_767_225_600_000_000_000  # 2026-01-01
DAY_S = 86_400.0
LEAD_S = 1.2
TAIL_S = 3.0
KHZ = {1: 26965.0, 10: 27075.0, 20: 27205.0, 30: 27305.0, 40: 27405.0}
MOST_WATTS = 20.0  # what the converter must take at either port
DEAFEST_W = 0.4  # a coupler that cannot read less is not worth watching with
SWAY_PARTS = 4


@dataclass(frozen=True)
class Record:
    """Pairs and the truth about them, arrays (n,).

    time_ns, forward_v, reflected_v, channel   what the bridge tells
    keyed       the transmitter's key is down
    incident_w  at the coupler
    gamma       reflection coefficient at the coupler, NaN while unkeyed
    calm_rho    |gamma| with the plug's contact good and without `opens`
    overs, opens   what was played
    """

    time_ns: Ints
    forward_v: Floats
    reflected_v: Floats
    channel: Floats
    keyed: Bools
    incident_w: Floats
    gamma: Complex
    calm_rho: Floats
    overs: Sequence[Over]
    opens: Sequence[Open]

    @property
    def t(self) -> Floats:
        """Seconds since the start of the simulation."""
        return np.asarray((self.time_ns - EPOCH_NS) * 1e-9)

    def __len__(self) -> int:
        return len(self.time_ns)


@dataclass(frozen=True)
class Station:
    """A station; see the module. `lead` turns what the coupler sees of the plug."""

    antenna: Antenna
    line: Line
    coupler: Coupler
    converter: Converter = field(default_factory=Converter)
    lead: complex = 1.0 + 0.0j
    source: complex = 0.0j
    contact_ohm: float = 0.01
    attack_s: float = 0.0
    decay_s: float = 0.0
    sway: float = 0.0
    sway_hz: float = 0.7
    shack_c: float = 0.0  # crest of the day's swing
    air_c: float = 0.0
    r_is_per_c: float = 0.015
    zero_per_c: float = 0.0  # volts
    rate_hz: float = 200.0
    idle_s: float = 4.99  # no whole number of periods of the mains
    faults: tuple[Fault, ...] = ()

    @property
    def floor_w(self) -> float:
        """Incident power from which one pair tells SWR 1.5 from 1, from the truth."""
        return TELLS_FROM * self.coupler.reflected.square_law * self.converter.noise_v

    def gamma(self, khz: float, at_s: float = 0.0) -> complex:
        """At the shack end of the line, the plug not counted."""
        warmer = self._air(at_s)
        shift = -self.antenna.f0_khz * 23e-6 * warmer  # aluminium grows
        shift += sum(fault.shift_khz(at_s) for fault in self.faults)
        extra_db = sum(fault.extra_loss_db(at_s) for fault in self.faults)
        far = self.antenna.gamma(khz, shift, 1 + 0.002 * warmer)
        return far * self.line.there_and_back(khz, extra_db)

    def record(
        self,
        rng: np.random.Generator,
        overs: Sequence[Over],
        opens: Sequence[Open] = (),
        *,
        since_s: float | None = None,
        until_s: float | None = None,
    ) -> Record:
        """Play the overs; idle pairs before the first and after the last if told from when."""
        step_ns = round(1e9 / self.rate_hz)
        parts: list[Record] = []
        rate = 1e9 / step_ns
        at = None if since_s is None else math.ceil(since_s * rate)
        for index, over in enumerate(overs):
            begin = math.ceil((over.start_s - LEAD_S) * rate)
            if at is not None:
                begin = max(begin, at)
                parts += self._idle(rng, at, begin, step_ns)
            past_s = over.end_s + TAIL_S
            if index + 1 < len(overs):
                past_s = min(past_s, (over.end_s + overs[index + 1].start_s) / 2)
            at = max(math.ceil(past_s * rate), begin)
            if at > begin:
                here = [o for o in opens if o.start_s < over.end_s and o.end_s > over.start_s]
                parts.append(self._over(rng, over, here, np.arange(begin, at) * step_ns))
        if at is not None and until_s is not None:
            parts += self._idle(rng, at, math.ceil(until_s * rate), step_ns)
        joined = {
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in Record.__dataclass_fields__
            if name not in ("overs", "opens")
        }
        return Record(**joined, overs=tuple(overs), opens=tuple(opens))

    def _idle(
        self, rng: np.random.Generator, begin: int, past: int, step_ns: int
    ) -> Iterator[Record]:
        stride = max(round(self.idle_s * 1e9 / step_ns), 1)
        ticks = np.arange(begin + stride // 2, past, stride)
        if len(ticks):
            yield self._over(rng, None, [], ticks * step_ns)

    def _over(
        self, rng: np.random.Generator, over: Over | None, opens: list[Open], offset_ns: Ints
    ) -> Record:
        t: Floats = np.asarray(offset_ns * 1e-9, dtype=np.float64)
        at_s = float(t[0])
        forward, reflected = self._tables(at_s)
        zero_v = tuple(side.volts(np.zeros(1))[0] for side in (forward, reflected))
        volts = np.full(len(t), zero_v[0]), np.full(len(t), zero_v[1])
        keyed = np.zeros(len(t), dtype=bool)
        incident_w = np.zeros(len(t))
        gamma = np.full(len(t), np.nan, dtype=np.complex128)
        calm_rho = np.full(len(t), np.nan)
        channel = float("nan") if over is None else over.channel
        if over is not None:
            for fault in self.faults:
                fault.key_down(over)
            part = slice(*np.searchsorted(t, [over.start_s, over.end_s + SETTLED * self.decay_s]))
            wave = _Wave(self, over, opens, rng, t[part])
            keyed = (t >= over.start_s) & (t < over.end_s)
            incident_w[part] = wave.incident_w()
            gamma[keyed], calm_rho[keyed] = (
                array[: int(keyed.sum())] for array in (wave.gamma, wave.calm_rho)
            )

            def target(times: Floats, which: slice | Bools) -> tuple[Floats, Floats]:
                heard = wave.heard(times, which)
                return forward.volts(heard[0]), reflected.volts(heard[1])

            settled = target(t[part], slice(None))
            moving = wave.moving(SETTLED * max(self.attack_s, self.decay_s))
            if moving.any():
                followed = follow(
                    lambda times: target(times, moving),
                    t[part][moving],
                    self.attack_s,
                    self.decay_s,
                )
                for to, value in zip(settled, followed, strict=True):
                    to[moving] = value
            for to, value in zip(volts, settled, strict=True):
                to[part] = value
        read = []
        for side, own, zero, hum in zip(
            ("forward", "reflected"), volts, zero_v, (1.0, 0.8), strict=True
        ):
            changed = own
            for fault in self.faults:
                changed = fault.line_volts(side, t, changed, float(zero))
            readings = self.converter.read(rng, t, changed, hum)
            for fault in self.faults:
                readings = fault.readings(side, t, readings)
            read.append(readings)
        return Record(
            EPOCH_NS + offset_ns,
            read[0],
            read[1],
            np.full(len(t), float(channel)),
            keyed,
            incident_w,
            gamma,
            calm_rho,
            (),
            (),
        )

    def _tables(self, at_s: float) -> tuple[Table, Table]:
        warmer = self.shack_c * math.sin(2 * math.pi * (at_s / DAY_S - 0.4))
        warmer += 0.5 * self.shack_c * math.sin(2 * math.pi * at_s / (9.3 * DAY_S))
        steps = round(warmer / TEMPERATURE_STEP_C)
        forward, reflected = (
            table(port, steps, self.r_is_per_c, self.zero_per_c)
            for port in (self.coupler.forward, self.coupler.reflected)
        )
        return forward, reflected

    def _air(self, at_s: float) -> float:
        day = math.sin(2 * math.pi * (at_s / DAY_S - 0.35))
        return self.air_c * (day + math.sin(2 * math.pi * at_s / (365 * DAY_S)))


class _Wave:
    """The waves at the coupler during one over: asked at `t` (n,) and a little before."""

    def __init__(
        self,
        station: Station,
        over: Over,
        opens: list[Open],
        rng: np.random.Generator,
        t: Floats,
    ) -> None:
        self._station, self._over, self._t = station, over, t
        self._envelope = Envelope(over)
        khz = KHZ[over.channel]
        self._calm = station.gamma(khz, over.start_s) * (1 + _sway(station, rng, t))
        self._starts = np.array([o.start_s for o in opens])
        self._ends = np.array([o.end_s for o in opens])
        self._ohms = np.array([o.impedance(khz) for o in opens], dtype=np.complex128)
        faults = station.faults
        self._series = [f.series_ohm for f in faults if type(f).series_ohm is not Fault.series_ohm]
        self._strands = [
            f.strand_siemens for f in faults if type(f).strand_siemens is not Fault.strand_siemens
        ]
        self._foreign = [
            f.foreign_watts for f in faults if type(f).foreign_watts is not Fault.foreign_watts
        ]
        self._restless = bool(self._series or self._strands)
        power = math.prod(f.power_factor(over.start_s) for f in faults)
        # Watts are told of the station as it usually is.
        usual = series(station.gamma(khz), station.contact_ohm) * station.lead
        self._scale = math.sqrt(power) * abs(1 - station.source * complex(usual))
        good = series(self._calm, station.contact_ohm) * station.lead
        self.calm_rho = np.abs(good)
        self.gamma = good if self._quiet else self._gamma(t, slice(None))
        self._now = self._gains(self.gamma)

    @property
    def _quiet(self) -> bool:
        return not len(self._starts) and not self._restless

    def _open_ohm(self, times: Floats) -> Complex:
        if not len(self._starts):
            return np.zeros(len(times), dtype=np.complex128)
        at = np.searchsorted(self._starts, times, side="right") - 1
        inside = (at >= 0) & (times < self._ends[at])
        return np.asarray(np.where(inside, self._ohms[at], 0.0))

    def _gamma(self, times: Floats, which: slice | Bools) -> Complex:
        ohm = self._station.contact_ohm + self._open_ohm(times)
        for series_ohm in self._series:
            ohm = ohm + series_ohm(times)
        gamma = series(self._calm[which], ohm)
        for siemens in self._strands:
            gamma = parallel(gamma, siemens(times))
        return np.asarray(gamma * self._station.lead)

    def _gains(self, gamma: Complex) -> tuple[Floats, Floats, Floats]:
        """Of the incident wave and of what either port hears, relative to the envelope."""
        incident = self._scale / np.abs(1 - self._station.source * gamma)
        coupler = self._station.coupler
        return (
            np.asarray(incident),
            incident * np.abs(1 + coupler.forward.leak * gamma),
            incident * np.abs(gamma + coupler.reflected.leak),
        )

    def incident_w(self) -> Floats:
        """At `t`."""
        return np.asarray((self._envelope.root_watts(self._t) * self._now[0]) ** 2)

    def heard(self, times: Floats, which: slice | Bools) -> tuple[Floats, Floats]:
        """Roots of the watts at both ports at `times`, which belong to `t[which]`."""
        root = self._envelope.root_watts(times)
        if self._quiet:
            forward, reflected = self._now[1][which], self._now[2][which]
        else:
            _, forward, reflected = self._gains(self._gamma(times, which))
        forward, reflected = root * forward, root * reflected
        for watts in self._foreign:
            reflected = np.sqrt(reflected**2 + watts(self._over.channel, times))
        return forward, reflected

    def moving(self, span_s: float) -> Bools:
        """Which of `t` lie so soon after a change that the capacitors matter, (n,)."""
        if not span_s:
            return np.zeros(len(self._t), dtype=bool)
        if not self._envelope.steady:
            return np.ones(len(self._t), dtype=bool)
        over, t = self._over, self._t
        moving = t < over.start_s + over.rise_s + span_s
        moving |= t > over.end_s - over.fall_s
        for changes in (self._starts, self._ends, [f.at_s for f in self._station.faults]):
            for change_s in changes:
                moving[slice(*np.searchsorted(t, [change_s, change_s + span_s]))] = True
        return np.asarray(moving)


def _sway(station: Station, rng: np.random.Generator, t: Floats) -> Complex:
    """s at `t` (n,), see the module."""
    if not station.sway:
        return np.zeros(len(t), dtype=np.complex128)
    hz = np.clip(station.sway_hz * rng.uniform(0.6, 1.6, SWAY_PARTS), 0.2, 2.0)
    size = rng.dirichlet(np.full(SWAY_PARTS, 2.0)) * station.sway * rng.uniform(0.0, 1.0) ** 0.5
    phase = rng.uniform(0, 2 * np.pi, SWAY_PARTS)
    turn = np.exp(1j * rng.normal(0.0, 0.5, SWAY_PARTS))
    total = np.zeros(len(t), dtype=np.complex128)
    for one in range(SWAY_PARTS):
        total += size[one] * turn[one] * np.sin(2 * np.pi * hz[one] * t + phase[one])
    lull, period_s = rng.uniform(0.0, 0.9), rng.uniform(8.0, 40.0)
    gust = 1 - lull * np.sin(np.pi * t / period_s + phase[0]) ** 2
    return np.asarray(total * gust)


def random_station(
    rng: np.random.Generator,
    *,
    sway: float = 0.1,
    hum_lsb: float = 0.0,
    shack_c: float = 4.0,
    air_c: float = 8.0,
    faults: tuple[Fault, ...] = (),
) -> Station:
    """A station whose SWR is 2 at most on every channel and whose coupler can read DEAFEST_W."""
    antenna = _random_antenna(rng)
    converter = Converter(hum_lsb=hum_lsb)
    # Half of the stations have smoothing that can be seen between pairs.
    tau_s = float(rng.choice([0.0, rng.uniform(0.2e-3, 0.4e-3)]))
    return Station(
        antenna,
        Line(str(rng.choice(list(CABLES))), float(rng.uniform(3, 60))),
        _random_coupler(rng, converter),
        converter,
        lead=cmath.exp(1j * rng.uniform(0, 2 * math.pi)),
        source=cmath.rect(rng.uniform(0, 0.2), rng.uniform(0, 2 * math.pi)),
        contact_ohm=float(10 ** rng.uniform(-3, -1)),
        attack_s=tau_s * float(rng.uniform(0.3, 1.0)),
        decay_s=tau_s,
        sway=sway,
        sway_hz=float(rng.uniform(0.3, 1.3)),
        shack_c=shack_c,
        air_c=air_c,
        r_is_per_c=float(rng.uniform(0.0, 0.02)),
        zero_per_c=converter.step_v * float(rng.normal(0, 0.1)),
        faults=faults,
    )


def _random_antenna(rng: np.random.Generator) -> Antenna:
    """SWR 1 to 2 at the antenna on every channel."""
    while True:
        antenna = Antenna(
            float(rng.uniform(26, 95)), float(rng.uniform(3, 14)), float(rng.uniform(27000, 27400))
        )
        if max(abs(antenna.gamma(khz)) for khz in KHZ.values()) <= 1 / 3:
            return antenna


def _random_coupler(rng: np.random.Generator, converter: Converter) -> Coupler:
    while True:
        coupler = random_coupler(rng, bits=converter.bits)
        ports = coupler.forward, coupler.reflected
        bound_w = min(float(port.watts(0.97 * FULL_SCALE_V)) for port in ports)
        floor_w = TELLS_FROM * coupler.reflected.square_law * converter.noise_v
        if bound_w >= MOST_WATTS and floor_w <= DEAFEST_W:
            return replace(coupler, top_w=min(MOST_WATTS, bound_w / 1.3))
