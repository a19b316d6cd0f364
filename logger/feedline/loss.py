"""Effect of a line of known matched loss on power and SWR. Pure functions, arrays (n,).

rho at the shack is rho at the antenna times 10^(-2 loss/20). With a = 10^(loss/10) and rho at the
antenna, the total loss is 10 log10((a^2 - rho^2) / (a (1 - rho^2))) dB (common practice, no single
source; worked examples in tests/references/loss_with_swr.csv). This is exact for a line with a real
characteristic impedance. A real cable loses more in the conductors than in the dielectric, so the
position of the current maximum matters: a line much shorter than a half wave may lose more than
this, or less, even less than when matched.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from logger.blocks import Floats
from logger.physics.reflection import HIGHEST_RHO, return_loss_db, rho_of_swr, rho_through_line, swr

S_UNIT_DB = 6.0  # IARU Region 1 technical recommendation R.1: a unit of an S meter is 6 dB


def rho_at_antenna(rho_shack: ArrayLike, loss_db: ArrayLike) -> Floats:
    """Return the reflection at the far end of a line from that at the near end.

    NaN where no passive load at the end of such a line can cause it.
    """
    rho = np.asarray(rho_shack, dtype=np.float64) * 10 ** (np.asarray(loss_db) / 10)
    return np.where(rho <= 1, rho, np.nan)


def total_loss_db(loss_db: ArrayLike, rho_antenna: ArrayLike) -> Floats:
    """Return the loss in dB from net power into the line to net power at the antenna."""
    a = 10 ** (np.asarray(loss_db, dtype=np.float64) / 10)
    rho2 = np.minimum(np.asarray(rho_antenna, dtype=np.float64), HIGHEST_RHO) ** 2
    return np.asarray(10 * np.log10((a**2 - rho2) / (a * (1 - rho2))))


class Line(NamedTuple):
    """Effect of a line, arrays (n,): losses in dB, SWR at both ends.

    NaN where the given SWR is impossible.
    """

    matched_db: Floats
    total_db: Floats
    swr_antenna: Floats
    swr_shack: Floats

    @property
    def arrives(self) -> Floats:
        """Share of the net power that reaches the antenna."""
        return np.asarray(10 ** (-self.total_db / 10))

    @property
    def s_units(self) -> Floats:
        """Total loss in S-units."""
        return self.total_db / S_UNIT_DB


def line(matched_db: ArrayLike, swr_: float, *, at_antenna: bool) -> Line:
    """Return the effect of a line of this matched loss.

    The SWR is `swr_` at the antenna if `at_antenna`, otherwise at the shack.
    """
    loss = np.asarray(matched_db, dtype=np.float64)
    known_rho = rho_of_swr(swr_)
    antenna = (
        np.broadcast_to(known_rho, loss.shape) if at_antenna else rho_at_antenna(known_rho, loss)
    )
    shack = np.asarray(antenna * 10 ** (-loss / 10))
    # Where no load at the end of the line is possible, the SWR at the shack remains the given one.
    shack = np.where(np.isnan(antenna), known_rho, shack)
    return Line(loss, total_loss_db(loss, antenna), swr(antenna), swr(shack))


def highest_swr_at_shack(loss_db: float) -> float:
    """Return the SWR at the near end with an open or a short at the far end."""
    return float(swr(rho_through_line(1.0, loss_db)))


def loss_of_rho(rho_shack: ArrayLike) -> Floats:
    """Return the matched loss in dB of a line whose far end is open or shorted.

    This is half of the return loss: infinite without any reflection, never less than 0.
    """
    return np.maximum(return_loss_db(rho_shack) / 2, 0.0)
