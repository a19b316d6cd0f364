"""Excursions, such as a plug that opens for 20 ms. A pure state machine.

Departing pairs (see `departures`) within MERGE_NS of one another form one departure. It is an
excursion if it lasts LONGEST_NS at most and the pairs just before and just after it agree that the
reflection went away and came back: by more than SCATTERS times the scatter of these pairs (wind in
the antenna, hum, modulation), or STEADY_SCATTERS times on a steady carrier in calm air.

Two detectors measure only the magnitude of a reflection. A contact whose resistance leaves the
magnitude unchanged is not detected, and an open cannot be distinguished from a short.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools, Floats, Noise, Times
from logger.calibration.coupler import Coupler
from logger.physics.reflection import rho, swr
from logger.rows import Excursion
from logger.stages.departures import (
    CERTAIN,
    LEAST_RHO,
    LONGEST_NS,
    REACH,
    between_jumps,
    bias_w,
    from_level,
    spread_w,
)
from logger.stages.quarters import QUARTER_NS, Quarters, SentPairs, joined

MERGE_NS = 25_000_000
LEAST_BACK = 2  # successive pairs back at the level that end a departure,
LEAST_BACK_NS = 15_000_000  # if the departing pairs around them are at least this far apart
BESIDE_NS = 1_000_000_000  # time before and after a departure in which pairs are searched
BESIDE = 16  # largest number of these pairs
LEAST_BESIDE = 2
EITHER = 0.25  # share of departures to the other side that indicates noise
SCATTERS = 5.0
STEADY_SCATTERS = 3.0  # on a steady carrier in calm air: the scatter is noise, weighed below
STEADY_BESIDE = 1.12  # ratio of highest to lowest power up to which power is steady
LEAST_MOVING_RHO = 0.1  # least departure while power moves: detectors follow differently
SIGMA_PER_MAD = 1.4826
GROUP_NS = 4_000_000_000  # longer departures are split into parts of this length
KEPT = 24  # quarters retained before those being judged: a group and its surroundings


NONE = np.empty(0, dtype=np.int64)


class Excursions:
    """State machine from quarters to excursions, REACH quarters after they ended."""

    def __init__(self, coupler: Coupler) -> None:
        self._coupler = coupler
        self._held: list[Quarters] = []
        self._judged = -(2**62)  # number of the latest quarter judged
        self._jumped_ns = -(2**62)  # time of the latest jump back
        self._open = NONE, NONE  # times of pairs between jumps and off the level, not yet judged
        self._least_rho: dict[int, float] = {}  # least departure that counts, by quarter number
        self._known = NONE  # times of all recent departing pairs

    def update(self, quarters: Quarters | None, now_ns: int, noise: Noise) -> list[Excursion]:
        """Process quarters, if there are new ones, and advance the time to `now_ns`."""
        if quarters is not None:
            self._held.append(quarters)
        return self._judge(now_ns // QUARTER_NS - REACH - 1, noise)

    def finish(self, quarters: Quarters | None, noise: Noise) -> list[Excursion]:
        """Process the last quarters at the end of the stream."""
        if quarters is not None:
            self._held.append(quarters)
        if not self._held:
            return []
        return self._judge(int(self._held[-1].number[-1]) + REACH + 1, noise)

    def _judge(self, upto: int, noise: Noise) -> list[Excursion]:
        """Judge the quarters up to number `upto`."""
        if not self._held or upto <= self._judged:
            return []
        quarters = self._since(self._judged - REACH)
        begin, end = np.searchsorted(quarters.number, [self._judged, upto], side="right").tolist()
        self._judged = upto
        jumped, off = self._open
        if begin < end:
            both = self._coupler, noise
            at, self._jumped_ns = between_jumps(quarters, begin, end, *both, self._jumped_ns)
            jumped = np.union1d(jumped, quarters.pairs.time_ns[at])
            at, least_rho = from_level(quarters, begin, end, *both)
            numbers = quarters.number[begin:end].tolist()
            self._least_rho.update(zip(numbers, least_rho.tolist(), strict=True))
            off = np.union1d(off, quarters.pairs.time_ns[at])
        past_ns = (upto + 1) * QUARTER_NS - MERGE_NS
        open_ns = 2**62
        found: list[Excursion] = []
        for group in _groups(np.union1d(jumped, off)):
            if group[-1] >= past_ns:  # it may continue
                open_ns = int(group[0])
                break
            near = self._since((int(group[0]) - BESIDE_NS) // QUARTER_NS).pairs
            parts = self._parts(_within(jumped, group), _within(off, group), near)
            self._known = np.concatenate([self._known, *parts])
            self._known.sort()
            found += self._among(parts, near, noise)
        self._open = jumped[jumped >= open_ns], off[off >= open_ns]
        oldest = upto - KEPT
        self._known = self._known[self._known >= oldest * QUARTER_NS]
        self._least_rho = {n: rho for n, rho in self._least_rho.items() if n >= oldest}
        self._held = [part.since(oldest) for part in self._held if part.number[-1] >= oldest]
        return found

    def _since(self, number: int) -> Quarters:
        """Return the held quarters from `number` on, and the one before, whose last pair is needed.

        Only the parts needed are joined; joining all would copy seconds of pairs for each quarter.
        """
        parts: list[Quarters] = []
        for part in reversed(self._held):
            at = int(np.searchsorted(part.number, number))
            parts.append(part.part(max(at - 1, 0), len(part)))
            if at:
                break
        return joined(parts[::-1])

    def _parts(self, jumped: Times, off: Times, pairs: SentPairs) -> list[Times]:
        """Return the times of each departure, those between jumps first because they are sharper.

        On a steady carrier a departure ends where pairs are back at the surrounding level. Pairs
        between jumps may be at that level too, if one of the jumps was missed.
        """
        back = self._back(jumped, off, pairs)
        if back is None:
            return [*_groups(jumped), *_groups(off)]
        jumped = jumped[~back[np.searchsorted(pairs.time_ns, jumped)]]
        count = np.concatenate([[0], np.cumsum(back)])
        parts: list[Times] = []
        for times in (jumped, off):
            for part in _groups(times):
                before = count[np.searchsorted(pairs.time_ns, part)]
                ends = (np.diff(before) >= LEAST_BACK) & (np.diff(part) >= LEAST_BACK_NS)
                parts += np.split(part, np.flatnonzero(ends) + 1)
        return parts

    def _back(self, jumped: Times, off: Times, pairs: SentPairs) -> Bools | None:
        """Return a mask (n,) of pairs at the level around a departure.

        None if the power is not steady.
        """
        times = pairs.time_ns
        departs = np.zeros(len(pairs), dtype=bool)
        for part in (self._known, jumped, off):
            own = part[(part >= times[0]) & (part <= times[-1])]
            departs[np.searchsorted(times, own)] = True
        first_ns, last_ns = (bound(np.concatenate([jumped, off])) for bound in (np.min, np.max))
        quiet = pairs.trusted & ~departs
        inside = quiet & (times >= first_ns) & (times <= last_ns)
        near = (times >= first_ns - BESIDE_NS) & (times < first_ns)
        beside = np.flatnonzero(quiet & near)[-BESIDE:]
        if len(beside) < LEAST_BESIDE:
            return None
        ratio = np.where(pairs.trusted, pairs.reflected_w, 0.0) / np.where(
            pairs.trusted, pairs.forward_w, 1.0
        )
        level = float(np.median(ratio[beside]))
        sharp = off if len(off) else jumped
        away = abs(float(np.median(ratio[np.searchsorted(times, sharp)])) - level)
        off_level = np.zeros(len(pairs), dtype=bool)
        off_level[np.searchsorted(times, off)] = True
        back = pairs.trusted & ~off_level & (np.abs(ratio - level) < 0.5 * away)
        at = np.concatenate([beside, np.flatnonzero(inside & back)])
        return back if _is_steady(pairs.forward_w[at]) else None

    def _among(self, parts: list[Times], pairs: SentPairs, noise: Noise) -> list[Excursion]:
        """Return the excursions among neighbouring departures."""
        found: list[Excursion] = []
        for part in parts:
            if not any(
                part[0] < other.time_ns + 1e6 * other.duration_ms and part[-1] >= other.time_ns
                for other in found
            ):
                found += self._excursion(part, pairs, noise)
        return sorted(found, key=lambda one: one.time_ns)

    def _excursion(self, departing_ns: Times, pairs: SentPairs, noise: Noise) -> list[Excursion]:
        """Return the excursion of the departure at these times, an empty list if it is none."""
        first_ns, last_ns = int(departing_ns[0]), int(departing_ns[-1])
        if last_ns - first_ns > LONGEST_NS:
            return []
        window = np.searchsorted(pairs.time_ns, [first_ns - BESIDE_NS, last_ns + BESIDE_NS])
        near = pairs[slice(*window.tolist())]
        times = near.time_ns
        ratio = near.reflected_w / near.forward_w
        at = np.searchsorted(times, departing_ns)
        away = ratio[at]
        known = slice(*np.searchsorted(self._known, [times[0], times[-1] + 1]).tolist())
        quiet = near.trusted.copy()
        quiet[np.searchsorted(times, self._known[known])] = False
        before = np.flatnonzero(quiet & (times < first_ns))[-BESIDE:]
        after = np.flatnonzero(quiet & (times > last_ns))[:BESIDE]
        if min(len(before), len(after)) < LEAST_BESIDE:
            return []
        # Pairs after it may belong to the next open of a chattering contact, not judged yet.
        former = np.median(ratio[before])
        back = after[np.abs(ratio[after] - former) < 0.5 * abs(np.median(away) - former)]
        if len(back) >= LEAST_BESIDE and _is_steady(near.forward_w[[*before, *back]]):
            after = back
        level = np.array([np.median(ratio[before]), np.median(ratio[after])])
        beside = np.concatenate([before, after])
        off = ratio[beside] - np.repeat(level, [len(before), len(after)])
        # Other departures to both sides alike mean that the noise has grown: the remaining pairs
        # would underestimate it.
        others = np.flatnonzero(near.trusted & ~quiet & ((times < first_ns) | (times > last_ns)))
        astray = ratio[others] - level.mean()
        if min((astray > 0).sum(), (astray < 0).sum()) >= max(LEAST_BESIDE, EITHER * len(others)):
            beside, off = np.append(beside, others), np.append(off, astray)
        scatter = np.median(np.abs(off))
        distance = np.median(away) - level
        if distance[0] * distance[1] <= 0:
            return []
        power_w = near.forward_w[beside]
        moves = power_w.max() > STEADY_BESIDE * power_w.min()
        least = self._least_rho.get(first_ns // QUARTER_NS, LEAST_RHO)
        scatters = SCATTERS if moves or least >= LEAST_RHO else STEADY_SCATTERS
        if np.abs(distance).min() <= scatters * SIGMA_PER_MAD * scatter:
            return []
        least = LEAST_MOVING_RHO if moves else least
        if np.abs(rho(1.0, np.median(away)) - rho(1.0, level)).min() < least:
            return []
        # Hum and similar effects scatter the surrounding pairs by more than noise, weak ones most.
        columns = near.reflected_v, near.forward_v, near.forward_w
        sd = spread_w(*columns, level.mean(), self._coupler, noise)
        sd /= near.forward_w
        usual = max(1.0, SIGMA_PER_MAD * float(np.median(np.abs(off / sd[beside]))))
        bias = bias_w(near.reflected_v, near.forward_v, level.mean(), self._coupler, noise)
        bias /= near.forward_w
        if np.abs(((away - level[:, None]) / sd[at]).sum(axis=1)).min() <= (
            CERTAIN * usual * np.sqrt(len(at)) + (bias[at] / sd[at]).sum()
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


def _groups(times: Times) -> list[Times]:
    """Split sorted times (n,) at pauses longer than MERGE_NS, and each part every GROUP_NS."""
    if not len(times):
        return []
    parts: list[Times] = []
    for part in np.split(times, np.flatnonzero(np.diff(times) > MERGE_NS) + 1):
        number = (part - part[0]) // GROUP_NS
        parts += np.split(part, np.flatnonzero(np.diff(number)) + 1)
    return parts


def _is_steady(power_w: Floats) -> bool:
    """True if powers (n,) are those of an unmodulated carrier, possibly with an edge of it."""
    low, high = np.quantile(power_w, [0.1, 0.9])
    return bool(high <= STEADY_BESIDE * low)


def _within(times: Times, group: Times) -> Times:
    return np.asarray(times[(times >= group[0]) & (times <= group[-1])])
