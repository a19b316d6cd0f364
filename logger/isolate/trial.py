"""A trial: minutes of work, where it sends a person, and how likely each outcome is.

An outcome is good or bad. With a dummy load behind a part, or a part left out or replaced, bad is
that the trouble is still there; with an ohmmeter or by eye, that something was found. A fault among
the parts `within` makes it bad as likely as `shows` says by its mode, all others by mistake: a
reading misread, a load that is bad itself, a plug that was healed by being unscrewed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.cautions import Place
from logger.isolate.chain import Hypotheses, Mode

SLIP = 0.05  # chance that one reading is misread, or its answer mistyped
MISTAKE = 0.025  # chance that a trial misleads however often it is read
UNFITTING = 0.5  # bad with ELSEWHERE
BAD_LOAD_SHOWS = 0.9  # bad, with a bad dummy load
MOST_SURE = 0.98
SPREAD = 0.25  # of how often a fault that comes and goes is there
AGAIN_MIN = 3.0
LONG_MIN = 20.0
ANTENNA_OFF, ANTENNA_OFF_MIN = "antenna off", 5.0


class Trial(NamedTuple):
    """One trial; `key` names it in what is kept.

    place    the part it is about; None for the whole run from the coupler to the antenna
    needs    what has to be at hand, if anything
    carrier  whether the coupler reads the outcome
    climbs   whether it may send a person up to the antenna
    setup    what is left as it is for the next trial that needs the same, which then costs less
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

    @property
    def is_heavy(self) -> bool:
        """True for a job that nobody should be sent to do a second time: a climb, or a long one."""
        return self.climbs or self.minutes >= LONG_MIN

    def cost(self, last: Trial | None) -> float:
        """Minutes after the last trial, which left things as it had them."""
        if last is not None and last.key == self.key:
            return AGAIN_MIN
        same = last is not None and self.setup and self.setup == last.setup
        return self.minutes - (ANTENNA_OFF_MIN if same else 0.0)


class Chances(NamedTuple):
    """Chances of a bad outcome with each hypothesis, each (h,).

    lasting  that the trial is bad whenever it is read
    passing  that one reading is bad although it is not lastingly so
    """

    lasting: Floats
    passing: Floats

    def likelihood(self, bad: int, good: int) -> Floats:
        """Return the chance of so many bad and good readings of the same trial, (h,).

        The cause of a bad outcome mostly lasts, so reading again corrects slips and nothing else;
        an intermittent contact is open or closed at each reading independently.
        """
        always = (1 - SLIP) ** bad * SLIP**good
        anew = sum(p**bad * (1 - p) ** good for p in self._seldom_and_often) / 2
        return np.asarray(self.lasting * always + (1 - self.lasting) * anew)

    @property
    def _seldom_and_often(self) -> tuple[Floats, Floats]:
        """Chances of a passing fault that is there seldom, and of one that is there often."""
        spread = np.where(self.passing > SLIP, SPREAD, 0.0) * self.passing
        return self.passing - spread, np.minimum(self.passing + spread, MOST_SURE)

    def next_outcome(self, bad: int, good: int) -> Floats:
        """Return the chances of good and bad after so many readings, (h, 2)."""
        now = self.likelihood(bad, good)
        return np.stack(
            [self.likelihood(bad, good + 1) / now, self.likelihood(bad + 1, good) / now], axis=1
        )


def chances_of(trial: Trial, hypotheses: Hypotheses) -> Chances:
    """Return how likely each hypothesis makes a trial come out bad."""
    bad = [
        trial.shows.get(mode, 0.0) if place in trial.within else 0.0
        for place, mode in hypotheses.faults
    ]
    passes = [fault.mode is Mode.LOOSE for fault in hypotheses.faults]
    sound = [0.0 if passing else chance for chance, passing in zip(bad, passes, strict=True)]
    loose = [chance if passing else 0.0 for chance, passing in zip(bad, passes, strict=True)]
    lasting = 1 - (1 - hypotheses.of_each(sound, 0.0)).prod(axis=1)
    lasting = np.clip(lasting, trial.mistake, MOST_SURE)
    if trial.kind == "load":
        lasting = np.where(hypotheses.bad_load, BAD_LOAD_SHOWS, lasting)
    lasting[-1] = trial.unfitting
    return Chances(lasting, np.maximum(hypotheses.of_each(loose, 0.0).max(axis=1), SLIP))
