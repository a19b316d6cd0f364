"""A trial: minutes of work, where it sends a person, and how likely each outcome is.

An outcome is good or bad. With a dummy load behind a part, or a part left out or replaced, bad is
that the trouble is still there; with an ohmmeter or by eye, that something was found. A fault among
the parts `within` makes it bad as likely as `shows` says by its mode, all others by mistake: a
reading misread, a load that is bad itself, a plug that was healed by being unscrewed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats
from logger.cautions import Place
from logger.isolate.chain import Fault, Mode

MISTAKE = 0.05
UNFITTING = 0.5  # bad with ELSEWHERE
SAME_MISTAKE = 0.3  # of taking a trial twice
AGAIN_MIN = 3.0
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

    def cost(self, last: Trial | None) -> float:
        """Minutes after the last trial, which left things as it had them."""
        if last is not None and last.key == self.key:
            return AGAIN_MIN
        same = last is not None and self.setup and self.setup == last.setup
        return self.minutes - (ANTENNA_OFF_MIN if same else 0.0)


def table(trial: Trial, faults: Sequence[Fault], taken: int = 0) -> Floats:
    """How likely good and bad are with each fault, (h, 2); `taken` before, it tells less."""
    bad = np.array([_bad(trial, fault) for fault in faults])
    if taken:
        bad = (1 - SAME_MISTAKE) * bad + SAME_MISTAKE / 2
    return np.stack([1 - bad, bad], axis=1)


def _bad(trial: Trial, fault: Fault) -> float:
    if fault.place is None or fault.mode is None:
        return trial.unfitting
    if fault.place not in trial.within:
        return trial.mistake
    return max(trial.mistake, trial.shows.get(fault.mode, 0.0))
