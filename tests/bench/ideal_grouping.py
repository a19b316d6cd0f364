"""How many causes of `tests/foreign_faults` an observer who knows its law could tell from none.

The observer knows the station, its weather and traffic, the noise, and each cause with all its
parameters. Unknown are the noise itself and the wander of the resonance, a normal shift in each
session. A cause is knowable if the stored rows (|Gamma| and incident power of transmissions,
excursions, gaps) are likelier with it than without it, beside the others, by DECIDED. No grouping
can state a cause that is not; whether a real one could tell two knowable causes apart without
knowing them beforehand is left open, so the shares are bounds from above.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Floats
from logger.faults.repair import DECIDED
from tests.bench.ideal_observer import traffic_of
from tests.foreign_faults import Cause, History
from tests.foreign_faults.causes import Moments
from tests.foreign_faults.station import Reading, read

WANDER_KHZ = 6.0  # rms
SESSION_S = 6 * 3600.0  # least pause between sessions
INSIDE = (0.15, 0.5, 0.85)  # moments of a key-down whose mean is read
INEXACT = 0.1  # of the change by a cause, by these three moments
POWER_SD = 0.02  # of ln incident watts
CRASH = 0.3 / 1000  # of static, which also looks like an opening, per transmission


def is_knowable(history: History) -> bool:
    """True if each cause of a history is knowable beside the others."""
    return all(ln_odds(history, number) >= DECIDED for number in range(len(history.causes)))


def ln_odds(history: History, number: int) -> float:
    """Return ln of the likelihood ratio of the rows with a cause and without it."""
    cause = history.causes[number]
    if cause.gaps():
        return np.inf
    opened = sum(
        any(excursion.cause == number for excursion in over.excursions) for over in history.overs
    )
    others = [other for other in history.causes if other is not cause]
    return -opened * float(np.log(CRASH)) + _ln_odds_of_levels(history, others)


def _ln_odds_of_levels(history: History, others: list[Cause]) -> float:
    every, without = (_read(history, causes) for causes in (history.causes, others))
    steeper = _read(history, history.causes, khz=1.0)
    rho = np.array([over.rho for over in history.overs])
    watts = np.array([over.forward_w_mean for over in history.overs])
    sway = [over.sway_rho / np.sqrt(1 + over.duration_s / 3) for over in history.overs]
    noise = np.array([over.noise_rho for over in history.overs])
    change = np.abs(every.rho - without.rho)
    variance = noise**2 + np.square(sway) + (INEXACT * change) ** 2 + 1e-8
    start_s = np.array([over.start_ns / 1e9 for over in history.overs])
    session = np.cumsum(np.diff(start_s, prepend=start_s[0]) > SESSION_S)
    per_khz = steeper.rho - every.rho
    odds = _ln_density(rho - every.rho, variance, per_khz, session)
    odds -= _ln_density(rho - without.rho, variance, per_khz, session)
    power_with, power_without = (
        float((np.log(watts / reading.forward_w) ** 2).sum()) for reading in (every, without)
    )
    return odds + (power_without - power_with) / (2 * POWER_SD**2)


def _ln_density(off: Floats, variance: Floats, per_khz: Floats, session: Floats) -> float:
    """Return ln of the density of deviations with an unknown shift per session, but a constant."""
    own = float((off**2 / variance).sum())
    pulled = np.bincount(session, per_khz * off / variance)
    weight = np.bincount(session, per_khz**2 / variance) + WANDER_KHZ**-2
    return (float((pulled**2 / weight).sum()) - own) / 2


def _read(history: History, causes: tuple[Cause, ...] | list[Cause], khz: float = 0.0) -> Reading:
    """Return the mean readings of all key-downs with these causes, the resonance off by kHz."""
    assert history.rest is not None
    assert history.mean_w is not None
    traffic = traffic_of(history, history.overs)
    over = np.arange(len(traffic))
    readings = []
    for share in INSIDE:
        line = history.rest.add(resonance_khz=khz)
        moments = Moments(traffic, history.weather, over, share * traffic.duration_s)
        for cause in causes:
            line = cause.change(line, moments)
        readings.append(vars(read(history.station, line, history.mean_w)))
    return Reading(
        **{name: np.mean([each[name] for each in readings], axis=0) for name in readings[0]}
    )
