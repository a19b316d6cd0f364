"""Transmissions from key-down to key-up, and their per-second rows. A pure state machine.

A transmission begins with the first keyed pair and ends with the last one that is followed by no
keyed pair for the hang time; so speech pauses do not split it and the hang time is not counted.
Means are over all its pairs; SWR is the ratio of summed powers over the settled ones. Pairs after
the last keyed one are held back until the key is down again or the hang time is over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Floats, Noise, PowerBlock, Times, join
from logger.calibration.coupler import READABLE_FACTOR, Coupler
from logger.reflection import estimate, swr
from logger.rows import Flag, Row, Second, Transmission

SECOND_NS = 1_000_000_000
GAP_S = 0.25  # pairs further apart are a gap, unless the bridge is that slow anyway
GAP_STEPS = 4  # that is, unless it is less than so many of the usual steps,
RECENT = 8  # the median of so many before
SCATTER_FROM = 8  # settled pairs needed before their own scatter can say anything
LEAST_PAIRS = 2  # a single pair above the threshold is a crackle, not a transmission

# Sums kept for each second and each transmission, in this order. `s` marks settled pairs only.
COUNT, PF, PR, VF, VR, S_COUNT, S_PF, S_PR, S_VF, S_VR, S_FF, S_RR, S_FR = range(13)


@dataclass(slots=True)
class _Open:
    """The transmission that is going on."""

    start_ns: int
    end_ns: int
    noise: Noise
    sums: Floats
    second_ns: int
    second_sums: Floats
    second_flags: int = 0
    flags: int = 0
    peak_forward_w: float = 0.0
    peak_reflected_w: float = 0.0
    energy_j: float = 0.0
    last_forward_w: float = 0.0
    recent_s: tuple[float, ...] = ()  # the latest steps from pair to pair
    highest_ratio: float = -1.0
    channel: int | None = None
    frequency_khz: float | None = None
    told: bool = False


class _Seconds(NamedTuple):
    """Complete seconds: when each begins, its sums (S_FR + 1, n) and its flags."""

    begins: Times
    sums: Floats
    flags: Times


class Transmissions:
    """Feeds on power blocks, yields rows.

    hang_ns  a pause shorter than this does not end a transmission
    hold_ns  length of the windows over which the highest SWR is sought
    """

    def __init__(
        self,
        coupler: Coupler,
        hang_ns: int,
        hold_ns: int,
        channel: int | None,
        frequency_khz: float | None,
    ) -> None:
        self._coupler = coupler
        self._hang_ns = hang_ns
        self._hold_ns = hold_ns
        self._channel = channel
        self._frequency_khz = frequency_khz
        self._open: _Open | None = None
        self._pending: list[PowerBlock] = []
        self._ready: list[_Seconds] = []
        self._last_keyed_ns = 0
        self._windows = _HighestRatio(hold_ns)
        self._spans: list[tuple[int, int]] = []

    def update(self, block: PowerBlock, keyed: Bools, noise: Noise) -> list[Row]:
        """Take in one block and say which rows are complete; `keyed` (n,)."""
        self._spans = []
        rows: list[Row] = []
        at = np.flatnonzero(keyed)
        if not len(at):
            if self._open is not None:
                self._pending.append(block)
                rows += self.advance(int(block.time_ns[-1]))
            return rows
        times = block.time_ns[at]
        breaks = np.flatnonzero(np.diff(times) > self._hang_ns) + 1
        for first, past in zip([0, *breaks], [*breaks, len(at)], strict=True):
            begin, end = int(at[first]), int(at[past - 1]) + 1
            rows += self.advance(int(block.time_ns[begin]))
            if self._open is None:
                self._begin(block, begin, noise)
                part = block[begin:end]
            else:
                part = join([*self._pending, block[:end]])
            self._pending = []
            self._commit(part)
            self._last_keyed_ns = int(block.time_ns[end - 1])
            if past == len(at) and end < len(block):
                self._pending = [block[end:]]
        rows += self.advance(int(block.time_ns[-1]))
        return rows + self._so_far()

    def advance(self, now_ns: int) -> list[Row]:
        """Sample time has reached `now_ns`: end the transmission if the hang time is over."""
        if self._open is None or now_ns - self._last_keyed_ns <= self._hang_ns:
            return []
        return self.finish()

    def finish(self, flag: Flag | None = None) -> list[Row]:
        """End the transmission that is going on, if any, adding `flag` to it."""
        current = self._open
        self._pending = []
        self._open = None
        if current is None or current.sums[COUNT] < LEAST_PAIRS:
            self._ready = []
            return []
        current.flags |= int(flag or 0)
        self._spans.append((current.start_ns, current.end_ns + self._hang_ns))
        self._ready.append(
            _Seconds(
                np.array([current.second_ns]),
                current.second_sums[:, None],
                np.array([current.second_flags]),
            )
        )
        return self._rows(current, ended=True)

    def start_at(self, time_ns: int) -> int | None:
        """The start of the transmission under way at `time_ns` in the last block, if any (the
        hang time counts, since nobody can know then whether it goes on)."""
        spans = self._spans
        if self._open is not None and self._open.sums[COUNT] >= LEAST_PAIRS:
            spans = [*spans, (self._open.start_ns, time_ns)]
        for start_ns, past_ns in reversed(spans):
            if start_ns < time_ns <= past_ns:
                return start_ns
        return None

    @property
    def under_way(self) -> bool:
        """Whether a transmission is going on (the hang time counts)."""
        return self._open is not None

    def _begin(self, block: PowerBlock, at: int, noise: Noise) -> None:
        start_ns = int(block.time_ns[at])
        self._windows = _HighestRatio(self._hold_ns)
        zeros = np.zeros(S_FR + 1)
        self._open = _Open(start_ns, start_ns, noise, zeros, start_ns, zeros.copy())
        self._open.channel, self._open.frequency_khz = self._where(block, at)

    def _where(self, block: PowerBlock, at: int) -> tuple[int | None, float | None]:
        def reported(name: str) -> float | None:
            column = block.aux.get(name)
            return None if column is None or np.isnan(column[at]) else float(column[at])

        channel, khz = reported("channel"), reported("frequency_khz")
        return (
            self._channel if channel is None else round(channel),
            self._frequency_khz if khz is None else khz,
        )

    def _commit(self, block: PowerBlock) -> None:
        """Add pairs to the transmission; seconds that are complete are made ready."""
        current = self._open
        assert current is not None
        times, forward, reflected = block.time_ns, block.forward_w, block.reflected_w
        s = block.settled & (block.flags & np.uint8(Flag.CLIPPED) == 0)
        columns = np.empty((S_FR + 1, len(block)))
        columns[COUNT] = 1.0
        columns[PF], columns[PR] = forward, reflected
        columns[VF], columns[VR] = block.forward_v, block.reflected_v
        columns[S_COUNT] = s
        for to, of in ((S_PF, PF), (S_PR, PR), (S_VF, VF), (S_VR, VR)):
            np.multiply(columns[of], s, out=columns[to])
        np.multiply(columns[S_PF], forward, out=columns[S_FF])
        np.multiply(columns[S_PR], reflected, out=columns[S_RR])
        np.multiply(columns[S_PF], reflected, out=columns[S_FR])
        self._measure(current, block, columns)

        second = times // SECOND_NS
        edges = np.concatenate([[0], np.flatnonzero(np.diff(second)) + 1])
        sums = np.add.reduceat(columns, edges, axis=1)
        flags = np.bitwise_or.reduceat(block.flags, edges).astype(np.int64)
        begins = np.maximum(second[edges] * SECOND_NS, current.start_ns)
        if begins[0] == current.second_ns:
            sums[:, 0] += current.second_sums
            flags[0] |= current.second_flags
        elif current.sums[COUNT]:
            begins = np.concatenate([[current.second_ns], begins])
            sums = np.concatenate([current.second_sums[:, None], sums], axis=1)
            flags = np.concatenate([[current.second_flags], flags])
        current.sums += columns.sum(axis=1)
        current.flags |= int(np.bitwise_or.reduce(flags))
        current.second_ns = int(begins[-1])
        current.second_sums = sums[:, -1].copy()
        current.second_flags = int(flags[-1])
        if len(begins) > 1:
            self._ready.append(_Seconds(begins[:-1], sums[:, :-1], flags[:-1]))

    def _so_far(self) -> list[Row]:
        """What there is of the transmission that goes on, if there is anything new: its own row
        first, since the others refer to it."""
        current = self._open
        if current is None or current.sums[COUNT] < LEAST_PAIRS:
            return []
        if current.told and not self._ready:
            return []
        current.told = True
        return self._rows(current, ended=False)

    def _measure(self, current: _Open, block: PowerBlock, columns: Floats) -> None:
        """Peaks, energy, gaps and the highest window of pairs about to be added."""
        times, forward = block.time_ns, block.forward_w
        current.peak_forward_w = max(current.peak_forward_w, float(forward.max()))
        current.peak_reflected_w = max(current.peak_reflected_w, float(block.reflected_w.max()))
        first = current.sums[COUNT] == 0
        steps = np.diff(times, prepend=times[0] if first else current.end_ns) * 1e-9
        power = np.concatenate([[forward[0] if first else current.last_forward_w], forward])
        whole = np.ones(len(steps), dtype=bool)
        known = np.concatenate([current.recent_s, steps[1:] if first else steps])
        for place in np.flatnonzero(known[len(current.recent_s) :] > GAP_S):
            at = len(current.recent_s) + place
            before = known[max(0, at - RECENT) : at]
            if len(before) and known[at] > GAP_STEPS * np.median(before):
                whole[place + first] = False
                current.flags |= int(Flag.GAP)
        current.recent_s = tuple(known[-RECENT:].tolist())
        current.energy_j += float(0.5 * ((power[1:] + power[:-1]) * steps * whole).sum())
        current.last_forward_w = float(forward[-1])
        current.end_ns = int(times[-1])
        floor_w = self._coupler.readable_floor_w(current.noise)
        current.highest_ratio = max(
            current.highest_ratio,
            self._windows.update(times, columns, floor_w, current.start_ns, current.highest_ratio),
        )

    def _rows(self, current: _Open, *, ended: bool) -> list[Row]:
        """The transmission's row, then those of the seconds that are ready."""
        ready, self._ready = self._ready, []
        sums = np.concatenate([current.sums[:, None], *(part.sums for part in ready)], axis=1)
        flags = np.concatenate([[current.flags], *(part.flags for part in ready)])
        bounds, flags = self._bounds(current.noise, sums, flags)
        table = np.concatenate([sums[PF : VR + 1] / sums[COUNT], bounds]).T.tolist()
        seconds = zip(
            [begin for part in ready for begin in part.begins.tolist()],
            sums[COUNT, 1:].astype(int).tolist(),
            flags[1:].tolist(),
            table[1:],
            strict=True,
        )
        return [
            self._transmission(current, bounds[:, 0], int(flags[0]), ended=ended),
            *(self._second(current, *second) for second in seconds),
        ]

    @staticmethod
    def _second(current: _Open, begin_ns: int, count: int, flags: int, row: list[float]) -> Second:
        forward_w, reflected_w, forward_v, reflected_v, *bounds = row
        swr_, low, high, noise_low, noise_high = map(_or_none, bounds)
        return Second(
            time_ns=begin_ns,
            start_ns=current.start_ns,
            forward_w=forward_w,
            reflected_w=reflected_w,
            swr=swr_,
            swr_low=low,
            swr_high=high,
            samples=count,
            flags=flags,
            swr_noise_low=noise_low,
            swr_noise_high=noise_high,
            forward_v=forward_v,
            reflected_v=reflected_v,
        )

    def _transmission(
        self, current: _Open, bounds: Floats, flags: int, *, ended: bool
    ) -> Transmission:
        sums = current.sums
        swr_, low, high, noise_low, noise_high = map(_or_none, bounds.tolist())
        highest = swr_
        if swr_ is not None and current.highest_ratio >= 0:
            highest = max(swr_, float(swr(np.sqrt(current.highest_ratio))))
        return Transmission(
            start_ns=current.start_ns,
            end_ns=current.end_ns,
            ended=ended,
            samples=int(sums[COUNT]),
            forward_w_mean=float(sums[PF] / sums[COUNT]),
            forward_w_max=current.peak_forward_w,
            reflected_w_mean=float(sums[PR] / sums[COUNT]),
            reflected_w_max=current.peak_reflected_w,
            swr=swr_,
            swr_low=low,
            swr_high=high,
            swr_max=highest,
            energy_j=current.energy_j,
            channel=current.channel,
            frequency_khz=current.frequency_khz,
            calibration_id=self._coupler.id,
            flags=flags,
            swr_noise_low=noise_low,
            swr_noise_high=noise_high,
            settled_samples=int(sums[S_COUNT]),
        )

    def _bounds(self, noise: Noise, sums: Floats, flags: Times) -> tuple[Floats, Times]:
        """SWR and its four bounds (5, n) with NaN where unreadable, and flags (n,), from sums."""
        coupler = self._coupler
        unsettled = sums[S_COUNT] == 0
        count = np.where(unsettled, sums[COUNT], sums[S_COUNT])
        forward_w, reflected_w, forward_v, reflected_v = (
            np.where(unsettled, sums[of], sums[settled]) / count
            for of, settled in ((PF, S_PF), (PR, S_PR), (VF, S_VF), (VR, S_VR))
        )
        slope = float(coupler.reflected.slope(coupler.reflected.zero_v))
        least_w = (
            READABLE_FACTOR * slope * np.hypot(noise.sd_v[1] / np.sqrt(count), noise.zero_u_v[1])
        )
        readable = forward_w >= np.maximum(least_w, 1e-9)
        safe_w = np.where(readable, forward_w, 1.0)
        ratio = np.where(readable, reflected_w / safe_w, 0.0)
        variance = (
            (coupler.reflected.slope(reflected_v) * noise.sd_v[1]) ** 2
            + (ratio * coupler.forward.slope(forward_v) * noise.sd_v[0]) ** 2
        ) / (count * safe_w**2)
        # What the pairs really scattered is believed if it is more than the noise explains.
        squares = sums[S_RR] - 2 * ratio * sums[S_FR] + ratio**2 * sums[S_FF]
        enough = sums[S_COUNT] >= SCATTER_FROM
        scatter = np.maximum(squares, 0.0) / (count * np.maximum(count - 1, 1) * safe_w**2)
        variance = np.maximum(variance, np.where(enough, scatter, 0.0))
        result = estimate(
            forward_w,
            reflected_w,
            variance,
            coupler.ratio_variance(forward_v, reflected_v, noise),
            coupler.leak,
            coupler.forward_leak,
            readable,
        )
        lowest_v = coupler.content.valid.forward_v[0]
        flags = (
            (flags & ~int(Flag.UNSETTLED))
            | np.where(unsettled, int(Flag.UNSETTLED), 0)
            | np.where(readable, 0, int(Flag.BELOW_FLOOR))
            | np.where(forward_v < lowest_v, int(Flag.EXTRAPOLATED), 0)
        )
        return np.stack(result[:5]), flags


class _HighestRatio:
    """The highest reflected/incident ratio over any window of `hold_ns` within a transmission."""

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._times = np.empty(0, dtype=np.int64)
        self._settled = np.empty((3, 0))

    def update(
        self, new_times: Times, columns: Floats, floor_w: float, start_ns: int, highest: float
    ) -> float:
        """Take in pairs; the highest ratio now. A window needs two settled pairs that together
        can be read, and must lie wholly in the transmission."""
        old = len(self._times)
        times = np.concatenate([self._times, new_times])
        settled = np.concatenate([self._settled, columns[[S_COUNT, S_PF, S_PR]]], axis=1)
        keep = np.searchsorted(times, times[-1] - self._hold_ns, side="right")
        self._times, self._settled = times[keep:], settled[:, keep:]
        count, forward, reflected = settled
        # No window's ratio exceeds that of its highest pair, which mostly settles the matter.
        if not ((reflected > highest * forward) & (count > 0)).any():
            return highest
        totals = np.zeros((3, len(times) + 1))
        np.cumsum(settled, axis=1, out=totals[:, 1:])
        since = np.searchsorted(times, new_times - self._hold_ns, side="right")
        count, forward, reflected = totals[:, old + 1 :] - totals[:, since]
        step_ns = np.diff(times, prepend=times[0])[old:]
        fit = (
            (count >= 2)
            & (forward >= floor_w * np.sqrt(count))
            & (new_times - start_ns >= self._hold_ns - step_ns // 2)
        )
        if not fit.any():
            return highest
        return max(highest, float((reflected[fit] / forward[fit]).max()))


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
