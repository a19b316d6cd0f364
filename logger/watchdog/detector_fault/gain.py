"""Gain lost on one port: reflected/incident has jumped by the same factor on every channel at once.

A load that changes does so differently on different channels; a detector that loses gain (a diode,
a coupling, a divider) takes the same factor everywhere. So the deviation of ln rho of a
transmission from what is usual on its channel is watched. A run of LEAST_RUN transmissions in a row
on LEAST_CHANNELS channels, all by FACTOR or more and within SPREAD of each other, tells it, if
incident power says which port it is: as usual where rho fell (reflected port), lower by the square
of the factor where rho rose (forward port). On fewer channels, or with powers that change by more,
it cannot be told from a fault of the line, and is left to the other rules.

By chance that does not happen: it takes four transmissions at half or double their usual reflection
that agree to an eighth. What does look alike is a line that has all at once become lossy, by 3 dB
and more; so the words say it.
"""

from __future__ import annotations

import math

import msgspec

from logger.rows import Transmission
from logger.watchdog.of_rows import channel_of, is_readable, rho_of

FACTOR = 2.0
NEAR = 1.5  # a transmission nearer to the usual than that ends the run
SPREAD = 0.25  # of ln rho
POWER = 0.7  # of ln incident power
LEAST_RUN = 4
LEAST_CHANNELS = 3
LEARN = 5  # transmissions on a channel
USUAL_OVER = 8
LONGEST_RUN = 20  # after which what it shows is usual
LEAST_SETTLED = 20
LEAST_RHO = 0.01
MOST_CHANNELS = 40


class Usual(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Mean ln of rho and of incident watts on a channel, and how many transmissions taught it."""

    ln_rho: float = 0.0
    ln_w: float = 0.0
    count: int = 0


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """By channel what is usual, and the run: deviations of ln rho and ln watts, the latest last."""

    usual: dict[str, Usual] = {}
    run: list[tuple[str, float, float]] = []


def judge(memory: Memory, row: Transmission) -> str | None:
    """Take in a transmission; which port has lost gain, if one has."""
    if not is_readable(row) or row.swr is None or row.settled_samples < LEAST_SETTLED:
        return None
    rho = rho_of(row.swr)
    if rho < LEAST_RHO:
        return None
    name = channel_of(row)
    ln_rho, ln_w = math.log(rho), round(math.log(max(row.forward_w_mean, 1e-9)), 6)
    usual = memory.usual.pop(name, None) or Usual(ln_rho, ln_w)
    memory.usual[name] = usual  # the latest last
    if len(memory.usual) > MOST_CHANNELS:
        del memory.usual[next(iter(memory.usual))]
    away, power = ln_rho - usual.ln_rho, ln_w - usual.ln_w
    if usual.count >= LEARN and abs(away) > math.log(NEAR):
        memory.run = [*memory.run, (name, away, power)]
        if len(memory.run) > LONGEST_RUN:
            memory.usual.clear()
            memory.run = []
        return _told(memory.run)
    if usual.count >= LEARN:
        memory.run = []
    usual.count = min(usual.count + 1, USUAL_OVER)
    usual.ln_rho += away / usual.count
    usual.ln_w += power / usual.count
    return None


def _told(run: list[tuple[str, float, float]]) -> str | None:
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
    other = ", or the line has all at once become lossy" if away < 0 else ""
    return (
        f"the {port} reading has lost gain: reflection is {math.exp(away):.2g} times what it was,"
        f" on every channel alike; look at its detector and wires{other}"
    )
