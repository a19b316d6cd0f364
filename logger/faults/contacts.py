"""Whether the excursions of a fault come from one contact or from two.

A contact that opens fully reflects the same share each time: all of it, less what the line takes on
the way there and back. So the peaks of one contact crowd at one |Γ| of a channel, with those of
openings in part below, and the peaks of two contacts at different places crowd at two.
"""

from __future__ import annotations

from collections.abc import Sequence

WIDTH = 0.02  # of a bin, |Γ|
BINS = 64
APART = 6  # least bins between two crowds
NEAR = 0.03  # of |Γ|: a peak belongs to a crowd
LEAST, SHARE = 15, 0.12  # peaks in a crowd, and of those of the channel
DENSER = 4.0  # than beside it
FULLY = 23  # bin from which on an opening may be a full one: 3.4 dB of loss one way, or less


def bin_of(gamma: float) -> int:
    """Return the bin of a peak."""
    return min(int(gamma / WIDTH), BINS - 1)


def gamma_of(place: int) -> float:
    """Return the |Γ| in the middle of a bin."""
    return (place + 0.5) * WIDTH


def crowds(peaks: Sequence[int]) -> list[int]:
    """Return the bins about which the peaks of a channel (BINS,) crowd, the largest crowd first."""
    padded = [0, 0, 0, 0, *peaks, 0, 0, 0, 0]
    sizes = [sum(padded[place + 3 : place + 6]) for place in range(BINS)]
    least = max(LEAST, SHARE * sum(peaks))
    found: list[int] = []
    for place in sorted(range(FULLY, BINS), key=lambda place: -sizes[place]):
        if sizes[place] < least:
            break
        beside = max(sum(padded[place : place + 3]), sum(padded[place + 6 : place + 9]))
        is_apart = all(abs(place - other) >= APART for other in found)
        if is_apart and sizes[place] >= DENSER * max(beside, 1):
            found.append(place)
    return found
