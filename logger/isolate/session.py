"""An isolation session: outcomes of trials, the next trial, the verdict. No clock, no terminal.

Probabilities are derived from the state each time, so that a session can be resumed and a step
undone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import takewhile
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.isolate.chain import TINY, Chain, Hypotheses, Part, Symptom, all_show
from logger.isolate.elimination import Places, best, gain, posterior
from logger.isolate.trial import Chances, Trial, chances_of
from logger.isolate.trials import AS_IS, LASTING, READ_BEHIND, REPLACING, replaced_by, trials
from logger.live.carrier import SwrReading

KIND = "isolate"  # in the store
SURE = 0.975  # probability above which a part is named
SURE_AT_THE_END = 0.83  # the same once nothing more can be tried, or a repair has ended the trouble
CLEARED = 0.02  # probability below which a tested part is called sound
DOUBTFUL = 0.4  # probability of a fault in no part, above which no part is named
RENEWED = 0.5  # probability of the renewed parts, above which a sound reading means repaired
DISAGREES = 0.2  # probability of a bad reading of a repair, above which it is more than a slip
LEFT_OPEN = 0.01  # total probability of such faults, below which a repair is not read again
HEAVY_DOUBT = 0.08  # probability of another outcome, above which a heavy trial is read again
UNLIKELY = 0.2  # probability below which an outcome speaks against a part
LEAST_BITS = 0.01  # a trial expected to give less is not worth the work


class TrialOutcome(msgspec.Struct, frozen=True):
    """Outcome of a trial: `bad` or not, and the coupler's reading."""

    key: str
    bad: bool
    swr: float | None = None
    swr_low: float | None = None
    swr_high: float | None = None

    @property
    def reading(self) -> SwrReading | None:
        """The coupler's reading, None if there was none."""
        return SwrReading.of(self.swr, self.swr_low, self.swr_high)


class IsolationState(msgspec.Struct):
    """Stored state of a session."""

    chain: tuple[str, ...]
    direct_current: str = "unknown"
    usual_swr: float | None = None  # upper end; unknown before the first carrier
    symptom: Symptom | None = None
    as_is: TrialOutcome | None = None  # reading before any trial
    outcomes: list[TrialOutcome] = msgspec.field(default_factory=list, name="taken")
    skipped: list[str] = []
    lacking: list[str] = []
    rechecked: bool = False  # the user was told that outcomes contradict each other
    weights: dict[str, float] = {}  # by mode: factor from an alarm's diagnosis
    lowest_usual_swr: float | None = None


class TrialStep(NamedTuple):
    """Proposed trial, with its expected information in bits and its present cost."""

    trial: Trial
    bits: float
    minutes: float


class Circuit(NamedTuple):
    """A trial, and the places among its tested parts that were renewed before."""

    key: str
    renewed: frozenset[int]


class Verdict(NamedTuple):
    """Probability that each part is faulty, likeliest first; two faults can sum to more than 1."""

    odds: tuple[tuple[Part, float], ...]
    tested: frozenset[int]  # places of parts that an outcome clears
    repaired: tuple[Part, ...]  # suspects among the parts renewed until the trouble ended
    several: float  # probability of two faulty parts
    elsewhere: float  # probability of a fault in no part
    bad_load: float  # probability of a bad dummy load
    is_last: bool  # nothing more is worth trying
    against: tuple[TrialOutcome, ...]  # outcomes that do not fit the likeliest part

    @property
    def faulty(self) -> Part | None:
        """The faulty part, None until it is known."""
        part, odds = next(
            pair for pair in self.odds if not self.repaired or pair[0] in self.repaired
        )
        enough = SURE_AT_THE_END if self.is_last else SURE
        is_sure = odds >= enough * (1 - self.elsewhere)
        return part if is_sure and not self.contradictory else None

    @property
    def suspects(self) -> tuple[tuple[Part, float], ...]:
        """Parts that are still suspect."""
        return tuple(pair for pair in self.odds if pair[1] >= CLEARED)

    @property
    def cleared(self) -> tuple[Part, ...]:
        """Parts that were tested and are sound, in chain order."""
        if self.contradictory:
            return ()
        parts = [p for p, odds in self.odds if odds < CLEARED and p.place in self.tested]
        return tuple(sorted(parts, key=lambda part: part.place))

    @property
    def contradictory(self) -> bool:
        """True if the outcomes fit neither one faulty part nor two."""
        return self.elsewhere >= DOUBTFUL


class IsolationSession:
    """An isolation session. Raises UsageError if the chain in `state` is impossible."""

    def __init__(self, state: IsolationState) -> None:
        self.state = state
        self.chain = Chain(state.chain)
        self._hypotheses = Hypotheses(self.chain)
        self._prior = self._hypotheses.prior
        places = [hypothesis.places for hypothesis in self._hypotheses.all]
        labels = {value: number for number, value in enumerate(dict.fromkeys(places))}
        self._label: Places = np.array([labels[value] for value in places])
        self._faulty = np.array(
            [[part.place in value for value in places] for part in self.chain.parts]
        )  # (parts, h)
        self._is_single = np.array([len(value) == 1 for value in places])
        self._is_load_bad = self._hypotheses.bad_load
        self._first = self._weights()
        self._is_exhausted = False
        self._trials: dict[str, Trial] = {}
        self._chances: dict[Circuit, Chances] = {}
        self._outcomes: dict[tuple[Circuit, int, int], Floats] = {}
        if state.symptom is not None:
            self.begin(state.symptom)

    def begin(self, symptom: Symptom) -> None:
        """Start with the symptom that the user notices."""
        self.state.symptom = symptom
        self._first = self._weights() * all_show(self.chain, self._hypotheses, symptom)
        self._trials = {
            trial.key: trial for trial in trials(self.chain, symptom, self.state.direct_current)
        }
        self._chances, self._outcomes = {}, {}

    @property
    def odds(self) -> Floats:
        """Probability that each part is faulty, (parts,)."""
        return np.asarray(self._faulty @ self._posterior())

    def offered(self) -> list[Trial]:
        """Return the trials that may still be made.

        A heavy trial is repeated only directly, while its setup still stands.
        """
        done = [outcome.key for outcome in self.state.outcomes]
        return [
            trial
            for key, trial in self._trials.items()
            if done.count(key) < trial.takes
            and (key not in done or done[-1] == key or not trial.is_heavy)
            and key not in self.state.skipped
            and trial.needs not in self.state.lacking
        ]

    def next(self) -> TrialStep | None:
        """Return the most informative trial for the time it takes.

        None if the faulty part is known, a repair has ended the trouble or no trial is informative.
        A repair or a heavy trial, which cannot be read later, is read again at once while the
        result depends on it.
        """
        self._is_exhausted = False
        if self.verdict().faulty is not None:
            return None
        odds, last, offered = self._posterior(), self.last_trial, self.offered()

        def step(trial: Trial) -> TrialStep:
            return TrialStep(trial, self._bits(trial, odds), trial.cost(last))

        if self._is_repaired(odds):
            if last in offered and self._is_doubtful_repair(odds):
                return step(last)
            self._is_exhausted = True
            return None
        if last in offered and self._is_doubtful_outcome(odds):
            return step(last)
        steps = [step(trial) for trial in offered]
        place = best([step.bits for step in steps], [step.minutes for step in steps], LEAST_BITS)
        self._is_exhausted = place is None
        return None if place is None else steps[place]

    def _bits(self, trial: Trial, odds: Floats) -> float:
        """Return the expected information of a trial, bits; none for telling ELSEWHERE apart."""
        in_parts = np.where(self._faulty.any(axis=0), odds, 0.0)
        return gain(in_parts, self._next_outcomes(trial), self._label)

    def _is_doubtful_repair(self, odds: Floats) -> bool:
        """True if a fault that a repair left in place may still show at the next reading."""
        last = self.last_trial
        if last is None:
            return False
        is_bad = self._next_outcomes(last)[:, 1]
        return bool(odds[is_bad > DISAGREES].sum() > LEFT_OPEN)

    def _is_doubtful_outcome(self, odds: Floats) -> bool:
        """True if the last trial is heavy and may well have another outcome."""
        last = self.last_trial
        if last is None or not last.is_heavy:
            return False
        other = int(not self.state.outcomes[-1].bad)
        return bool(odds @ self._next_outcomes(last)[:, other] > HEAVY_DOUBT)

    def trial(self, key: str) -> Trial:
        """Return the trial with this key."""
        return self._trials[key]

    @property
    def cured(self) -> bool:
        """True if the trouble is gone in the present setup, with the named part replaced."""
        part, last = self.verdict().faulty, self.last_trial
        if part is None or last is None or self.state.outcomes[-1].bad:
            return False
        original = last.within - self._renewed_by(self.state.outcomes)
        return last.kind in (*REPLACING, AS_IS) and part.place not in original

    @property
    def last_trial(self) -> Trial | None:
        """The trial made last, None if none was."""
        return self._trials[self.state.outcomes[-1].key] if self.state.outcomes else None

    def take(self, outcome: TrialOutcome) -> None:
        """Append the outcome of a trial."""
        self.state.outcomes.append(outcome)

    def back(self) -> TrialOutcome | None:
        """Remove and return the last outcome, None if there is none."""
        return self.state.outcomes.pop() if self.state.outcomes else None

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
        """Return the verdict from the outcomes so far."""
        odds = self._posterior()  # of the hypotheses
        of_parts = self._faulty @ odds
        order = sorted(self.chain.parts, key=lambda part: -of_parts[part.place])
        against = self._against(odds)
        return Verdict(
            odds=tuple((part, float(of_parts[part.place])) for part in order),
            tested=frozenset(
                place
                for place, outcomes in against.items()
                if any(self._tests(outcome, place) for outcome in outcomes)
            ),
            repaired=self._repaired(odds),
            several=float(odds[~self._is_single & self._faulty.any(axis=0)].sum()),
            elsewhere=float(odds[-1]),
            bad_load=float(odds[self._is_load_bad].sum()),
            is_last=self._is_exhausted,
            against=tuple(against[order[0].place]),
        )

    def _against(self, odds: Floats) -> dict[int, list[TrialOutcome]]:
        """Return by place the outcomes that are unlikely with a fault in that part alone."""
        alone = self._faulty * (odds * (self._is_single & ~self._is_load_bad))
        weights = alone / np.maximum(alone.sum(axis=1, keepdims=True), TINY)
        against: dict[int, list[TrialOutcome]] = {part.place: [] for part in self.chain.parts}
        for outcome, circuit in self._circuits():
            chances = weights @ self._outcomes_of(circuit, 0, 0)[:, int(outcome.bad)]
            for place in np.flatnonzero(chances < UNLIKELY):
                against[int(place)].append(outcome)
        return against

    def _tests(self, outcome: TrialOutcome, place: int) -> bool:
        """True if an outcome in favour of a part comes from a test of that part.

        The part read well, or the trouble stayed with another in its place. Parts before the
        coupler have no effect on the SWR that the coupler reads. A good reading of the unchanged
        setup tests no part.
        """
        trial = self._trials[outcome.key]
        if trial.kind == AS_IS:
            return False
        by_swr = trial.carrier and self.state.symptom in READ_BEHIND
        if by_swr and place < self.chain.coupler:
            return False
        if outcome.bad:
            return trial.kind in REPLACING and place not in trial.within
        return place in trial.within

    def _repaired(self, odds: Floats) -> tuple[Part, ...]:
        if not self._is_repaired(odds):
            return ()
        of_parts = self._faulty @ odds
        places = sorted(self._renewed_by(self.state.outcomes))
        return tuple(self.chain.parts[place] for place in places if of_parts[place] >= CLEARED)

    def _is_repaired(self, odds: Floats) -> bool:
        """True if the latest trial, a lasting repair, reads sound and the renewed parts explain it.

        They include a part renewed earlier in vain: its outcome may have been a slip.
        """
        last = self.last_trial
        if last is None or last.kind not in LASTING:
            return False
        readings = takewhile(lambda outcome: outcome.key == last.key, reversed(self.state.outcomes))
        balance = sum(-1 if outcome.bad else 1 for outcome in readings)
        renewed = self._faulty[sorted(self._renewed_by(self.state.outcomes))].any(axis=0)
        return balance > 0 and float(odds[renewed].sum()) >= RENEWED

    def _next_outcomes(self, trial: Trial) -> Floats:
        """Return the probabilities of good and bad if a trial were read now, (h, 2)."""
        circuit = self._circuit(trial, self._renewed_by(self.state.outcomes))
        return self._outcomes_of(circuit, *self._counts().get(circuit, (0, 0)))

    def _outcomes_of(self, circuit: Circuit, bad: int, good: int) -> Floats:
        """Return the probabilities of good and bad after these outcomes in a circuit, (h, 2)."""
        if (circuit, bad, good) not in self._outcomes:
            chances = self._chances_of(circuit)
            self._outcomes[circuit, bad, good] = chances.next_outcome(bad, good)
        return self._outcomes[circuit, bad, good]

    def _chances_of(self, circuit: Circuit) -> Chances:
        if circuit not in self._chances:
            trial = self._trials[circuit.key]
            trial = trial._replace(within=trial.within - circuit.renewed)
            self._chances[circuit] = chances_of(trial, self._hypotheses)
        return self._chances[circuit]

    def _circuit(self, trial: Trial, renewed: frozenset[int]) -> Circuit:
        return Circuit(trial.key, renewed & trial.within)

    def _renewed_by(self, outcomes: Sequence[TrialOutcome]) -> frozenset[int]:
        """Return the places of the parts that lasting repairs have renewed."""
        trials = [self._trials[outcome.key] for outcome in outcomes]
        repairs = [trial for trial in trials if trial.kind in LASTING]
        return frozenset(place for trial in repairs for place in replaced_by(self.chain, trial))

    def _circuits(self) -> Iterator[tuple[TrialOutcome, Circuit]]:
        """Yield each outcome with the circuit that it was read in."""
        outcomes = self.state.outcomes
        for number, outcome in enumerate(outcomes):
            renewed = self._renewed_by(outcomes[:number])
            yield outcome, self._circuit(self._trials[outcome.key], renewed)

    def _counts(self) -> dict[Circuit, tuple[int, int]]:
        """Return the numbers of bad and of good outcomes in each circuit."""
        counts: dict[Circuit, tuple[int, int]] = {}
        for outcome, circuit in self._circuits():
            bad, good = counts.get(circuit, (0, 0))
            counts[circuit] = (bad + outcome.bad, good + (not outcome.bad))
        return counts

    def _posterior(self) -> Floats:
        """Return the probability of each hypothesis, (h,), from the outcomes so far."""
        likelihoods = [
            self._chances_of(circuit).likelihood(*counts)
            for circuit, counts in self._counts().items()
        ]
        return posterior(self._prior, [self._first, *likelihoods])

    def _weights(self) -> Floats:
        """Return the factors by which an alarm's diagnosis raises each hypothesis, (h,)."""
        weights = [
            self.state.weights.get(fault.mode.value, 1.0) for fault in self._hypotheses.faults
        ]
        return np.asarray(self._hypotheses.of_each(weights, 1.0).prod(axis=1))


def restore(content: bytes) -> IsolationSession:
    """Return a session from its state as JSON. Raises msgspec.DecodeError, UsageError."""
    return IsolationSession(msgspec.json.decode(content, type=IsolationState))
