"""What was tried and what came of it; the next trial; the verdict. No clock, no terminal.

Odds are derived from the state each time, so that a session can be resumed and a step taken back.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.isolate.chain import Chain, Part, Symptom, faults, prior, shows
from logger.isolate.elimination import best, by_part, gain, posterior
from logger.isolate.trial import Trial, table
from logger.isolate.trials import trials

SURE = 0.95  # of one part among all, unless there are several faults
CLEARED = 0.02
DOUBTFUL = 0.4  # of several faults, from where on it is said and none is named
RENEWED = ("new-plug", "other-line")
UNLIKELY = 0.2  # an outcome that speaks against a part
LEAST_BITS = 0.02  # less is not worth going for


class Taken(msgspec.Struct, frozen=True):
    """A trial that was made: whether it came out bad, and what the coupler read."""

    key: str
    bad: bool
    swr: float | None = None
    swr_low: float | None = None
    swr_high: float | None = None


class State(msgspec.Struct):
    """All that is worth keeping when a session is interrupted."""

    chain: tuple[str, ...]
    direct_current: str = "unknown"
    usual_swr: float | None = None  # not known before the first carrier
    symptom: Symptom | None = None
    as_is: Taken | None = None  # what the coupler read before anything was tried
    taken: list[Taken] = []
    skipped: list[str] = []
    lacking: list[str] = []
    rechecked: bool = False  # that outcomes contradict each other has been said
    weights: dict[str, float] = {}  # by mode: how many times likelier by an alarm's diagnosis


class Step(NamedTuple):
    """A trial that is proposed, with the bits it is expected to give and what it costs now."""

    trial: Trial
    bits: float
    minutes: float


class Verdict(NamedTuple):
    """What the outcomes amount to: odds of each part, the likeliest first, and of no single one."""

    odds: tuple[tuple[Part, float], ...]
    elsewhere: float
    against: tuple[Taken, ...]  # outcomes that do not fit the likeliest part

    @property
    def found(self) -> Part | None:
        """The part that is left, if one is."""
        part, odds = self.odds[0]
        sure = odds >= SURE * (1 - self.elsewhere) and not self.contradictory
        return part if sure else None

    @property
    def left(self) -> tuple[tuple[Part, float], ...]:
        """Those that are still suspected."""
        return tuple(pair for pair in self.odds if pair[1] >= self._least)

    @property
    def cleared(self) -> tuple[Part, ...]:
        """Those that are not, in order of the chain; none where there may well be several faults,
        of which one would hide another."""
        parts = [part for part, odds in self.odds if odds < self._least]
        return () if self.contradictory else tuple(sorted(parts, key=lambda part: part.place))

    @property
    def _least(self) -> float:
        return CLEARED * (1 - self.elsewhere)

    @property
    def contradictory(self) -> bool:
        """Whether the outcomes fit no single fault."""
        return self.elsewhere >= DOUBTFUL


class Session:
    """Raises UsageError if the chain in `state` cannot be one."""

    def __init__(self, state: State) -> None:
        self.state = state
        self.chain = Chain(state.chain)
        self._faults = faults(self.chain)
        last = len(self.chain.parts)
        self._part = np.array([last if f.place is None else f.place for f in self._faults])
        self._trials: dict[str, Trial] = {}
        if state.symptom is not None:
            self.begin(state.symptom)

    def begin(self, symptom: Symptom) -> None:
        """What is wrong as it is."""
        self.state.symptom = symptom
        found = trials(self.chain, symptom, self.state.direct_current)
        self._trials = {trial.key: trial for trial in found}

    @property
    def odds(self) -> Floats:
        """How likely each part is, (parts + 1,); the last is more than one fault or another."""
        return by_part(self._posterior(), self._part)

    def offered(self) -> list[Trial]:
        """The trials that may still be made."""
        done = [each.key for each in self.state.taken]
        return [
            trial
            for key, trial in self._trials.items()
            if done.count(key) < trial.takes
            and key not in self.state.skipped
            and trial.needs not in self.state.lacking
        ]

    def next(self) -> Step | None:
        """The trial that tells most for its cost, None where one part is left or none tells
        anything."""
        if self.verdict().found is not None:
            return None
        # What is told of ELSEWHERE only is not worth a walk.
        now = np.where(self._part < len(self.chain.parts), self._posterior(), 0.0)
        steps = [
            Step(trial, gain(now, self._now(trial), self._part), trial.cost(self.last_trial))
            for trial in self.offered()
        ]
        place = best([step.bits for step in steps], [step.minutes for step in steps], LEAST_BITS)
        return None if place is None else steps[place]

    def trial(self, key: str) -> Trial:
        """The trial of that key."""
        return self._trials[key]

    @property
    def cured(self) -> bool:
        """Whether the trouble went when what is found was replaced, last of all."""
        part, last = self.verdict().found, self.last_trial
        if part is None or last is None or self.state.taken[-1].bad:
            return False
        return last.kind in ("swap", "bypass", *RENEWED) and part.place not in last.within

    @property
    def last_trial(self) -> Trial | None:
        """The one that was made last."""
        return self._trials[self.state.taken[-1].key] if self.state.taken else None

    def take(self, taken: Taken) -> None:
        """The outcome of a trial."""
        self.state.taken.append(taken)

    def back(self) -> Taken | None:
        """Forget the last outcome; None if there is none."""
        return self.state.taken.pop() if self.state.taken else None

    def skip(self, trial: Trial) -> None:
        """It is not to be proposed again."""
        self.state.skipped.append(trial.key)

    def lack(self, trial: Trial) -> None:
        """What it needs is not at hand: no trial that needs it is to be proposed."""
        if trial.needs is None:
            self.skip(trial)
        else:
            self.state.lacking.append(trial.needs)

    def verdict(self) -> Verdict:
        """What is known by now."""
        odds = self.odds
        order = sorted(self.chain.parts, key=lambda part: -odds[part.place])
        return Verdict(
            tuple((part, float(odds[part.place])) for part in order),
            float(odds[-1]),
            tuple(each for each in self.state.taken if self._unlikely(each, order[0].place)),
        )

    def _unlikely(self, taken: Taken, place: int) -> bool:
        chances = self._given(place, self._table(self._trials[taken.key], 0))
        return bool(chances[int(taken.bad)] < UNLIKELY)

    def _given(self, place: int, table_: Floats) -> Floats:
        """Chances of good and bad with a fault in that part, (2,)."""
        weight = np.where(self._part == place, self._posterior(), 0.0)
        return np.asarray(weight @ table_ / weight.sum())

    def _now(self, trial: Trial) -> Floats:
        return self._table(trial, sum(each.key == trial.key for each in self.state.taken))

    def _table(self, trial: Trial, taken: int) -> Floats:
        return table(trial, self._faults, taken)

    def _posterior(self) -> Floats:
        weights = [
            1.0 if fault.mode is None else self.state.weights.get(fault.mode.value, 1.0)
            for fault in self._faults
        ]
        likelihoods = [np.array(weights)]
        symptom = self.state.symptom
        if symptom is not None:
            likelihoods.append(np.array([shows(self.chain, f, symptom) for f in self._faults]))
        for number, each in enumerate(self.state.taken):
            before = sum(other.key == each.key for other in self.state.taken[:number])
            likelihoods.append(self._table(self._trials[each.key], before)[:, int(each.bad)])
        return posterior(prior(self.chain), likelihoods)


def kept(state: State) -> bytes:
    """A state as JSON."""
    return msgspec.json.encode(state)


def found(content: bytes) -> State:
    """The state that was kept. Raises msgspec.DecodeError (a ValidationError among them)."""
    return msgspec.json.decode(content, type=State)
