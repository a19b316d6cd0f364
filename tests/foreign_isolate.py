"""Plays `isolate` on the independent stations of `tests.foreign_chains` and scores its verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.isolate.chain import Chain, Symptom
from logger.isolate.session import IsolationSession, IsolationState, TrialOutcome
from tests.foreign_chains import Arrangement, ForeignStation, random_chain

NO_POWER = 0.02
"""Share of the usual forward power below which none arrives."""
OPEN_OHM = 1e7 + 0j
OPEN_SWR = 6.0
"""SWR that an open port shows at least at a sound coupler."""
REPAIRS = ("new-plug", "other-line")
"""Trials that leave what they renew as it is."""
MOST_TRIALS = 60
LONG_MIN = 20.0
"""A trial of so many minutes, or up at the antenna, is not to be made twice."""


@dataclass(frozen=True)
class Play:
    """A session on one station: what was planted, what was tried and what was named."""

    seed: int
    station: ForeignStation
    symptom: str
    named: int | None
    left: dict[str, float]
    outcomes: tuple[tuple[str, bool], ...]
    minutes: float
    jobs_twice: int

    @property
    def result(self) -> str:
        """`right` if a faulty part is named, `wrong` if a sound one, `open` if none."""
        if self.named is None:
            return "open"
        return "right" if self.named in self.station.fault_places else "wrong"

    @property
    def mode(self) -> str:
        """Mode of the first fault."""
        return self.station.faults[0].mode

    @property
    def kind(self) -> str:
        """Part with the first fault."""
        return self.station.parts[self.station.faults[0].place].kind

    @property
    def circumstances(self) -> str:
        """What makes the station harder than one lasting fault and a good load."""
        if len(self.station.faults) > 1:
            return "two faults"
        if not self.station.load_is_sound:
            return "bad dummy load"
        if self.station.faults[0].is_intermittent:
            return "comes and goes"
        return "one lasting fault"

    def account(self) -> str:
        """One line on the station, its trials and the verdict."""
        faults = [(one.place, one.mode, round(one.share, 2)) for one in self.station.faults]
        tried = " ".join(f"{key}{'-' if bad else '+'}" for key, bad in self.outcomes)
        left = {name: round(odds, 2) for name, odds in self.left.items()}
        return (
            f"{self.seed} {self.result} {self.symptom} {self.station.chain_text} {faults}"
            f" load {self.station.load_is_sound} named {self.named} {left}: {tried}"
        )


def symptom_of(station: ForeignStation) -> Symptom:
    """Return what the owner of the station says is wrong."""
    if station.symptom == "none":
        return Symptom.LOWER
    if station.symptom == "weak":
        forward = station.present.shown_forward
        return Symptom.NONE if forward < NO_POWER else Symptom.LESS
    return Symptom(station.symptom)


def answer(
    station: ForeignStation, key: str, rng: np.random.Generator, renewed: frozenset[int]
) -> bool:
    """Return the person's answer; for the open port, which the stations lack, an open load.

    Parts at the places `renewed` were made anew before, and stay so.
    """
    kind, _, place = key.partition(":")
    if kind != "open-port":
        return station.answer(key, rng, renewed=renewed)
    open_end = replace(station, load_ohm=OPEN_OHM)
    shown = open_end.swr_with(Arrangement(load_at=int(place)), rng).shown_swr
    return bool((shown < OPEN_SWR) != (rng.random() < station.slip_rate))


def play(seed: int, slip_rate: float = 0.05, station: ForeignStation | None = None) -> Play:
    """Lead a session to its end; the person does whatever is proposed."""
    station = station or random_chain(seed, slip_rate=slip_rate)
    rng = np.random.default_rng([seed, 0x150])
    symptom = symptom_of(station)
    names = Chain(station.chain_text.split(",")).names
    session = IsolationSession(IsolationState(names, direct_current=station.direct_current))
    session.begin(symptom)
    outcomes: list[tuple[str, bool]] = []
    minutes, twice = 0.0, 0
    done: set[str] = set()
    renewed: frozenset[int] = frozenset()
    while (step := session.next()) is not None and len(outcomes) < MOST_TRIALS:
        trial = step.trial
        last = session.last_trial
        again = last is not None and last.key == trial.key
        heavy = trial.minutes >= LONG_MIN or trial.key.split(":")[0] in ("open-end", "other-line")
        if trial.place is not None:
            part = session.chain.parts[trial.place]
            heavy |= part.outdoors and part.kind.name != "ground" and trial.kind != "glance"
        twice += heavy and trial.key in done and not again
        done.add(trial.key)
        bad = answer(station, trial.key, rng, renewed)
        if trial.kind in REPAIRS:
            renewed |= station.arrangement_for(trial.key).replaced
        session.take(TrialOutcome(trial.key, bad))
        outcomes.append((trial.key, bad))
        minutes += step.minutes
    verdict = session.verdict()
    return Play(
        seed,
        station,
        symptom.value,
        None if verdict.faulty is None else verdict.faulty.place,
        {part.title: odds for part, odds in verdict.suspects},
        tuple(outcomes),
        minutes,
        twice,
    )
