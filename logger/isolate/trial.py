"""A trial: minutes of work, where it sends the user, and the probability of each outcome.

An outcome is good or bad. With a dummy load after a part, or a part left out or replaced, bad
means that the trouble is still there; with an ohmmeter or by eye, that something was found. A fault
in a part of `within` makes it bad with the probability that `shows` gives for its mode; any other
fault only by mistake: a misread reading, a load or new plug that is itself bad. Unscrewing a
contact may cure it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.cautions import Place
from logger.isolate.chain import ChainFault, Hypotheses, Mode

SLIP = 0.05  # probability that one reading is misread, or its answer mistyped
MISTAKE = 0.025  # probability that a trial misleads however often it is read
UNFITTING = 0.5  # probability of bad with ELSEWHERE
BAD_LOAD_SHOWS = 0.9  # probability of bad with a bad dummy load
MOST_SURE = 0.99
HEALED = 0.1  # probability that unscrewing cures a poor contact for this trial
HEALABLE = (Mode.OPEN, Mode.POOR, Mode.LOOSE)
AGAIN_MIN = 3.0
LONG_MIN = 20.0
ANTENNA_OFF, ANTENNA_OFF_MIN = "antenna off", 5.0


class Trial(NamedTuple):
    """One trial; `key` is its name in stored states.

    place      the part it is about; None if it is about several
    needs      equipment needed, None if none
    carrier    True if the coupler reads the outcome
    climbs     True if the user may have to climb to the antenna
    unscrewed  places of the parts whose contacts are undone for it
    setup      setup that remains for the next trial that needs the same, which then costs less
    """

    key: str
    kind: str
    place: int | None
    minutes: float
    where: Place
    within: frozenset[int]
    shows: Mapping[Mode, float]
    mistake: float = MISTAKE
    unfitting: float = UNFITTING
    needs: str | None = None
    carrier: bool = False
    setup: str = ""
    takes: int = 1
    climbs: bool = False
    unscrewed: frozenset[int] = frozenset()

    @property
    def is_heavy(self) -> bool:
        """True for a job not worth doing twice: a climb, or a long one."""
        return self.climbs or self.minutes >= LONG_MIN

    def cost(self, last: Trial | None) -> float:
        """Return the minutes it takes after the trial `last` and in its setup."""
        if last is not None and last.key == self.key:
            return AGAIN_MIN
        same = last is not None and self.setup and self.setup == last.setup
        return self.minutes - (ANTENNA_OFF_MIN if same else 0.0)


class Chances(NamedTuple):
    """Probabilities of a bad outcome under each hypothesis, each (h,).

    lasting  that the trial is bad at every reading
    passing  that it shows an intermittent fault, if it is not lastingly bad
    share    share of the readings in which that fault is present; the same in all trials
    """

    lasting: Floats
    passing: Floats
    share: Floats

    def likelihood(self, bad: int, good: int) -> Floats:
        """Return the probability of these numbers of bad and good readings of the same trial, (h,).

        The effect of a fault on a trial is constant, so reading again corrects slips and nothing
        else; an intermittent fault is present or not at each reading independently.
        """
        alnext_, never = _chance(1 - SLIP, bad, good), _chance(SLIP, bad, good)
        at_times = _chance(SLIP + (1 - 2 * SLIP) * self.share, bad, good)
        otherwise = self.passing * at_times + (1 - self.passing) * never
        return np.asarray(self.lasting * alnext_ + (1 - self.lasting) * otherwise)

    def next_outcome(self, bad: int, good: int) -> Floats:
        """Return the probabilities of good and bad after these numbers of readings, (h, 2)."""
        likelihoods = [self.likelihood(bad, good + 1), self.likelihood(bad + 1, good)]
        return np.stack(likelihoods, axis=1) / self.likelihood(bad, good)[:, None]


def _chance(of_bad: Floats | float, bad: int, good: int) -> Floats | float:
    """Return the probability of `bad` and `good` readings, each bad with probability `of_bad`."""
    return of_bad**bad * (1 - of_bad) ** good


def _visibility(trial: Trial, fault: ChainFault) -> float:
    """Return the probability that a trial shows a fault while it is present."""
    if fault.place not in trial.within:
        return 0.0
    is_healed = fault.place in trial.unscrewed and fault.mode in HEALABLE
    return trial.shows.get(fault.mode, 0.0) * (1 - HEALED * is_healed)


def chances_of(trial: Trial, hypotheses: Hypotheses) -> Chances:
    """Return the probability of a bad outcome of a trial under each hypothesis."""
    faults = hypotheses.faults
    chances = [_visibility(trial, fault) for fault in faults]
    pairs = list(zip(chances, (fault.share for fault in faults), strict=True))
    alnext_ = [chance if share == 1 else 0.0 for chance, share in pairs]
    at_times = [chance if share < 1 else 0.0 for chance, share in pairs]
    shares = [share if share < 1 else 0.0 for _, share in pairs]
    lasting = 1 - (1 - hypotheses.of_each(alnext_, 0.0)).prod(axis=1)
    lasting = np.clip(lasting, trial.mistake, MOST_SURE)
    if trial.kind == "load":
        lasting = np.where(hypotheses.bad_load, BAD_LOAD_SHOWS, lasting)
    lasting[-1] = trial.unfitting
    return Chances(
        lasting,
        hypotheses.of_each(at_times, 0.0).max(axis=1),
        hypotheses.of_each(shares, 0.0).max(axis=1),
    )
