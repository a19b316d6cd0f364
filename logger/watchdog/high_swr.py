"""Rule `high-swr`: SWR above the limit, with an inverse-time hold.

`hold_ms` is the hold time where the reflection coefficient is a third above that of the limit; see
`reflected_limit` for others. The rule uses the readings as they are, beyond their noise;
directivity and calibration error neither delay nor trigger it (they are part of the interval of
every SWR). The alarm clears when the reflection coefficient has stayed 10 % below that of the
limit.
"""

from __future__ import annotations

from functools import partial

from logger.blocks import Floats
from logger.config.load import HighSwrOptions
from logger.physics.reflection import rho, rho_of_swr, swr
from logger.rows import AlarmKind, Severity
from logger.watchdog.hold import FORWARD, REFLECTED
from logger.watchdog.reflected_limit import ReflectedLimit
from logger.wording import swr_words

KIND = AlarmKind.HIGH_SWR
SEVERITY = Severity.CRITICAL
REFERENCE = (4 / 3) ** 2  # of reflected power
RELEASE = 0.9


def rule(options: HighSwrOptions, *, active: bool) -> ReflectedLimit:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    limit_rho = float(rho_of_swr(options.limit))
    return ReflectedLimit(
        (limit_rho**2, 0.0),
        partial(_release, limit_rho),
        round(options.hold_ms * 1e6),
        REFERENCE,
        options.limit,
        _describe,
        active=active,
    )


def _describe(sums: Floats) -> tuple[float, str]:
    value = float(swr(rho(sums[FORWARD], sums[REFLECTED])))
    count = max(sums[0], 1)
    return value, (
        f"SWR {swr_words(value)} at {sums[FORWARD] / count:.2f} W incident,"
        f" {max(sums[REFLECTED], 0) / count:.2f} W reflected"
    )


def _release(limit_rho: float, _: Floats | None) -> tuple[float, float]:
    return (RELEASE * limit_rho) ** 2, 0.0
