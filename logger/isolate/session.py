"""A session of elimination: outcomes of trials, the next trial, the verdict. No clock, no terminal.

Odds are derived from the state each time, so that a session can be resumed and a step undone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.isolate.chain import TINY, Chain, Hypotheses, Part, Symptom, all_show
from logger.isolate.elimination import Places, best, gain, posterior
from logger.isolate.trial import Chances, Trial, chances_of
from logger.isolate.trials import LASTING, REPLACING, replaced_by, trials

SURE = 0.95  # odds of a part from which on it is named
SURE_AT_THE_END = 0.8  # the same once nothing more can be tried
CLEARED = 0.02  # odds below which a part that was tested is called sound
DOUBTFUL = 0.4  # odds of a fault in no part, from which on no part is named
READINGS_OF_REPAIR = 2  # more sound readings than bad, after which a repair has ended the trouble
ENOUGH = 0.95  # odds of a plug from which on its repair is not read once more
WITHOUT_ONE = 0.5  # odds that must remain whichever single outcome was a slip
REPAIRED = 0.65  # odds of what was renewed from which on the end of the trouble proves it
NOT_UNLIKELY = 0.4  # odds below which a part is not named even so
LIKELY = 0.6  # share of the odds of what was renewed, from which on a part is named
UNLIKELY = 0.2  # chance below which an outcome speaks against a part
LEAST_BITS = 0.01  # a trial expected to give less is not worth the work


class Taken(msgspec.Struct, frozen=True):
    """Outcome of a trial: whether it came out bad, and what the coupler read."""

    key: str
    bad: bool
    swr: float | None = None
    swr_low: float | None = None
    swr_high: float | None = None


class State(msgspec.Struct):
    """All that is worth keeping when a session is interrupted."""

    chain: tuple[str, ...]
    direct_current: str = "unknown"
    usual_swr: float | None = None  # the highest; not known before the first carrier
    symptom: Symptom | None = None
    as_is: Taken | None = None  # what the coupler read before anything was tried
    taken: list[Taken] = []
    skipped: list[str] = []
    lacking: list[str] = []
    rechecked: bool = False  # the person knows that outcomes contradict each other
    weights: dict[str, float] = {}  # by mode: how many times likelier by an alarm's diagnosis
    lowest_usual_swr: float | None = None


class Step(NamedTuple):
    """A trial that is proposed, with the bits it is expected to give and what it costs now."""

    trial: Trial
    bits: float
    minutes: float


class Verdict(NamedTuple):
    """Odds that each part is faulty, the likeliest first. Two may be, so they may exceed 1."""

    odds: tuple[tuple[Part, float], ...]
    tested: frozenset[int]  # places of parts that an outcome speaks for
    repaired: tuple[Part, ...]  # suspects among what was renewed when the trouble ended
    renewed: float  # odds that a part that was renewed then was faulty
    several: float  # odds of two faulty parts
    elsewhere: float  # odds of a fault in no part
    bad_load: float  # odds of a bad dummy load
    least: float  # odds of the likeliest if the outcome that speaks most for it was a slip
    is_last: bool  # nothing more can be tried
    against: tuple[Taken, ...]  # outcomes that do not fit the likeliest part

    @property
    def found(self) -> Part | None:
        """The faulty part, once it is known."""
        if self.repaired:
            suspects = [pair for pair in self.odds if pair[0] in self.repaired]
            part, odds = suspects[0]
            others = sum(share for _, share in suspects[1:])
            is_likely = odds >= max(NOT_UNLIKELY, LIKELY * (odds + others))
            return part if is_likely and self.renewed >= REPAIRED else None
        part, odds = self.odds[0]
        enough = SURE_AT_THE_END if self.is_last else SURE
        is_sure = odds >= enough * (1 - self.elsewhere) and not self.contradictory
        return part if is_sure and self.least >= WITHOUT_ONE else None

    @property
    def left(self) -> tuple[tuple[Part, float], ...]:
        """Parts that are still suspected."""
        return tuple(pair for pair in self.odds if pair[1] >= CLEARED)

    @property
    def cleared(self) -> tuple[Part, ...]:
        """Parts that were tested and are sound, in order of the chain."""
        if self.contradictory:
            return ()
        parts = [p for p, odds in self.odds if odds < CLEARED and p.place in self.tested]
        return tuple(sorted(parts, key=lambda part: part.place))

    @property
    def contradictory(self) -> bool:
        """True if the outcomes fit neither one faulty part nor two."""
        return self.elsewhere >= DOUBTFUL


class Session:
    """Raises UsageError if the chain in `state` cannot be one."""

    def __init__(self, state: State) -> None:
        self.state = state
        self.chain = Chain(state.chain)
        self._hypotheses = Hypotheses(self.chain)
        self._prior = self._hypotheses.prior
        places = [each.places for each in self._hypotheses.all]
        labels = {value: at for at, value in enumerate(dict.fromkeys(places))}
        self._label: Places = np.array([labels[value] for value in places])
        self._faulty = np.array(
            [[part.place in value for value in places] for part in self.chain.parts]
        )  # (parts, h)
        self._is_single = np.array([len(value) == 1 for value in places])
        self._is_load_bad = self._hypotheses.bad_load
        self._first = self._weights()
        self._is_exhausted = False
        self._trials: dict[str, Trial] = {}
        self._chances: dict[str, Chances] = {}
        self._outcomes: dict[tuple[str, int, int], Floats] = {}
        if state.symptom is not None:
            self.begin(state.symptom)

    def begin(self, symptom: Symptom) -> None:
        """Start with the trouble as the person notices it."""
        self.state.symptom = symptom
        self._first = self._weights() * all_show(self.chain, self._hypotheses, symptom)
        every = trials(self.chain, symptom, self.state.direct_current)
        self._trials = {trial.key: trial for trial in every}
        self._chances = {trial.key: chances_of(trial, self._hypotheses) for trial in every}

    @property
    def odds(self) -> Floats:
        """Odds that each part is faulty, (parts,)."""
        return np.asarray(self._faulty @ self._posterior())

    def offered(self) -> list[Trial]:
        """Trials that may still be made; a heavy one only again while all is as it left it."""
        done = [taken.key for taken in self.state.taken]
        return [
            trial
            for key, trial in self._trials.items()
            if done.count(key) < trial.takes
            and (key not in done or done[-1] == key or not trial.is_heavy)
            and key not in self.state.skipped
            and trial.needs not in self.state.lacking
        ]

    def next(self) -> Step | None:
        """Return the most informative trial for the time it takes.

        None where the faulty part is known or no trial tells anything. A repair that reads sound
        is read once more before it is believed.
        """
        self._is_exhausted = False
        last, verdict = self.last_trial, self.verdict()
        if last is not None and self._sound_repairs() and last in self.offered():
            likeliest = max(odds for part, odds in verdict.odds if part.place not in last.within)
            if not verdict.repaired or (likeliest < ENOUGH and last.kind == "new-plug"):
                return Step(last, 0.0, last.cost(last))
        if verdict.found is not None or verdict.repaired:
            return None
        # Separating ELSEWHERE from the rest is not worth a walk.
        now = np.where(self._faulty.any(axis=0), self._posterior(), 0.0)
        steps = [
            Step(trial, gain(now, self._now(trial), self._label), trial.cost(last))
            for trial in self.offered()
        ]
        place = best([step.bits for step in steps], [step.minutes for step in steps], LEAST_BITS)
        self._is_exhausted = place is None
        return None if place is None else steps[place]

    def trial(self, key: str) -> Trial:
        """The trial of that key."""
        return self._trials[key]

    @property
    def cured(self) -> bool:
        """True if the trouble went when the part that is named was replaced, last of all."""
        part, last = self.verdict().found, self.last_trial
        if part is None or last is None or self.state.taken[-1].bad:
            return False
        return last.kind in REPLACING and part.place not in last.within

    @property
    def last_trial(self) -> Trial | None:
        """The trial that was made last."""
        return self._trials[self.state.taken[-1].key] if self.state.taken else None

    def take(self, taken: Taken) -> None:
        """Append the outcome of a trial."""
        self.state.taken.append(taken)

    def back(self) -> Taken | None:
        """Forget the last outcome and return it; None if there is none."""
        return self.state.taken.pop() if self.state.taken else None

    def skip(self, trial: Trial) -> None:
        """Do not offer this trial again."""
        self.state.skipped.append(trial.key)

    def lack(self, trial: Trial) -> None:
        """Do not offer any trial that needs what this one needs."""
        if trial.needs is None:
            self.skip(trial)
        else:
            self.state.lacking.append(trial.needs)

    def verdict(self) -> Verdict:
        """Return what the outcomes say by now."""
        now = self._posterior()
        odds = self._faulty @ now
        order = sorted(self.chain.parts, key=lambda part: -odds[part.place])
        against = self._against(now)
        return Verdict(
            odds=tuple((part, float(odds[part.place])) for part in order),
            tested=frozenset(
                place
                for place, outcomes in against.items()
                if any(self._tests(one, place) for one in outcomes)
            ),
            repaired=self._repaired(),
            renewed=self._renewed(now),
            several=float(now[~self._is_single & self._faulty.any(axis=0)].sum()),
            elsewhere=float(now[-1]),
            bad_load=float(now[self._is_load_bad].sum()),
            least=self._without_one(order[0].place) if odds.max() >= SURE_AT_THE_END else 0.0,
            is_last=self._is_exhausted,
            against=tuple(against[order[0].place]),
        )

    def _against(self, now: Floats) -> dict[int, list[Taken]]:
        """Return by place the outcomes that are unlikely with a fault in that part alone."""
        alone = self._faulty * (now * (self._is_single & ~self._is_load_bad))
        weights = alone / np.maximum(alone.sum(axis=1, keepdims=True), TINY)
        against: dict[int, list[Taken]] = {part.place: [] for part in self.chain.parts}
        for taken in self.state.taken:
            chances = weights @ self._outcomes_of(taken.key, 0, 0)[:, int(taken.bad)]
            for place in np.flatnonzero(chances < UNLIKELY):
                against[int(place)].append(taken)
        return against

    def _tests(self, taken: Taken, place: int) -> bool:
        """True if an outcome in favour of a part comes from a test of that part.

        The part read well, or the trouble stayed with another in its place. What is before the
        coupler is not in the SWR that the coupler reads.
        """
        trial = self._trials[taken.key]
        by_swr = trial.carrier and self.state.symptom in (Symptom.HIGH, Symptom.LOWER)
        if by_swr and place < self.chain.coupler:
            return False
        if taken.bad:
            return trial.kind in REPLACING and place not in trial.within
        return place in trial.within

    def _without_one(self, place: int) -> float:
        """Return the least odds of a part with one outcome left out, whichever."""
        taken = self.state.taken
        rest = [taken[:at] + taken[at + 1 :] for at in range(len(taken))]
        return min((float(self._faulty[place] @ self._posterior(one)) for one in rest), default=0.0)

    def _repaired(self) -> tuple[Part, ...]:
        last = self.last_trial
        if last is None or self._sound_repairs() < READINGS_OF_REPAIR:
            return ()
        renewed = replaced_by(self.chain, last)
        # What was made anew before, while the trouble stayed, is not what ended it.
        before = {
            place
            for trial in (self._trials[taken.key] for taken in self.state.taken if taken.bad)
            if trial.kind in LASTING and trial != last
            for place in replaced_by(self.chain, trial)
        }
        places = [place for place in renewed if place not in before] or renewed
        return tuple(self.chain.parts[place] for place in places)

    def _renewed(self, now: Floats) -> float:
        last = self.last_trial
        if last is None or last.kind not in LASTING:
            return 0.0
        return float(now[self._faulty[replaced_by(self.chain, last)].any(axis=0)].sum())

    def _sound_repairs(self) -> int:
        """Return by how many the sound readings after the latest lasting repair exceed the bad."""
        last, balance = self.last_trial, 0
        if last is None or last.kind not in LASTING:
            return 0
        for taken in reversed(self.state.taken):
            if taken.key != last.key:
                break
            balance += -1 if taken.bad else 1
        return max(0, balance)

    def _now(self, trial: Trial) -> Floats:
        return self._outcomes_of(trial.key, *_counts(self.state.taken, trial.key))

    def _outcomes_of(self, key: str, bad: int, good: int) -> Floats:
        """Chances of good and bad after so many outcomes of a trial, (h, 2)."""
        if (key, bad, good) not in self._outcomes:
            self._outcomes[key, bad, good] = self._chances[key].next_outcome(bad, good)
        return self._outcomes[key, bad, good]

    def _posterior(self, outcomes: Sequence[Taken] | None = None) -> Floats:
        """Odds of each hypothesis, (h,), by these outcomes, or else by all."""
        taken = self.state.taken if outcomes is None else outcomes
        keys = sorted({one.key for one in taken})
        likelihoods = [self._chances[key].likelihood(*_counts(taken, key)) for key in keys]
        return posterior(self._prior, [self._first, *likelihoods])

    def _weights(self) -> Floats:
        """Return the factors by which an alarm's diagnosis raises each hypothesis, (h,)."""
        weights = [
            self.state.weights.get(fault.mode.value, 1.0) for fault in self._hypotheses.faults
        ]
        return np.asarray(self._hypotheses.of_each(weights, 1.0).prod(axis=1))


def _counts(taken: Sequence[Taken], key: str) -> tuple[int, int]:
    """Number of bad and of good outcomes of a trial."""
    outcomes = [one.bad for one in taken if one.key == key]
    return sum(outcomes), len(outcomes) - sum(outcomes)


def encode_state(state: State) -> bytes:
    """Return a state as JSON."""
    return msgspec.json.encode(state)


def decode_state(content: bytes) -> State:
    """Return the state in JSON. Raises msgspec.DecodeError (a ValidationError among them)."""
    return msgspec.json.decode(content, type=State)
