"""Prints in how many histories of `tests/foreign_faults` rows tell two causes from any single one.

    python -m tests.bench.decidable [--two 50] [--first-seed 1000]

An observer who knows the law of every kind of cause, but neither which causes there are nor their
parameters, sees the stored rows: |Gamma| of a transmission, its change from the first to the last
third, incident power, excursions, gaps. The station is known as well as the package's own margins
say: the mean |Gamma| of a session on a channel to half of what `evidence.is_usual` allows for
weather, its change to half the margins of `heating_joint`, incident power to POWER_SD. Two causes
are decidable if the rows are likelier with both (as drawn) than with any one by DECIDED.

    unplugged and another   if the other is knowable (`ideal_grouping`)
    contact and level       likewise: a contact moves no level, nothing else makes excursions
    two contacts            if each opened fully CROWD times or more, with peaks 6 sd apart
    two of the level        against the best of each kind at either plug, sought by TRIALS draws and
                            as many changes of one parameter of the best of them

The search may miss a better single cause, so the share is a bound from above, though a closer one
than that of `ideal_grouping`. It takes 5 to 20 s for two of the level.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from logger.blocks import Floats
from logger.faults import evidence
from logger.faults.repair import DECIDED
from logger.watchdog import heating_joint
from tests.bench.ideal_grouping import SESSION_S, ln_odds
from tests.bench.ideal_observer import traffic_of
from tests.foreign_faults import Cause, History, Quarters, two_causes
from tests.foreign_faults.causes import CAUSES, LoosePlug, Moments, Unplugged, WindContact
from tests.foreign_faults.draws import DAY_S
from tests.foreign_faults.station import Reading, read

CONTACTS = (LoosePlug, WindContact)
LEVELS = [kind for kind, cause in CAUSES.items() if cause not in (*CONTACTS, Unplugged)]
TRIALS = 150
POWER_SD = 0.1  # of ln incident watts
BEFORE_S = 8 * DAY_S  # of sound transmissions
CROWD = 5
ENDS = (0.15, 0.85)  # middles of the first and the last third of a key-down


class Levels:
    """What the observer sees of levels, and how likely it is with some causes."""

    def __init__(self, history: History) -> None:
        assert history.rest is not None
        assert history.mean_w is not None
        since_ns = history.time_ns(min(cause.onset_s for cause in history.causes) - BEFORE_S)
        seen = [n for n, over in enumerate(history.overs) if over.start_ns >= since_ns]
        self.history = history
        self._rest, self._mean_w = history.rest.take(np.array(seen)), history.mean_w[seen]
        overs = [history.overs[n] for n in seen]
        self._traffic = traffic_of(history, overs)
        self._rho = np.array([over.rho for over in overs])
        self._rise = np.array([_rise(over.quarters) for over in overs])
        self._ln_w = np.log([over.forward_w_mean for over in overs])
        self._calm = np.array([not over.excursions for over in overs])
        start_s = self._traffic.start_s
        session = np.cumsum(np.diff(start_s, prepend=start_s[0]) > SESSION_S)
        _, self._group = np.unique(
            np.stack([session, self._traffic.channel]), axis=1, return_inverse=True
        )
        none = self._model(())[0]
        self._margin = (evidence.LEVEL_MARGIN + evidence.LEVEL_PART * none) / 2
        self._rise_margin = (heating_joint.MARGIN + heating_joint.MARGIN_SHARE * none) / 2

    def ln_likelihood(self, causes: Sequence[Cause]) -> float:
        """Return ln of the likelihood but for a constant."""
        rho, rise, ln_w = self._model(causes)
        return -sum(
            float((self._means(z) ** 2).sum()) / 2
            for z in (
                (self._rho - rho) / self._margin,
                (self._rise - rise) / self._rise_margin,
                (self._ln_w - ln_w) / POWER_SD,
            )
        )

    def _means(self, values: Floats) -> Floats:
        """Return the mean of each session on a channel, of transmissions without excursions."""
        group = self._group[self._calm]
        total = np.bincount(group, values[self._calm])
        return total / np.maximum(np.bincount(group), 1)

    def best(self, kind: str, place: str, rng: np.random.Generator) -> float:
        """Return ln of the likelihood with the best single cause of a kind."""
        onsets = [cause.onset_s for cause in self.history.causes]

        def draw() -> Cause:
            onset_s = rng.choice([*onsets, rng.uniform(min(onsets), max(onsets) + DAY_S)])
            return CAUSES[kind].draw(rng, float(onset_s), place)

        trials = [
            *(draw() for _ in range(TRIALS)),
            *(replace(cause, place=place) for cause in self.history.causes if cause.kind == kind),
        ]
        cause = max(trials, key=lambda item: self.ln_likelihood([item]))
        most = self.ln_likelihood([cause])
        names = [field.name for field in fields(cause) if field.name not in ("place", "end_s")]
        for _ in range(TRIALS):
            name = rng.choice(names)
            value = getattr(draw(), name)
            own = getattr(cause, name)
            if isinstance(own, float) and np.isfinite(own) and rng.random() < 0.7:
                value = own * rng.normal(1, 0.002 if name == "onset_s" else 0.2)
            other = replace(cause, **{name: value})
            ln = self.ln_likelihood([other])
            if ln > most:
                cause, most = other, ln
        return most

    def _model(self, causes: Sequence[Cause]) -> tuple[Floats, Floats, Floats]:
        """Return |Gamma|, its change within key-downs, and ln of incident watts."""
        traffic = self._traffic
        over = np.arange(len(traffic))
        readings: list[Reading] = []
        for share in ENDS:
            line = self._rest
            moments = Moments(traffic, self.history.weather, over, share * traffic.duration_s)
            for cause in causes:
                line = cause.change(line, moments)
            readings.append(read(self.history.station, line, self._mean_w))
        first, last = readings
        ln_w = np.log((first.forward_w + last.forward_w) / 2)
        return (first.rho + last.rho) / 2, last.rho - first.rho, ln_w


def _rise(quarters: Quarters | None) -> float:
    """Return the change of |Gamma| from the first to the last third of a key-down."""
    third = 0 if quarters is None else len(quarters.rho) // 3
    if not third:
        return 0.0
    return float(np.median(quarters.rho[-third:]) - np.median(quarters.rho[:third]))


def is_decidable(history: History) -> bool:
    """True if rows tell the two causes of a history from any single one."""
    causes = history.causes
    if all(isinstance(cause, CONTACTS) for cause in causes):
        return _are_apart(history)
    if any(isinstance(cause, (*CONTACTS, Unplugged)) for cause in causes):
        return all(ln_odds(history, number) >= DECIDED for number in range(2))
    rng = np.random.default_rng([7, history.seed])
    levels = Levels(history)
    single = max(levels.best(kind, place, rng) for kind in LEVELS for place in ("mast", "radio"))
    return levels.ln_likelihood(causes) - single >= DECIDED


def _are_apart(history: History) -> bool:
    """True if two contacts have full openings at two reflections on some channel."""
    peaks: dict[tuple[int, int], list[float]] = {}
    noise: dict[int, float] = {}
    for over in history.overs:
        noise[over.channel] = over.pair_noise_rho
        for item in over.excursions:
            if item.cause is not None:
                peaks.setdefault((over.channel, item.cause), []).append(item.rho_peak)
    for channel, sd in noise.items():
        tops = [sorted(peaks.get((channel, number), ()))[-CROWD:] for number in range(2)]
        are_known = all(len(top) == CROWD for top in tops)
        if are_known and abs(np.median(tops[0]) - np.median(tops[1])) > 6 * sd + 0.02:
            return True
    return False


def main(arguments: Sequence[str] | None = None) -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--two", type=int, default=50, help="histories")
    parser.add_argument("--first-seed", type=int, default=1000)
    options = parser.parse_args(arguments)
    total: Counter[str] = Counter()
    decided: Counter[str] = Counter()
    for seed in range(options.first_seed, options.first_seed + options.two):
        history = two_causes(seed)
        kinds = " + ".join(cause.kind for cause in history.causes)
        total[history.relation] += 1
        if is_decidable(history):
            decided[history.relation] += 1
        else:
            print(f"  not decidable: {seed} {kinds} {history.relation}", flush=True)
    for relation, number in sorted(total.items()):
        print(f"{relation:26} {decided[relation]} of {number} decidable")
    print(f"all {decided.total()} of {total.total()} decidable")


if __name__ == "__main__":
    main()
