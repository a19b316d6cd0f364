"""Comparison of cables and lengths by their effect on power and SWR."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from logger.feedline.cables import Attenuation
from logger.feedline.loss import line


class Terms(NamedTuple):
    """Conditions of a comparison.

    frequency_mhz
    swr         at the antenna if `at_antenna`, otherwise at the shack
    power_w     net power into the line (forward less reflected), watts
    """

    frequency_mhz: float
    swr: float
    at_antenna: bool
    power_w: float


class Choice(NamedTuple):
    """A cable of a given length: losses in dB with the extremes of the sources, powers in watts.

    Fields are None where no passive antenna at the end of the line can give the SWR at the shack.
    """

    cable: str
    length_m: float
    matched_db: float
    matched_low_db: float
    matched_high_db: float
    total_db: float | None
    total_low_db: float | None
    total_high_db: float | None
    swr_antenna: float | None
    swr_shack: float
    arrives_w: float | None
    arrives_percent: float | None
    s_units: float | None


def choices(
    cables: Sequence[Attenuation], lengths_m: Sequence[float], terms: Terms
) -> Iterator[Choice]:
    """Yield every cable at every length, in this order."""
    for cable in cables:
        for length_m in lengths_m:
            matched = np.array([cable.nominal, cable.low, cable.high]) * length_m / 100
            effect = line(matched, terms.swr, at_antenna=terms.at_antenna)
            total = [_real(value) for value in effect.total_db]
            share = _real(effect.arrives[0])
            yield Choice(
                cable=cable.cable,
                length_m=length_m,
                matched_db=float(matched[0]),
                matched_low_db=float(matched[1]),
                matched_high_db=float(matched[2]),
                total_db=total[0],
                total_low_db=total[1],
                total_high_db=total[2],
                swr_antenna=None if total[0] is None else float(effect.swr_antenna[0]),
                swr_shack=float(effect.swr_shack[0]),
                arrives_w=None if share is None else terms.power_w * share,
                arrives_percent=None if share is None else 100 * share,
                s_units=_real(effect.s_units[0]),
            )


def _real(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
