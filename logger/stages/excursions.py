"""Excursions, such as a plug that opens for 20 ms. A pure state machine.

This module is responsible for telling an excursion from noise, wind and modulation. Input:
quarters. Output: rows of excursions.

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
from logger.quantiles import median, quantile
from logger.rows import Excursion
from logger.stages.departures import (
    CERTAIN,
    LEAST_RHO,
    LONGEST_NS,
    REACH,
    between_jumps,
    bias_w,
    from_level,
    may_jump,
    restless_runs,
    spread_w,
)
from logger.stages.quarters import QUARTER_NS, Quarters, SentPairs, join_levels, join_quarters

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
RETAINED = 24  # quarters retained before those being judged: a group and its surroundings


NO_TIMES = np.empty(0, dtype=np.int64)


class Excursions:
    """State machine from quarters to excursions, REACH quarters after they ended."""

    def __init__(self, coupler: Coupler) -> None:
        self._coupler = coupler
        self._quarters: list[Quarters] = []
        self._judged = -(2**62)  # number of the latest quarter judged
        self._may_jump = -(2**62)  # number of the latest quarter that came with a possible jump
        self._jumped_ns = -(2**62)  # time of the latest jump back
        # Times of pairs between jumps and off the level, not yet judged.
        self._open = NO_TIMES, NO_TIMES
        self._least_rho: dict[int, float] = {}  # least departure that counts, by quarter number
        self._departing_ns = NO_TIMES  # times of all recent departing pairs

    def update(self, quarters: Quarters | None, now_ns: int, noise: Noise) -> list[Excursion]:
        """Process quarters, if there are new ones, and advance the time to `now_ns`."""
        if quarters is not None:
            self._add(quarters)
        return self._judge(now_ns // QUARTER_NS - REACH - 1, noise)

    def finish(self, quarters: Quarters | None, noise: Noise) -> list[Excursion]:
        """Process the last quarters at the end of the stream."""
        if quarters is not None:
            self._add(quarters)
        if not self._quarters:
            return []
        return self._judge(int(self._quarters[-1].number[-1]) + REACH + 1, noise)

    def _add(self, quarters: Quarters) -> None:
        before = self._quarters[-1].pairs if self._quarters else None
        if may_jump(quarters, before):
            self._may_jump = int(quarters.number[-1])
        self._quarters.append(quarters)

    def _judge(self, upto: int, noise: Noise) -> list[Excursion]:
        """Judge the quarters up to number `upto`."""
        if not self._quarters or upto <= self._judged:
            return []
        parts = self._parts(self._judged - REACH)
        levels = join_levels(parts)
        begin, end = np.searchsorted(levels.number, [self._judged, upto], side="right").tolist()
        jumped, off = self._open
        if begin < end:
            context = self._coupler, noise
            places = NO_TIMES
            if self._may_jump > self._judged:
                quarters = join_quarters(parts)
                places, self._jumped_ns = between_jumps(
                    quarters, begin, end, *context, self._jumped_ns
                )
                jumped = np.union1d(jumped, quarters.pairs.time_ns[places])
            # Earlier ones mean nothing to later quarters.
            self._jumped_ns = max(self._jumped_ns, (upto + 1) * QUARTER_NS - 1)
            self._may_jump = max(self._may_jump, upto)
            # Where nothing departs, the least departure that counts is not needed either.
            runs = [(begin, end)]
            if not len(places):
                own = [part.between(self._judged, upto) for part in parts]
                runs = restless_runs(levels, begin, end, list(filter(len, own)), *context)
            quarters = join_quarters(parts) if runs else levels
            for first, past in runs:
                places, least_rho = from_level(quarters, first, past, *context)
                numbers = quarters.number[first:past].tolist()
                self._least_rho.update(zip(numbers, least_rho.tolist(), strict=True))
                off = np.union1d(off, quarters.pairs.time_ns[places])
        self._judged = upto
        past_ns = (upto + 1) * QUARTER_NS - MERGE_NS
        open_ns = 2**62
        excursions: list[Excursion] = []
        for group in _groups(np.union1d(jumped, off)):
            if group[-1] >= past_ns:  # it may continue
                open_ns = int(group[0])
                break
            pairs = join_quarters(self._parts((int(group[0]) - BESIDE_NS) // QUARTER_NS)).pairs
            departures = self._split(_within(jumped, group), _within(off, group), pairs)
            self._departing_ns = np.concatenate([self._departing_ns, *departures])
            self._departing_ns.sort()
            excursions += self._select(departures, pairs, noise)
        self._open = jumped[jumped >= open_ns], off[off >= open_ns]
        oldest = upto - RETAINED
        self._departing_ns = self._departing_ns[self._departing_ns >= oldest * QUARTER_NS]
        self._least_rho = {n: rho for n, rho in self._least_rho.items() if n >= oldest}
        self._quarters = [
            part.since(oldest) for part in self._quarters if part.number[-1] >= oldest
        ]
        return excursions

    def _parts(self, number: int) -> list[Quarters]:
        """Return the held quarters from `number` on, and the one before, whose last pair is needed.

        Joining them copies a second of pairs or more.
        """
        parts: list[Quarters] = []
        for part in reversed(self._quarters):
            index = int(np.searchsorted(part.number, number))
            parts.append(part.part(max(index - 1, 0), len(part)))
            if index:
                break
        return parts[::-1]

    def _split(self, jumped: Times, off: Times, pairs: SentPairs) -> list[Times]:
        """Return the times of each departure, those between jumps first because they are sharper.

        On a steady carrier a departure ends where pairs are back at the surrounding level. Pairs
        between jumps may be at that level too, if one of the jumps was missed.
        """
        returned = self._find_returned(jumped, off, pairs)
        if returned is None:
            return [*_groups(jumped), *_groups(off)]
        jumped = jumped[~returned[np.searchsorted(pairs.time_ns, jumped)]]
        count = np.concatenate([[0], np.cumsum(returned)])
        parts: list[Times] = []
        for times in (jumped, off):
            for part in _groups(times):
                earlier = count[np.searchsorted(pairs.time_ns, part)]
                ends = (np.diff(earlier) >= LEAST_BACK) & (np.diff(part) >= LEAST_BACK_NS)
                parts += np.split(part, np.flatnonzero(ends) + 1)
        return parts

    def _find_returned(self, jumped: Times, off: Times, pairs: SentPairs) -> Bools | None:
        """Return a mask (n,) of pairs at the level around a departure.

        None if the power is not steady.
        """
        times = pairs.time_ns
        quiet = pairs.trusted & ~_mark(times, self._departing_ns, jumped, off)
        first_ns, last_ns = (bound(np.concatenate([jumped, off])) for bound in (np.min, np.max))
        inside = quiet & (times >= first_ns) & (times <= last_ns)
        just_before = (times >= first_ns - BESIDE_NS) & (times < first_ns)
        beside = np.flatnonzero(quiet & just_before)[-BESIDE:]
        if len(beside) < LEAST_BESIDE:
            return None
        ratio = np.where(pairs.trusted, pairs.reflected_w, 0.0) / np.where(
            pairs.trusted, pairs.forward_w, 1.0
        )
        level = median(ratio[beside])
        sharp = off if len(off) else jumped
        away = abs(median(ratio[np.searchsorted(times, sharp)]) - level)
        returned = pairs.trusted & ~_mark(times, off) & (np.abs(ratio - level) < 0.5 * away)
        places = np.concatenate([beside, np.flatnonzero(inside & returned)])
        return returned if _is_steady(pairs.forward_w[places]) else None

    def _select(self, parts: list[Times], pairs: SentPairs, noise: Noise) -> list[Excursion]:
        """Return the excursions among neighbouring departures."""
        excursions: list[Excursion] = []
        for part in parts:
            if not any(
                part[0] < excursion.time_ns + 1e6 * excursion.duration_ms
                and part[-1] >= excursion.time_ns
                for excursion in excursions
            ):
                excursions += self._find_excursion(part, pairs, noise)
        return sorted(excursions, key=lambda excursion: excursion.time_ns)

    def _find_excursion(
        self, departing_ns: Times, pairs: SentPairs, noise: Noise
    ) -> list[Excursion]:
        """Return the excursion of the departure at these times, an empty list if it is none."""
        first_ns, last_ns = int(departing_ns[0]), int(departing_ns[-1])
        if last_ns - first_ns > LONGEST_NS:
            return []
        window = np.searchsorted(pairs.time_ns, [first_ns - BESIDE_NS, last_ns + BESIDE_NS])
        pairs = pairs[slice(*window.tolist())]
        times = pairs.time_ns
        ratio = pairs.reflected_w / pairs.forward_w
        places = np.searchsorted(times, departing_ns)
        away = ratio[places]
        quiet = pairs.trusted & ~_mark(times, self._departing_ns)
        earlier = np.flatnonzero(quiet & (times < first_ns))[-BESIDE:]
        later = np.flatnonzero(quiet & (times > last_ns))[:BESIDE]
        if min(len(earlier), len(later)) < LEAST_BESIDE:
            return []
        # Pairs after it may belong to the next open of a chattering contact, not judged yet.
        former = median(ratio[earlier])
        returned = later[np.abs(ratio[later] - former) < 0.5 * abs(median(away) - former)]
        if len(returned) >= LEAST_BESIDE and _is_steady(pairs.forward_w[[*earlier, *returned]]):
            later = returned
        level = np.array([median(ratio[earlier]), median(ratio[later])])
        beside = np.concatenate([earlier, later])
        off = ratio[beside] - np.repeat(level, [len(earlier), len(later)])
        # Other departures to both sides alike mean that the noise has grown: the remaining pairs
        # would underestimate it.
        strays = np.flatnonzero(pairs.trusted & ~quiet & ((times < first_ns) | (times > last_ns)))
        astray = ratio[strays] - level.mean()
        if min((astray > 0).sum(), (astray < 0).sum()) >= max(LEAST_BESIDE, EITHER * len(strays)):
            beside, off = np.append(beside, strays), np.append(off, astray)
        scatter = median(np.abs(off))
        distance = median(away) - level
        if distance[0] * distance[1] <= 0:
            return []
        power_w = pairs.forward_w[beside]
        moves = power_w.max() > STEADY_BESIDE * power_w.min()
        least = self._least_rho.get(first_ns // QUARTER_NS, LEAST_RHO)
        scatters = SCATTERS if moves or least >= LEAST_RHO else STEADY_SCATTERS
        if np.abs(distance).min() <= scatters * SIGMA_PER_MAD * scatter:
            return []
        least = LEAST_MOVING_RHO if moves else least
        if np.abs(rho(1.0, median(away)) - rho(1.0, level)).min() < least:
            return []
        # Hum and similar effects scatter the surrounding pairs by more than noise, weak ones most.
        columns = pairs.reflected_v, pairs.forward_v, pairs.forward_w
        sd = spread_w(*columns, level.mean(), self._coupler, noise)
        sd /= pairs.forward_w
        usual = max(1.0, SIGMA_PER_MAD * median(np.abs(off / sd[beside])))
        bias = bias_w(pairs.reflected_v, pairs.forward_v, level.mean(), self._coupler, noise)
        bias /= pairs.forward_w
        if np.abs(((away - level[:, None]) / sd[places]).sum(axis=1)).min() <= (
            CERTAIN * usual * np.sqrt(len(places)) + (bias[places] / sd[places]).sum()
        ):
            return []
        extreme = away[int(np.argmax(np.abs(away - level.mean())))]
        step_ns = int(median(np.diff(times)))
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
    """Split sorted times (n,) at pauses longer than MERGE_NS, and longer parts every GROUP_NS."""
    if not len(times):
        return []
    parts: list[Times] = []
    for part in np.split(times, np.flatnonzero(np.diff(times) > MERGE_NS) + 1):
        number = (part - part[0]) // GROUP_NS
        parts += np.split(part, np.flatnonzero(np.diff(number)) + 1)
    return parts


def _is_steady(power_w: Floats) -> bool:
    """True if powers (n,) are those of an unmodulated carrier, possibly with an edge of it."""
    low, high = quantile(power_w, 0.1), quantile(power_w, 0.9)
    return bool(high <= STEADY_BESIDE * low)


def _mark(times: Times, *marks: Times) -> Bools:
    """Return the mask (n,) of pairs whose times are among the marks; marks outside are ignored."""
    mask = np.zeros(len(times), dtype=bool)
    for mark in marks:
        inside = mark[(mark >= times[0]) & (mark <= times[-1])]
        mask[np.searchsorted(times, inside)] = True
    return mask


def _within(times: Times, group: Times) -> Times:
    return np.asarray(times[(times >= group[0]) & (times <= group[-1])])
