"""Gain lost on one port: reflected/incident has changed by the same factor on every channel.

A changed load has a different effect on each channel; a detector that loses gain (a diode, a
coupling, a divider) changes all channels by the same factor. So the deviation of ln rho of a
transmission from the usual value of its channel is monitored. The fault is detected by a run of
LEAST_RUN transmissions on LEAST_CHANNELS channels, all by FACTOR or more and within SPREAD of each
other, if incident power identifies the port: as usual where rho fell (reflected port), lower by the
square of the factor where rho rose (forward port). On fewer channels, or with larger changes of
power, it cannot be distinguished from a fault of the line, and is left to the other rules.

Chance does not cause this: it takes four transmissions at half or double their usual reflection
that agree to an eighth. A line whose loss suddenly rises by 3 dB or more does look alike; so the
detail mentions it.
"""

from __future__ import annotations

import math

import msgspec

from logger.rows import Transmission
from logger.watchdog.row_values import channel_of, is_readable, rho_of, use_latest

FACTOR = 2.0
NEAR = 1.5  # a transmission closer to the usual value ends the run
SPREAD = 0.25  # of ln rho
POWER = 0.7  # of ln incident power
LEAST_RUN = 4
LEAST_CHANNELS = 3
LEARN = 5  # transmissions on a channel
USUAL_OVER = 8
LONGEST_RUN = 20  # after which the new values become usual
LEAST_SETTLED = 20
LEAST_RHO = 0.01
MOST_CHANNELS = 40


class Usual(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Mean ln of rho and of incident watts on a channel, and the number of transmissions in it."""

    ln_rho: float = 0.0
    ln_w: float = 0.0
    count: int = 0


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Usual values by channel, and the run: deviations of ln rho and ln watts, latest last."""

    usual: dict[str, Usual] = {}
    run: list[tuple[str, float, float]] = []


def judge(memory: Memory, row: Transmission) -> str | None:
    """Process a transmission; return a description of a port that has lost gain, if any."""
    if not is_readable(row) or row.swr is None or row.settled_samples < LEAST_SETTLED:
        return None
    rho = rho_of(row.swr)
    if rho < LEAST_RHO:
        return None
    name = channel_of(row)
    ln_rho, ln_w = math.log(rho), round(math.log(max(row.forward_w_mean, 1e-9)), 6)
    usual = use_latest(memory.usual, name, Usual(ln_rho, ln_w), MOST_CHANNELS)
    ln_change, ln_power_change = ln_rho - usual.ln_rho, ln_w - usual.ln_w
    if usual.count >= LEARN and abs(ln_change) > math.log(NEAR):
        memory.run = [*memory.run, (name, ln_change, ln_power_change)]
        if len(memory.run) > LONGEST_RUN:
            memory.usual.clear()
            memory.run = []
        return _describe(memory.run)
    if usual.count >= LEARN:
        memory.run = []
    usual.count = min(usual.count + 1, USUAL_OVER)
    usual.ln_rho += ln_change / usual.count
    usual.ln_w += ln_power_change / usual.count
    return None


def _describe(run: list[tuple[str, float, float]]) -> str | None:
    aways = [away for _, away, _ in run]
    if len(run) < LEAST_RUN or len({name for name, _, _ in run}) < LEAST_CHANNELS:
        return None
    if max(aways) - min(aways) > SPREAD or min(map(abs, aways)) < math.log(FACTOR):
        return None
    away = sum(aways) / len(aways)
    expected = 0.0 if away < 0 else -2 * away
    if any(abs(power - expected) > POWER for _, _, power in run):
        return None
    port = "reflected" if away < 0 else "forward"
    alternative = "; or the line has suddenly become lossy" if away < 0 else ""
    return (
        f"the {port} reading has lost gain: reflection is {math.exp(away):.2g} times what it was,"
        f" on every channel alike; check its detector and wires{alternative}"
    )
