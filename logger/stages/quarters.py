"""Levels of quarter seconds with their pairs: the input of detection.

This module is responsible for cutting and joining them. Input: columns of pairs and quarters.
Output: the same columns in parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Bools, Floats, Times

QUARTER_NS = 250_000_000


@dataclass(frozen=True, slots=True)
class SentPairs:
    """Pairs of transmissions, arrays (n,).

    trusted  readable, within the range of the converter, and possible with a passive load
    follows  the previous pair here is also the previous pair in the stream
    settled  the detectors have followed the envelope, or do so quickly (see `settling`)
    below    as in `PowerBlock`
    """

    time_ns: Times
    forward_v: Floats
    reflected_v: Floats
    forward_w: Floats
    reflected_w: Floats
    trusted: Bools
    follows: Bools
    settled: Bools
    below: Floats

    def __len__(self) -> int:
        return len(self.time_ns)

    def __getitem__(self, part: slice | Bools) -> SentPairs:
        return SentPairs(*[getattr(self, name)[part] for name in PAIR_COLUMNS])


@dataclass(frozen=True, slots=True)
class Quarters:
    """Consecutive quarters of transmissions; q of them.

    number    (q,) UTC nanoseconds // QUARTER_NS
    start_ns  (q,) first pair of the transmission, or of its stay on the present channel
    place     (q,) key of antenna and channel, or segment of a band, if reported with the pairs,
              otherwise empty (`places.place_key`)
    ratio     (q,) median of reflected over incident power, NaN if unknown
    variance  (q,) of `ratio` from the noise of the converters
    doubt     (q,) bound of the error of `ratio` that averaging does not reduce (`Noise.bias_v`)
    usual     (q,) usual `ratio` (see `usual_level`), NaN if not known
    restless  (q,) recent variation of the root of `ratio`
    forward_w (q,) mean incident power of trusted pairs
    first     (q + 1,) index in `pairs` of the first pair of each quarter
    """

    number: Times
    start_ns: Times
    place: NDArray[np.str_]
    ratio: Floats
    variance: Floats
    doubt: Floats
    usual: Floats
    restless: Floats
    forward_w: Floats
    first: Times
    pairs: SentPairs

    def __len__(self) -> int:
        return len(self.number)

    def part(self, begin: int, end: int) -> Quarters:
        """Return the quarters from index `begin` to `end`."""
        if begin == 0 and end == len(self):
            return self
        first = self.first[begin : end + 1]
        columns = {name: getattr(self, name)[begin:end] for name in QUARTER_COLUMNS}
        pairs = self.pairs[int(first[0]) : int(first[-1])]
        return Quarters(**columns, first=first - first[0], pairs=pairs)

    def since(self, number: int) -> Quarters:
        """Return the quarters from `number` on."""
        return self.part(int(np.searchsorted(self.number, number)), len(self))

    def between(self, after: int, upto: int) -> Quarters:
        """Return the quarters later than number `after`, up to `upto`."""
        begin, end = np.searchsorted(self.number, [after, upto], side="right").tolist()
        return self.part(begin, end)

    def split(self, time_ns: int) -> tuple[Quarters, Quarters]:
        """Return the quarters that begin before a time, and the rest."""
        index = int(np.searchsorted(self.number, -(-time_ns // QUARTER_NS)))
        return self.part(0, index), self.part(index, len(self))


PAIR_COLUMNS = tuple(field.name for field in fields(SentPairs))
QUARTER_COLUMNS = tuple(field.name for field in fields(Quarters))[:-2]


def join_pairs(parts: Sequence[SentPairs]) -> SentPairs:
    """Join consecutive pairs."""
    if len(parts) == 1:
        return parts[0]
    return SentPairs(**_join_columns(parts, PAIR_COLUMNS))


def join_quarters(parts: Sequence[Quarters]) -> Quarters:
    """Join consecutive quarters."""
    if len(parts) == 1:
        return parts[0]
    pairs = join_pairs([part.pairs for part in parts])
    offsets = np.cumsum([0, *(len(part.pairs) for part in parts[:-1])])
    first = [part.first[:-1] + offset for part, offset in zip(parts, offsets, strict=True)]
    bounds = np.concatenate([*first, [len(pairs)]])
    return Quarters(**_join_columns(parts, QUARTER_COLUMNS), first=bounds, pairs=pairs)


def join_levels(parts: Sequence[Quarters]) -> Quarters:
    """Join consecutive quarters without their pairs, which are many at a high rate."""
    count = sum(map(len, parts))
    return Quarters(
        **_join_columns(parts, QUARTER_COLUMNS),
        first=np.zeros(count + 1, dtype=np.int64),
        pairs=parts[0].pairs[:0],
    )


def _join_columns(parts: Sequence[Any], names: Sequence[str]) -> dict[str, NDArray[Any]]:
    return {name: join_columns([getattr(part, name) for part in parts]) for name in names}


def join_columns(parts: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Join columns (..., n); a single one is returned as it is."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)
