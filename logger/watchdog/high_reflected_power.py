"""Rule `high-reflected-power`: reflected power above the limit, with an inverse-time hold.

`hold_ms` is the hold time at 1.5 times the limit; see `reflected_limit` for other powers.

The alarm clears when the reflection has fallen so far that, at the power at which it was raised,
reflected power would be 20 % below the limit. So a weak transmission into the same fault neither
clears it nor lets the next strong one raise it again.
"""

from __future__ import annotations

from functools import partial

from logger.blocks import Floats
from logger.config.load import HighReflectedPowerOptions
from logger.rows import AlarmKind, Severity
from logger.watchdog.hold import COUNT, FORWARD, REFLECTED
from logger.watchdog.reflected_limit import ReflectedLimit

KIND = AlarmKind.HIGH_REFLECTED_POWER
SEVERITY = Severity.CRITICAL
REFERENCE = 1.5
RELEASE = 0.8


def rule(options: HighReflectedPowerOptions, *, active: bool) -> ReflectedLimit:
    """Return the rule's state machine; `active` if its alarm is open from before."""
    return ReflectedLimit(
        (0.0, options.limit_w),
        partial(_release, options.limit_w),
        round(options.hold_ms * 1e6),
        REFERENCE,
        options.limit_w,
        _describe,
        active=active,
    )


def _describe(sums: Floats) -> tuple[float, str]:
    count = max(float(sums[COUNT]), 1.0)
    value = float(sums[REFLECTED]) / count
    return value, f"{value:.2f} W reflected of {sums[FORWARD] / count:.2f} W incident"


def _release(limit_w: float, sums: Floats | None) -> tuple[float, float]:
    if sums is None:
        return 0.0, RELEASE * limit_w
    return RELEASE * limit_w * float(sums[COUNT] / sums[FORWARD]), 0.0
