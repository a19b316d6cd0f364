"""A converter at its end for the hold time while keyed."""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools
from logger.rows import Flag
from logger.stages.view import View

HOLD_NS = 50_000_000
CAUSE = (
    "converter at its end: the detector voltage is more than it can read; less power or a divider"
    " is needed, and powers and SWR are wrong until then"
)


def clipped(view: View) -> Bools:
    """Where a reading is at the converter's end, (n,)."""
    return np.asarray((view.block.flags & np.uint8(Flag.CLIPPED)) != 0)
