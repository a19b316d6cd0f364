"""A trial: minutes of work, where it sends a person, and how likely each outcome is.

An outcome is good or bad. With a dummy load behind a part, or a part left out or replaced, bad is
that the trouble is still there; with an ohmmeter or by eye, that something was found. A fault among
the parts `within` makes it bad as likely as `shows` says by its mode, all others by mistake: a
reading misread, a load that is bad itself, a plug that was healed by being unscrewed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.diagnosis.rules import Place
from logger.isolate.chain import Hypothesis, Mode

MISTAKE = 0.05
UNFITTING = 0.5  # bad with ELSEWHERE
SAME_MISTAKE = 0.1  # share of mistakes that are made again when a trial is taken again
BAD_LOAD_SHOWS = 0.9  # bad, with a bad dummy load
MOST_SURE = 0.98
AGAIN_MIN = 3.0
LONG_MIN = 20.0
ANTENNA_OFF, ANTENNA_OFF_MIN = "antenna off", 5.0


class Trial(NamedTuple):
    """One trial; `key` names it in what is kept.

    place    the part it is about; None for the whole run from the coupler to the antenna
    needs    what has to be at hand, if anything
    carrier  whether the coupler reads the outcome
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

    @property
    def is_heavy(self) -> bool:
        """True for a job that nobody should be sent to do a second time: outdoors, or long."""
        return self.where is Place.OUTSIDE or self.minutes >= LONG_MIN

    def cost(self, last: Trial | None) -> float:
        """Minutes after the last trial, which left things as it had them."""
        if last is not None and last.key == self.key:
            return AGAIN_MIN
        same = last is not None and self.setup and self.setup == last.setup
        return self.minutes - (ANTENNA_OFF_MIN if same else 0.0)


def table(trial: Trial, hypotheses: Sequence[Hypothesis], taken: int = 0) -> Floats:
    """Return the chances of good and bad with each hypothesis, (h, 2).

    After `taken` earlier outcomes of the same trial, one more says less.
    """
    bad = np.array([_bad(trial, each) for each in hypotheses])
    return weaken(np.stack([1 - bad, bad], axis=1), taken)


def weaken(chances: Floats, taken: int) -> Floats:
    """Return the table (h, 2) of a trial that was taken so often before."""
    if not taken:
        return chances
    return (1 - SAME_MISTAKE) * chances + SAME_MISTAKE / 2


def _bad(trial: Trial, hypothesis: Hypothesis) -> float:
    if not hypothesis.faults:
        return trial.unfitting
    if hypothesis.bad_load and trial.kind == "load":
        return BAD_LOAD_SHOWS
    good = math.prod(
        1 - trial.shows.get(mode, 0.0) for place, mode in hypothesis.faults if place in trial.within
    )
    return min(max(trial.mistake, 1 - good), MOST_SURE)
