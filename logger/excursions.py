"""Short departures of the reflection and back: the plug that opens for 20 ms. A pure state machine.

Departing pairs (see `departures`) within MERGE_NS of one another are one departure. It is an
excursion when it lasts LONGEST_NS at most and the pairs just before and just after it agree that
the reflection went away and came back: by more than SCATTERS times what these pairs scatter
themselves (wind in the antenna, hum, modulation).

Two detectors see the size of a reflection only. A contact of such a resistance that the reflection
keeps its size shows nothing, and an open cannot be told from a short.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Noise, Times
from logger.calibration.coupler import Coupler
from logger.departures import (
    CERTAIN,
    LEAST_RHO,
    LONGEST_NS,
    REACH,
    between_jumps,
    from_level,
    spread_w,
)
from logger.quarters import QUARTER_NS, Quarters, SentPairs, joined
from logger.reflection import rho, swr
from logger.rows import Excursion

MERGE_NS = 25_000_000
BESIDE_NS = 1_000_000_000  # pairs before and after are sought within this time,
BESIDE = 16  # so many at most
LEAST_BESIDE = 2
SCATTERS = 5.0
SIGMA_PER_MAD = 1.4826
KEPT = 3 * REACH  # quarters before those under judgement that are kept


NONE = np.empty(0, dtype=np.int64)
WAYS = (between_jumps, from_level)  # the first is the sharper one


class Excursions:
    """Feeds on quarters; yields excursions, REACH quarters after they were over."""

    def __init__(self, coupler: Coupler) -> None:
        self._coupler = coupler
        self._held: list[Quarters] = []
        self._judged = -(2**62)  # the latest quarter that has been judged
        self._departing = [NONE, NONE]  # times of departures that may go on, by either way

    def update(self, quarters: Quarters | None, now_ns: int, noise: Noise) -> list[Excursion]:
        """Take in quarters, if there are new ones; time has reached `now_ns`."""
        if quarters is not None:
            self._held.append(quarters)
        return self._judge(now_ns // QUARTER_NS - REACH - 1, noise)

    def finish(self, quarters: Quarters | None, noise: Noise) -> list[Excursion]:
        """Take in the last quarters; no more pairs will come."""
        if quarters is not None:
            self._held.append(quarters)
        if not self._held:
            return []
        return self._judge(int(self._held[-1].number[-1]) + REACH + 1, noise)

    def _judge(self, upto: int, noise: Noise) -> list[Excursion]:
        """Judge the quarters up to number `upto`."""
        if not self._held or upto <= self._judged:
            return []
        quarters = joined(self._held)
        begin, end = np.searchsorted(quarters.number, [self._judged, upto], side="right").tolist()
        self._judged = upto
        past_ns = (upto + 1) * QUARTER_NS - MERGE_NS
        found: list[Excursion] = []
        known = NONE  # times of pairs that are accounted for
        for way, find in enumerate(WAYS):
            times = self._departing[way]
            if begin < end:
                at = find(quarters, begin, end, self._coupler, noise)
                times = np.union1d(times, quarters.pairs.time_ns[at])
            parts = np.split(times, np.flatnonzero(np.diff(times) > MERGE_NS) + 1)
            self._departing[way] = parts.pop() if parts[-1].max(initial=0) >= past_ns else NONE
            known = np.union1d(known, times)
            for part in parts:
                if len(part) and not any(
                    part[0] < other.time_ns + 1e6 * other.duration_ms and part[-1] >= other.time_ns
                    for other in found
                ):
                    found += self._excursion(part, known, quarters.pairs, noise)
        self._held = [quarters.since(upto - KEPT)] if quarters.number[-1] >= upto - KEPT else []
        return sorted(found, key=lambda one: one.time_ns)

    def _excursion(
        self, departing_ns: Times, known_ns: Times, pairs: SentPairs, noise: Noise
    ) -> list[Excursion]:
        """The excursion that a departure is, if it is one.

        departing_ns  times of the pairs that depart
        known_ns      times of all pairs that do, so that nothing is compared with them
        """
        first_ns, last_ns = int(departing_ns[0]), int(departing_ns[-1])
        if last_ns - first_ns > LONGEST_NS:
            return []
        window = np.searchsorted(pairs.time_ns, [first_ns - BESIDE_NS, last_ns + BESIDE_NS])
        near = pairs[slice(*window.tolist())]
        times = near.time_ns
        ratio = near.reflected_w / near.forward_w
        at = np.searchsorted(times, departing_ns)
        away = ratio[at]
        known_ns = known_ns[slice(*np.searchsorted(known_ns, [times[0], times[-1] + 1]).tolist())]
        quiet = near.trusted.copy()
        quiet[np.searchsorted(times, known_ns)] = False
        before = np.flatnonzero(quiet & (times < first_ns))[-BESIDE:]
        after = np.flatnonzero(quiet & (times > last_ns))[:BESIDE]
        if min(len(before), len(after)) < LEAST_BESIDE:
            return []
        level = np.array([np.median(ratio[before]), np.median(ratio[after])])
        beside = np.concatenate([before, after])
        off = ratio[beside] - np.repeat(level, [len(before), len(after)])
        scatter = np.median(np.abs(off))
        distance = np.median(away) - level
        if distance[0] * distance[1] <= 0:
            return []
        if np.abs(distance).min() <= SCATTERS * SIGMA_PER_MAD * scatter:
            return []
        if np.abs(rho(1.0, np.median(away)) - rho(1.0, level)).min() < LEAST_RHO:
            return []
        # Hum and the like make the pairs beside it scatter by more than noise; weak ones most.
        sd = spread_w(near.reflected_v, near.forward_v, level.mean(), self._coupler, noise)
        sd /= near.forward_w
        usual = max(1.0, SIGMA_PER_MAD * float(np.median(np.abs(off / sd[beside]))))
        if np.abs(((away - level[:, None]) / sd[at]).sum(axis=1)).min() <= (
            CERTAIN * usual * np.sqrt(len(at))
        ):
            return []
        extreme = away[int(np.argmax(np.abs(away - level.mean())))]
        step_ns = int(np.median(np.diff(times)))
        following = times[times > last_ns]
        end_ns = last_ns + step_ns
        if len(following):
            end_ns = min(int(following[0]), last_ns + 2 * step_ns)
        return [
            Excursion(
                time_ns=first_ns,
                duration_ms=(end_ns - first_ns) / 1e6,
                swr_peak=float(swr(rho(1.0, extreme))),
                swr_beside=float(swr(rho(1.0, level.mean()))),
            )
        ]
