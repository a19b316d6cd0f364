"""Converter at the end of its range for the hold time while keyed."""

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
    """Return a mask of readings at the end of the converter's range, (n,)."""
    return np.asarray((view.block.flags & np.uint8(Flag.CLIPPED)) != 0)
