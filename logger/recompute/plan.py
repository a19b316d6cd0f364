"""Periods of the archive that the stages process at once, and the parts that workers share.

A stretch is a run of the daemon, or what lies between missing pairs; the stages begin anew with
each. It is cut into parts in long pauses, where their state has forgotten most of what was before.
The cuts depend on the archive only: rows depend on them in their last bits.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from logger.blocks import Times
from logger.store.archive import Archive
from logger.store.database import Database

EVER_NS = 2**62
LONG_NS = 20_000_000_000  # a pause in which the stages have settled all that was before
MOST_SEARCHED = 8  # segments in which a long pause is searched


class Stretch(NamedTuple):
    """Period that the stages process at once; `torn` if a transmission at its end is incomplete."""

    since_ns: int
    until_ns: int
    torn: bool


class Part(NamedTuple):
    """Period of a stretch, `is_last` for its last one, with about so many pairs."""

    stretch: Stretch
    since_ns: int
    until_ns: int
    is_last: bool
    pairs: int


def find_stretches(archive: Archive, database: Database) -> Iterator[Stretch]:
    """Yield the periods of the archive, split at starts of the daemon and at missing pairs."""
    edges = [-EVER_NS, *archive.runs().tolist(), EVER_NS]
    holes = _holes(archive, database)
    for since_ns, until_ns in itertools.pairwise(edges):
        begin_ns = since_ns
        for first_ns, last_ns in holes:
            if begin_ns <= first_ns < until_ns:
                yield Stretch(begin_ns, first_ns, torn=True)
            if first_ns < until_ns:
                begin_ns = max(begin_ns, last_ns + 1)
        if begin_ns < until_ns:
            yield Stretch(begin_ns, until_ns, torn=False)


def _holes(archive: Archive, database: Database) -> list[tuple[int, int]]:
    """Return start and end of unreadable parts of the archive, in order.

    Transmissions that had more pairs than are archived are included.
    """
    stored: Times | None = None
    damaged = []
    for first_ns, last_ns, times in archive.times():
        if stored is None:
            rows = database.query(
                "SELECT start_ns, end_ns, samples FROM transmissions WHERE end_ns >= ?"
                " ORDER BY start_ns",
                (first_ns,),
            )
            stored = np.array(rows, dtype=np.int64).reshape(-1, 3)
        if times is None:
            damaged.append((first_ns, last_ns))
            continue
        starts, ends, missing = stored.T
        inside = slice(
            int(np.searchsorted(ends, first_ns)),
            int(np.searchsorted(starts, last_ns, side="right")),
        )
        missing[inside] -= np.searchsorted(times, ends[inside], side="right")
        missing[inside] += np.searchsorted(times, starts[inside])
    if stored is None:
        return []
    incomplete = stored[stored[:, 2] > 0, :2]
    return sorted([*damaged, *map(tuple, incomplete.tolist())])


def cut_parts(archive: Archive, stretches: Sequence[Stretch], pairs: int) -> list[Part]:
    """Return the parts of the stretches, of `pairs` pairs or some more, in order."""
    parts: list[Part] = []
    for stretch in stretches:
        index = archive.index(stretch.since_ns, stretch.until_ns)
        since_ns, count = stretch.since_ns, 0
        place = 0
        while place < len(index):
            count += index[place][2]
            place += 1
            if count < pairs:
                continue
            cut_ns = _find_pause(archive, index[place : place + MOST_SEARCHED])
            if cut_ns is None or not since_ns < cut_ns < stretch.until_ns:
                continue
            while place < len(index) and index[place][1] < cut_ns:
                count += index[place][2]
                place += 1
            parts.append(Part(stretch, since_ns, cut_ns, is_last=False, pairs=count))
            since_ns, count = cut_ns, 0
        count += sum(row[2] for row in index[place:])
        parts.append(Part(stretch, since_ns, stretch.until_ns, is_last=True, pairs=count))
    return parts


def _find_pause(archive: Archive, segments: Sequence[tuple[int, int, int]]) -> int | None:
    """Return the time of the pair after the first long pause in some segments.

    If there is none, that after the longest; None if there are no segments.
    """
    longest_ns, cut_ns = 0, None
    for first_ns, _, _ in segments:
        segment = archive.segment_at(first_ns)
        times = None if segment is None else segment.times()
        if times is None or len(times) < 2:
            continue
        pauses = np.diff(times)
        place = int(np.argmax(pauses))
        if pauses[place] > longest_ns:
            longest_ns, cut_ns = int(pauses[place]), int(times[place + 1])
        if longest_ns >= LONG_NS:
            break
    return cut_ns
