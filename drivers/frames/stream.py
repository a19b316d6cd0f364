"""Conversion of timestamped chunks of bytes into sample blocks; independent of port and clock.

Pairs that the bridge took and the host did not receive are a gap, detected from the pair numbers.
Codes are read only with the settings named by their tag.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drivers.contract import SampleBlock, join
from drivers.frames import messages
from drivers.frames.framing import Deframer, Group, Ints
from drivers.frames.messages import WRAP, Blocks, Identity, Type
from drivers.recording import Chunk
from drivers.timeline import BridgeClock, Monotone, Times, arrival_times

REORDERED = 4096  # a step back by up to this many pairs is a late frame; a longer one, a restart
MOST_NOTICES = 50
READINGS_US = 5_000_000  # validity of an auxiliary reading
OTHERS = ("lost", "restarted", "bridge_clock", "pattern_wrong")
REASONS = ("corrupt", "partial", "malformed", "unidentified", "other_version", "reordered")


class FrameStream:
    """Decoder of the pairs in the byte stream of a bridge.

    `identity` is the latest identity, `asking` is True if blocks arrived that cannot be read
    without it, `version` is the protocol version if it differs from ours, `refused` holds the types
    of command that the bridge refused under its present settings. `notices` collects changes of
    state in words.
    """

    def __init__(self, baud: int) -> None:
        self.identity: Identity | None = None
        self.asking = False
        self.version: int | None = None
        self.refused: set[int] = set()
        self.notices: deque[str] = deque(maxlen=MOST_NOTICES)
        self._baud = baud
        self._deframer = Deframer()
        self._counters = dict.fromkeys((*REASONS, *OTHERS), 0)
        self._blocks = 0
        self._tag = -1
        self._next: int | None = None  # number of the next expected pair
        self._gap = False
        self._stepped = False
        self._leaps_reported = 0
        self._aux: dict[str, float] = {}
        self._aux_us = 0
        self._clock = BridgeClock()
        self._monotone = Monotone()

    @property
    def counters(self) -> dict[str, int]:
        """Counters of the stream.

        `blocks` read; frames dropped, by reason; `lost` pairs, including those lost on the bridge;
        `restarted`, restarts of the bridge; `bridge_clock`, jumps of its clock; `pattern_wrong`,
        pairs.
        """
        self._counters["corrupt"] = self._deframer.corrupt
        self._counters["partial"] = self._deframer.partial
        return {"blocks": self._blocks, **self._counters}

    def reset(self) -> None:
        """Handle a reconnect: the next data may begin in the middle of a frame."""
        self._deframer.reset()
        self._clock.restart()

    def skip(self) -> None:
        """Prepare for data after chunks dropped unread; pair numbers show how many were lost."""
        self._deframer.reset()

    def feed(self, chunks: Sequence[Chunk]) -> SampleBlock | None:
        """Return the pairs whose frames ended in these chunks, or None if there are none.

        A loss between them sets `gap` on the whole block; `feed_parts` shows its position.
        """
        parts = self.feed_parts(chunks)
        if not parts:
            return None
        return replace(join(parts), gap=any(part.gap for part in parts))

    def feed_parts(self, chunks: Sequence[Chunk]) -> list[SampleBlock]:
        """Like `feed`, but split where pairs were lost or the scale or the readings changed."""
        groups = self._deframer.feed(b"".join([chunk.data for chunk in chunks]))
        if not groups:
            return []
        arrivals = _Arrivals(chunks, self._baud)
        parts: list[SampleBlock] = []
        for group, rows in _in_order(groups):
            payload = group.payload[rows]
            version, type_ = divmod(int(payload[0, 0]), 16)
            if version != messages.VERSION:
                self._other_version(version, len(payload))
            elif type_ == Type.BLOCK:
                parts += self._read_blocks(payload, arrivals.of(group.end[rows]))
            else:
                for message in payload:
                    self._read_message(type_, message.tobytes())
        return parts

    def _other_version(self, version: int, frames: int) -> None:
        self._counters["other_version"] += frames
        if self.version != version:
            self.version = version
            older = "the bridge's firmware" if version < messages.VERSION else "this program"
            self.notices.append(
                f"the bridge speaks version {version} of the wire protocol and this program"
                f" version {messages.VERSION}; pairs are ignored: update {older}"
            )

    def _read_message(self, type_: int, payload: bytes) -> None:
        if type_ == Type.IDENTITY:
            identity = messages.unpack_identity(payload)
            self._counters["malformed"] += identity is None
            if identity is not None:
                self._set_identity(identity)
        elif type_ == Type.READINGS:
            readings = messages.unpack_readings(payload)
            self._counters["malformed"] += readings is None
            if readings is not None:
                self._aux_us, self._aux = readings[0], {**self._aux, **readings[1]}
        elif type_ == Type.ANSWER and len(payload) == 3 and payload[2]:
            if payload[1] not in self.refused:
                result = messages.RESULTS[min(payload[2], 2)]
                self.notices.append(f"the bridge refused command {payload[1]}: {result}")
            self.refused.add(payload[1])

    def _set_identity(self, identity: Identity) -> None:
        former, self.identity = self.identity, identity
        settings = identity.settings
        self._tag = settings.tag
        self.asking = False
        self.version = None
        if former is None or former.settings != settings:
            self.refused.clear()
            self.notices.append(
                f"the bridge {identity.name!r} sends a pair every {settings.period_us} µs,"
                f" {settings.block} pairs per block, {settings.oversampling} conversions per code"
                + (", and a test pattern instead of readings" if settings.pattern else "")
            )
        if former is not None and former.settings.boot != settings.boot:
            self._handle_restart()
            self._next = 0

    def _handle_restart(self) -> None:
        self._counters["restarted"] += 1
        why = self.identity.why_started if self.identity else "unknown"
        self.notices.append(f"the bridge restarted; reason: {why}")
        self._clock.restart()
        self._aux = {}
        self._gap = self._stepped = True

    def _read_blocks(self, payload: NDArray[np.uint8], arrival_ns: Times) -> Iterator[SampleBlock]:
        """Yield the pairs in blocks of one length, split where pairs were lost."""
        blocks = messages.unpack_blocks(payload)
        if blocks is None:
            self._counters["malformed"] += len(payload)
            return
        readable = blocks.tag == self._tag
        if self.identity is None or not readable.all():
            self._counters["unidentified"] += int(np.count_nonzero(~readable))
            self.asking = True
            if self.identity is None or not readable.any():
                return
        settings = self.identity.settings
        width = messages.PAIR_BYTES[settings.bits]
        fits = blocks.pairs * width == blocks.packed.shape[1]
        self._counters["malformed"] += int(np.count_nonzero(readable & ~fits))
        if not (readable & fits).all():
            blocks = blocks.cut(readable & fits)
            arrival_ns = arrival_ns[readable & fits]
        for rows in self._consecutive(blocks):
            self._blocks += rows.stop - rows.start
            run = blocks.cut(rows)
            forward, reflected = messages.unpack_pairs(run.packed, settings.bits)
            if settings.pattern:
                self._check_pattern(run.number, forward, reflected, settings.bits)
                self._gap = True
                continue
            times = self._times(run, arrival_ns[rows], settings)
            # A block may have begun before the readings that were sent ahead of it.
            if (int(run.clock_us[-1]) - self._aux_us + WRAP // 2) % WRAP > WRAP // 2 + READINGS_US:
                self._aux = {}
            gap, self._gap = self._gap, False
            stepped, self._stepped = self._stepped, False
            step_v = settings.volts
            yield SampleBlock(
                times,
                np.multiply(forward.ravel(), step_v, dtype=np.float64),
                np.multiply(reflected.ravel(), step_v, dtype=np.float64),
                {name: np.full(len(times), value) for name, value in self._aux.items()},
                (step_v, step_v),
                settings.reference_mv / 1000,
                stepped,
                gap,
            )

    def _consecutive(self, blocks: Blocks) -> Iterator[slice]:
        """Yield runs of blocks without a loss, in time order; count the losses."""
        count = len(blocks.number)
        if not count:
            return
        size = int(blocks.pairs[0])
        start = 0
        broken = np.flatnonzero(np.diff(blocks.number) % WRAP != size) + 1
        for stop in [*broken.tolist(), count]:
            number = int(blocks.number[start])
            step = 0 if self._next is None else (number - self._next) % WRAP
            back = WRAP - step
            if step and back <= REORDERED:
                # Blocks that overlap pairs already returned are dropped.
                late = min(stop - start, -(-back // size))
                self._counters["reordered"] += late
                start += late
                if start == stop:
                    continue
                number = int(blocks.number[start])
                step = (number - (self._next or 0)) % WRAP
            if step >= WRAP // 2:
                self._handle_restart()
            elif step:
                self._counters["lost"] += step
                self._gap = True
            self._next = (int(blocks.number[stop - 1]) + size) % WRAP
            yield slice(start, stop)
            start = stop

    def _times(self, blocks: Blocks, arrival_ns: Times, settings: messages.Settings) -> Times:
        """Return the times of the pairs, (pairs,).

        The bridge's clock gives the first and the last of each block; those between are evenly
        spaced.
        """
        size = int(blocks.pairs[0])
        last_us = (blocks.clock_us + (size - 1) * settings.period_us) % WRAP
        ends_us = np.stack((blocks.clock_us, last_us), axis=1).ravel()
        jumps = self._clock.jumps
        ends_ns = self._clock.map(ends_us, np.repeat(arrival_ns, 2)).reshape(-1, 2)
        leaps = self._clock.jumps - jumps
        if leaps:
            self._counters["bridge_clock"] += leaps
            self._stepped = True
            # A clock at a wrong rate jumps repeatedly, so report it only each time the count
            # doubles.
            if self._counters["bridge_clock"] >= 2 * self._leaps_reported:
                self._leaps_reported = self._counters["bridge_clock"]
                self.notices.append("the bridge's clock jumped or runs at a wrong rate")
        part = np.arange(size) / max(size - 1, 1)
        first_ns = ends_ns[:, :1] + 500 * settings.skew_us
        times = first_ns + np.rint((ends_ns[:, 1:] - ends_ns[:, :1]) * part).astype(np.int64)
        return self._monotone.update(times.ravel())

    def _check_pattern(
        self, number: Ints, forward: messages.Codes, reflected: messages.Codes, bits: int
    ) -> None:
        mask = (1 << bits) - 1
        due = number[:, None] + np.arange(forward.shape[1])
        wrong = (forward != due & mask) | (reflected != ~due & mask)
        self._counters["pattern_wrong"] += int(np.count_nonzero(wrong))


class _Arrivals:
    """Arrival times of the bytes of some chunks."""

    def __init__(self, chunks: Sequence[Chunk], baud: int) -> None:
        self._ends = np.cumsum([len(chunk.data) for chunk in chunks])
        self._stamps = np.array([chunk.arrival_ns for chunk in chunks], dtype=np.int64)
        self._baud = baud

    def of(self, end: Ints) -> Times:
        """Return the time on the wire of the byte before each of these offsets."""
        chunk_of = np.searchsorted(self._ends, end)
        return arrival_times(self._stamps[chunk_of], self._ends[chunk_of] - end, self._baud)


def _in_order(groups: list[Group]) -> Iterator[tuple[Group, slice]]:
    """Yield the frames in order of arrival, as runs of each group."""
    if len(groups) == 1:
        yield groups[0], slice(0, len(groups[0].place))
        return
    order = np.argsort(np.concatenate([group.place for group in groups]))
    group_of = np.repeat(np.arange(len(groups)), [len(group.place) for group in groups])[order]
    starts = [0] * len(groups)
    cuts = [*np.flatnonzero(np.diff(group_of, prepend=-1)).tolist(), len(group_of)]
    for start, stop in itertools.pairwise(cuts):
        i = int(group_of[start])
        yield groups[i], slice(starts[i], starts[i] + stop - start)
        starts[i] += stop - start
