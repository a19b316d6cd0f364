"""Invented stations with one planted fault, and what every trial would show there.

Physics of `tests.station_model.line`: plugs as resistances in series or across, a lossy line that
may be broken, shorted or wet somewhere, a series resonant antenna. Nothing is taken from the tables
of the package but the names of trials; what is found by eye is a coin of its own. An outcome is
misread with the chance MISREAD.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from logger.isolate.chain import DEFAULT, Chain, Mode, Symptom
from logger.isolate.reading import SwrReading, least_of_open_end, load_reads, sound
from logger.isolate.session import IsolationSession, IsolationState, TrialOutcome, TrialStep
from logger.isolate.trial import Trial
from logger.physics.reflection import blend, swr
from tests.station_model.line import CABLES, Antenna, Line, parallel, series

MISREAD = 0.05
NOT_PLANTED = (Mode.LOOSE, Mode.DETECTOR)
USUAL_SWR = 1.5
KHZ = 27205.0
CHAINS = (
    DEFAULT,
    ("radio", "lead", "coupler", "plug", "line", "plug", "antenna", "ground"),
    ("radio", "lead", "coupler", "lead", "arrester", "plug", "line", "plug", "antenna"),
    ("radio", "lead", "coupler", "plug", "line", "joint", "line", "plug", "antenna"),
)
SOUND = Line("RG-58", 1.0)


@dataclass(frozen=True)
class Station:
    """What there is, and what is wrong with it; ohms in series and across by place of the part."""

    chain: Chain
    place: int
    mode: Mode
    antenna: Antenna
    lines: dict[int, Line]
    leak: float
    phase: float  # of the leak
    series_ohm: float = 0.0
    across_ohm: float = math.inf
    where: float = 0.5  # of the way along the line
    wet_db: float = 0.0
    shift_khz: float = 0.0
    false_rho: float = 0.0

    def rho(
        self, *, upto: int | None = None, end: complex = 0.0, gone: tuple[int, ...] = ()
    ) -> float:
        """What the coupler reads: as it is, or with `end` in place of all behind the part `upto`;
        parts `gone` are replaced by sound ones."""
        chain = self.chain
        last = chain.feed if upto is None else upto
        gamma = np.asarray(end, dtype=np.complex128)
        for place in range(last, chain.coupler, -1):
            bad = place == self.place and place not in gone
            if place == chain.feed:
                gamma = np.asarray(self._antenna(gone))
            elif chain.names[place] == "line":
                gamma = self._line(place, gamma, bad, place in gone)
            elif bad:
                gamma = self._contact(gamma)
        reading = abs(
            complex(gamma) + self.leak * complex(math.cos(self.phase), math.sin(self.phase))
        )
        if self.place == chain.coupler and chain.coupler not in gone:
            reading = math.hypot(reading, self.false_rho)
        return min(reading, 0.998)

    def _antenna(self, gone: tuple[int, ...]) -> complex:
        chain = self.chain
        if self.place < chain.feed or chain.feed in gone:
            return self.antenna.gamma(KHZ)
        if self.place == chain.feed and self.mode is Mode.DETUNED:
            return self.antenna.gamma(KHZ, self.shift_khz)
        if self.place > chain.feed and self.place in gone:
            return self.antenna.gamma(KHZ)
        return complex(self._contact(np.asarray(self.antenna.gamma(KHZ))))

    def _contact(self, gamma: np.ndarray) -> np.ndarray:
        return parallel(series(gamma, self.series_ohm), 1 / self.across_ohm)

    def _line(self, place: int, gamma: np.ndarray, bad: bool, other: bool) -> np.ndarray:
        line = self.lines[place]
        if not bad or other:
            return gamma * line.there_and_back(KHZ)
        far = replace(line, length_m=line.length_m * (1 - self.where))
        near = replace(line, length_m=line.length_m * self.where)
        behind = self._contact(gamma * far.there_and_back(KHZ, self.wet_db))
        return behind * near.there_and_back(KHZ)

    def seen(self, rho: float) -> SwrReading:
        """The SWR as the coupler tells it."""
        width = float(blend(np.array(0.004), np.array(self.leak)))
        low, high = max(0.0, rho - width), min(0.998, rho + width)
        return SwrReading(float(swr(rho)), float(swr(low)), float(swr(high)))

    @property
    def lost_db(self) -> float:
        """How much more than usual is lost on the way to the antenna, roughly."""
        through = 10 * math.log10(1 + self.series_ohm / 100) ** 2 if self.series_ohm else 0.0
        return self.wet_db + through

    def symptom(self) -> Symptom | None:
        """What a person notices; None if nothing."""
        if self.place < self.chain.coupler:
            if self.mode is Mode.POOR:
                return Symptom.UPSTREAM
            return Symptom.WEAK if self.mode is Mode.LOSSY else Symptom.NONE
        if self.place == self.chain.coupler and self.mode is Mode.DEAD:
            return Symptom.NONE
        if self.seen(self.rho()).low > USUAL_SWR:
            return Symptom.HIGH
        return Symptom.WEAK if self.lost_db >= 3 else None


def random_station(rng: np.random.Generator) -> Station:
    """A station whose fault is noticed. Every part is as likely to have it, whatever the package
    thinks of it."""
    while True:
        station = _random(rng)
        if station.symptom() is not None:
            return station


def _random(rng: np.random.Generator) -> Station:
    chain = Chain(CHAINS[rng.integers(len(CHAINS))])
    part = chain.parts[rng.integers(len(chain.parts))]
    modes = [mode for mode in part.kind.modes if mode not in NOT_PLANTED]
    mode = modes[rng.integers(len(modes))]
    ohm, across = 0.0, math.inf
    if mode is Mode.OPEN:
        ohm = 10 ** rng.uniform(3, 5)
    elif mode is Mode.SHORT:
        across = rng.uniform(0.05, 3)
    elif mode is Mode.POOR and (part.kind.name == "ground" or rng.random() < 0.6):
        ohm = 10 ** rng.uniform(1.3, 2.5)
    elif mode is Mode.POOR:
        across = 10 ** rng.uniform(0.8, 2)
    sign = rng.choice([-1, 1])
    lines = {
        place: Line(str(rng.choice(list(CABLES))), float(rng.uniform(4, 30)))
        for place, name in enumerate(chain.names)
        if name == "line"
    }
    antenna = Antenna(rng.uniform(40, 60), rng.uniform(6, 15), KHZ + rng.uniform(-150, 150))
    return Station(
        chain,
        part.place,
        mode,
        antenna,
        lines,
        leak=10 ** (-rng.uniform(22, 40) / 20),
        phase=rng.uniform(0, 2 * math.pi),
        series_ohm=float(ohm),
        across_ohm=float(across),
        where=rng.uniform(0, 1),
        wet_db=rng.uniform(3, 10) if mode is Mode.LOSSY else 0.0,
        shift_khz=sign * 10 ** rng.uniform(2.7, 3.5),
        false_rho=rng.uniform(0.3, 0.8) if mode is Mode.FALSE else 0.0,
    )


class Person:
    """Does what is proposed at a station and tells what came of it."""

    def __init__(
        self, station: Station, rng: np.random.Generator, misread: float = MISREAD
    ) -> None:
        self.station = station
        self._rng = rng
        self._misread = misread
        self.as_is = station.seen(station.rho())
        self._renewed: frozenset[int] = frozenset()
        self._eye = rng.uniform(0.3, 0.8)  # share of faults that this person sees

    def answer(self, trial: Trial) -> bool | None:
        """Whether it came out bad; None if it cannot be told."""
        bad = self._truth(trial)
        if trial.kind in ("new-plug", "other-line"):
            places = {part.place for part in self.station.chain.parts}
            self._renewed |= places - trial.within
        if bad is not None and self._rng.random() < self._misread:
            return not bad
        return bad

    def _truth(self, trial: Trial) -> bool | None:
        station, chain, symptom = self.station, self.station.chain, self.station.symptom()
        if station.place in self._renewed:
            return False
        match trial.kind:
            case "look" | "glance":
                hidden = 0.5 if trial.kind == "glance" else 1.0
                return trial.place == station.place and self._rng.random() < hidden * self._eye
            case "wiggle":
                near = not chain.parts[station.place].outdoors and station.place > 0
                loose = station.mode in (Mode.OPEN, Mode.SHORT, Mode.POOR)
                return near and loose and self._rng.random() < 0.5
            case "open-end":
                end = complex(1.0)
                seen = station.seen(station.rho(upto=chain.feed - 1, end=end))
                loss_db = sum(line.loss_db(KHZ) for line in station.lines.values())
                return seen.high < least_of_open_end(1.05 * loss_db)
            case "load":
                return self._load(trial)
        if trial.kind.startswith("ohm"):
            return self._ohms(trial)
        gone = tuple(p.place for p in chain.parts if p.place not in trial.within)
        if symptom is not Symptom.HIGH or not trial.carrier:
            return station.place not in gone
        return self._judged(station.rho(gone=gone), USUAL_SWR)

    def _load(self, trial: Trial) -> bool | None:
        assert trial.place is not None
        if not trial.carrier:
            return self.station.place <= trial.place
        if self.station.symptom() is Symptom.NONE:
            return True  # whatever is behind the coupler, no power comes to it
        end = complex(self._rng.normal(0, 0.015), self._rng.normal(0, 0.015))
        return self._judged(
            self.station.rho(upto=trial.place, end=end), load_reads(self.station.leak)
        )

    def _judged(self, rho: float, limit: float) -> bool | None:
        good = sound(self.station.seen(rho), limit, self.as_is)
        return None if good is None else not good

    def _ohms(self, trial: Trial) -> bool:
        station = self.station
        there = station.place in trial.within
        broken = there and station.series_ohm > 5
        shorted = there and station.across_ohm < 5000
        if trial.kind == "ohm-lead":
            return broken or shorted
        return broken if trial.kind in ("ohm-through", "ohm-closed") else shorted


Choice = Callable[[IsolationSession], TrialStep | None]


@dataclass(frozen=True)
class Outcome:
    """How a session went."""

    found: int | None
    left: tuple[int, ...]
    contradictory: bool
    trials: int
    minutes: float


def played(person: Person, choose: Choice = IsolationSession.next) -> Outcome:
    """A session to its end."""
    session = IsolationSession(
        IsolationState(person.station.chain.names, as_is=TrialOutcome("as-is", True, *person.as_is))
    )
    symptom = person.station.symptom()
    assert symptom is not None
    session.begin(symptom)
    minutes, count = 0.0, 0
    while (step := choose(session)) is not None and not session.verdict().contradictory:
        minutes += step.minutes
        count += 1
        bad = person.answer(step.trial)
        if bad is None:
            session.skip(step.trial)
        else:
            session.take(TrialOutcome(step.trial.key, bad))
    verdict = session.verdict()
    return Outcome(
        None if verdict.faulty is None else verdict.faulty.place,
        tuple(part.place for part, _ in verdict.suspects),
        verdict.contradictory,
        count,
        minutes,
    )


def in_order(session: IsolationSession) -> TrialStep | None:
    """The next trial from the transmitter outwards, what tells nothing of one place last, and all
    once more where that was not enough; what comes of them is judged as ever."""
    offered = session.offered()
    if session.verdict().faulty is not None or not offered:
        return None
    done = [each.key for each in session.state.outcomes]
    last = len(session.chain.parts)

    def rank(trial: Trial) -> tuple[int, int, float]:
        place = last if trial.place is None else trial.place
        return done.count(trial.key), place, trial.minutes

    first = min(offered, key=rank)
    return TrialStep(first, 0.0, first.cost(session.last_trial))
