"""Noise of the unkeyed converters is many times its usual value.

Causes are a loose wire or ground, hum, a switching supply, or a failing converter. The usual value
is learned for each port as the mean logarithm over about USUAL_OVER transmissions, after LEARN of
them. The noise itself (`stages/noise.py`) is a median over bursts of many minutes, so a single
disturbance has no effect; FACTOR and LEAST_STEPS are far outside of its scatter (about 10 %), so
that chance raises no alarm.
"""

from __future__ import annotations

import math

import msgspec

from logger.stages.view import View

FACTOR = 8.0
LEAST_STEPS = 4.0
LEARN = 10
USUAL_OVER = 64
PORTS = ("forward", "reflected")


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Mean ln of the noise of each port in volts, and the number of transmissions in it."""

    ln_sd: list[float] = []
    count: int = 0


def fault(memory: Memory, view: View, *, standing: bool) -> str | None:
    """Return a description of the noise fault, if any; the limit is halved while it stands."""
    if memory.count < LEARN:
        return None
    share = 0.5 if standing else 1.0
    for port, sd_v, step_v, ln_sd in zip(
        PORTS, view.noise.sd_v, view.step_v, memory.ln_sd, strict=True
    ):
        usual_v = math.exp(ln_sd)
        if sd_v > share * max(FACTOR * usual_v, LEAST_STEPS * step_v):
            return (
                f"the {port} reading is noisy: {1e3 * sd_v:.2g} mV while nobody transmits,"
                f" {1e3 * usual_v:.2g} mV before; look for a loose wire or ground, or hum"
            )
    return None


def learn(memory: Memory, view: View) -> None:
    """Update the usual noise after a transmission without a fault."""
    ln_sd = [round(math.log(max(sd_v, 1e-9)), 6) for sd_v in view.noise.sd_v]
    usual = memory.ln_sd or ln_sd
    memory.count = min(memory.count + 1, USUAL_OVER)
    memory.ln_sd = [old + (new - old) / memory.count for old, new in zip(usual, ln_sd, strict=True)]
