"""What a line of known matched loss does to power and SWR. Pure functions, arrays (n,).

rho at the shack is rho at the antenna times 10^(-2 loss/20). With a = 10^(loss/10) and rho at the
antenna, the line in all loses 10 log10((a^2 - rho^2) / (a (1 - rho^2))) dB (common
practice, no single source; worked examples in tests/references/loss_with_swr.csv). That is exact
for a line whose characteristic impedance is real. In a real cable more is lost in the conductors
than in the dielectric, so that it matters where the current is strong: a line much shorter than a
half wave may lose less than that, even less than when matched, or more.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from logger.blocks import Floats
from logger.physics.reflection import (
    HIGHEST_RHO,
    return_loss_db,
    rho_of_swr,
    rho_through_line,
    swr,
)

S_UNIT_DB = 6.0  # IARU Region 1 technical recommendation R.1: a unit of an S meter is 6 dB


def rho_at_antenna(rho_shack: ArrayLike, loss_db: ArrayLike) -> Floats:
    """Reflection at the far end of a line from that at the near one; NaN where no passive load
    could be behind such a line."""
    rho = np.asarray(rho_shack, dtype=np.float64) * 10 ** (np.asarray(loss_db) / 10)
    return np.where(rho <= 1, rho, np.nan)


def total_loss_db(loss_db: ArrayLike, rho_antenna: ArrayLike) -> Floats:
    """From the net power that goes into the line to that which leaves it at the antenna, dB."""
    a = 10 ** (np.asarray(loss_db, dtype=np.float64) / 10)
    rho2 = np.minimum(np.asarray(rho_antenna, dtype=np.float64), HIGHEST_RHO) ** 2
    return np.asarray(10 * np.log10((a**2 - rho2) / (a * (1 - rho2))))


class Line(NamedTuple):
    """What a line does, each (n,): losses in dB, SWR at both ends; NaN where the SWR given cannot
    be."""

    matched_db: Floats
    total_db: Floats
    swr_antenna: Floats
    swr_shack: Floats

    @property
    def arrives(self) -> Floats:
        """The part of the net power that reaches the antenna."""
        return np.asarray(10 ** (-self.total_db / 10))

    @property
    def s_units(self) -> Floats:
        """The total loss in S-units."""
        return self.total_db / S_UNIT_DB


def line(matched_db: ArrayLike, swr_: float, *, at_antenna: bool) -> Line:
    """What a line of this matched loss does where the SWR is `swr_` at the antenna, or else at
    the shack."""
    loss = np.asarray(matched_db, dtype=np.float64)
    given = rho_of_swr(swr_)
    antenna = np.broadcast_to(given, loss.shape) if at_antenna else rho_at_antenna(given, loss)
    shack = np.asarray(antenna * 10 ** (-loss / 10))
    # Where nothing can be behind the line, its SWR at the shack is the given one all the same.
    shack = np.where(np.isnan(antenna), given, shack)
    return Line(loss, total_loss_db(loss, antenna), swr(antenna), swr(shack))


def highest_swr_at_shack(loss_db: float) -> float:
    """What an open or a short at the far end shows at the near one."""
    return float(swr(rho_through_line(1.0, loss_db)))


def loss_of_rho(rho_shack: ArrayLike) -> Floats:
    """Matched loss of a line whose far end is open or shorted, dB: half the return loss; infinite
    where nothing comes back, never less than 0."""
    return np.maximum(return_loss_db(rho_shack) / 2, 0.0)
