"""Reflected above forward by more than total reflection and both leaks explain.

The ports are swapped, the coupler is the wrong way round, or the forward detector has failed. With
swapped ports the key may seem up while it is down. So pairs with the key up count as well, but only
readings that no noise or moved zero explains (see `noisy` and `zero`), LEAST_SHARE of the
calibrated range. STRONG of it is seldom another transmitter.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools
from logger.stages.view import View

LEAST_SHARE, STRONG = 0.05, 0.18  # of volts
HOLD_NS = 500_000_000  # longer than the tails of detectors that decay unequally
CAUSE = (
    "reflected reads above forward: the two ports are swapped, the coupler is the wrong way round,"
    " or the forward detector has failed"
)


def above(view: View) -> Bools:
    """Return a mask of pairs that read more reflected power than any load can cause, (n,)."""
    block = view.block
    impossible_w = view.impossible_ratio * np.maximum(block.forward_w, 0)
    least_w = max(view.floor_w, 1e-6)
    return np.asarray(
        (block.reflected_w > impossible_w)
        & (block.reflected_w >= least_w)
        & (view.keyed | view.foreign | _reads(view, LEAST_SHARE))
    )


def strong(view: View) -> Bools:
    """Return a mask of such pairs that no other transmitter causes, (n,)."""
    return above(view) & _reads(view, STRONG)


def _reads(view: View, share: float) -> Bools:
    """Return a mask of pairs whose reflected port reads a share of its calibrated range, (n,)."""
    content = view.coupler.content
    least_v = content.reflected.zero_v + share * content.valid.reflected_v[1]
    return np.asarray(view.block.reflected_v >= least_v)
