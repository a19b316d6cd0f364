"""Changed level of incident power, or of the gain of a port, between sessions.

`gain` finds a port that loses half of its reading within a few transmissions. This module detects
1.5 dB and compares whole sessions (transmissions with pauses below SESSION_NS), since one session
is one mode, one channel and one weather. The sessions of the last days are compared with those
before:

- Incident power by its likelihood. A session is compared with transmissions whose envelope has
  the same crest factor, since mean power depends on the mode. The powers that a station uses come
  in a few sizes, so the density of ln watts is a sum of kernels about those used before. It is
  compared with its nearby peak, so that a rarely used power is as usual as any other. A shift of
  all powers is reported if it makes the latest sessions likelier by LIFT in all, with no session
  counting for more than SESSION_LIFT.
- Reflection by the mean deviation of ln rho from the usual level of each channel, relative to the
  scatter of earlier days, since the sessions of a day share its weather. The change must be sudden:
  sessions just before are as usual. On a single channel, where weather looks alike, it must be seen
  on LEAST_DAYS days and be FARTHER than any of ALONE_DAYS days before, or of all remembered days.

A forward port that loses gain reads less power and, by half as many decibels, more reflection; a
reflected port that loses gain reads less reflection by one factor on all channels at the same
power; a change of power alone is the transmitter's. On a single channel a lost gain of the
reflected port cannot be distinguished from an improved load, and the detail says so. All else is
left to the rules of the reflection.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Floats
from logger.quantiles import median
from logger.rows import Transmission
from logger.utc import DAY_NS
from logger.watchdog.detector_fault.suspicion import Suspicion
from logger.watchdog.row_values import channel_of, is_readable, rho_of

SESSION_NS = 3_600_000_000_000
PER_SESSION = 5  # transmissions counted per session
RECENT = 5  # sessions that are tested
LEAST_RECENT, LEAST_RECENT_ROWS = 2, 4
LEAST_USUAL, LEAST_USUAL_ROWS = 10, 20  # sessions and transmissions to compare with
JUST_BEFORE = 3  # sessions
MOST_ROWS = 90
MOST_POWERS = 24  # remembered of older sessions
POWER_SHARE = 8  # a remembered power counts as one in so many transmissions
LEAST_SETTLED = 20  # pairs
LEAST_RHO = 0.01
MOST_NOISE = 0.2  # of ln rho

WIDTH = 0.1  # of a kernel, ln watts
FLOOR = 0.02  # of the density, for powers never used before
NEAR, SELDOM = 0.4, 0.12  # distance and floor of the peak that a density is compared with
STEP = 0.02  # of the grid
KERNEL = (1 + (np.arange(-40, 41) * STEP / WIDTH) ** 2) ** -2
CREST, CREST_SHARE = 0.06, 0.3  # by which ln of crest factors of a mode differ, part of it a share
LEAST_LIKE = 8  # transmissions of the same mode to compare with
SHIFTS = np.concatenate([np.arange(-3.0, -0.2, 0.05), np.arange(0.25, 3.0, 0.05)])  # of ln watts
LIFT, SESSION_LIFT = 6.0, 4.0  # ln of a likelihood ratio
LEAST_GAIN = 0.13  # of ln rho; 1.1 dB
SAME = 0.4  # share of a change by which sessions and channels may differ from it
LEAST_CHANNELS = 2
LEAST_USUAL_DAYS = 5
LEAST_DAYS, ALONE_DAYS, FARTHER = 2, 8, 1.5
LEAST_SD = 0.02  # of a day's ln rho
LEAST_Z = 5.0
MOST_TURN = 0.1  # of rho: a larger change of reflection changes the power, too
ADOPTED = 12  # sessions after which a new level is usual


class Reading(msgspec.Struct, frozen=True, array_like=True, forbid_unknown_fields=True):
    """Reading of a transmission.

    session  number of its session
    channel
    ln_w     ln of incident watts
    ln_rho   None if not readable
    noise    standard deviation of `ln_rho` by noise
    day      UTC day since 1970
    crest    ln of the highest over the mean incident watts
    """

    session: int
    channel: str
    ln_w: float
    ln_rho: float | None
    noise: float
    day: int = 0
    crest: float = 0.0


class UsedPower(msgspec.Struct, frozen=True, array_like=True, forbid_unknown_fields=True):
    """Power used in a mode, ln watts; `crest` as in `Reading`."""

    ln_w: float
    crest: float


class Memory(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Readings of the latest sessions and the standing change.

    powers   powers of older sessions, the latest used last
    last_ns  end of the last transmission
    since    first session of the standing change, None if there is none
    words    its description
    """

    readings: list[Reading] = []
    powers: list[UsedPower] = []
    last_ns: int = 0
    since: int | None = None
    words: str | None = None


class Change(NamedTuple):
    """Change of the power of all transmissions and of the reflection.

    ln_w, lift  change of ln power, and ln of its likelihood ratio
    ln_rho, z   change of ln rho, and the same in standard deviations
    at_once     the change was sudden and alike on all channels used since
    channels    number of channels used since
    in_use      number of channels with a usual level
    turn        change of rho
    is_new      the change lasts, and no earlier day was near the new level
    """

    ln_w: float
    lift: float
    ln_rho: float | None
    z: float
    at_once: bool
    channels: int
    in_use: int
    turn: float
    is_new: bool


def judge(memory: Memory, row: Transmission) -> str | None:
    """Process a transmission; return a description of the change, if there is one."""
    reading = _reading(memory, row)
    if reading is None:
        return memory.words
    memory.readings.append(reading)
    if len(memory.readings) > MOST_ROWS:
        _remember_power(memory, memory.readings.pop(0))
    if memory.since is not None and reading.session >= memory.since + ADOPTED:
        # After this time the changed level is the usual one.
        memory.readings = [old for old in memory.readings if old.session >= memory.since]
        memory.since = None
    standing = memory.since
    memory.since, memory.words = _describe(memory, standing)
    if standing is not None and memory.since is None:
        # Readings of a past change do not show what is usual.
        memory.readings = [
            old
            for old in memory.readings
            if old.session < standing or old.session > reading.session - LEAST_RECENT
        ]
    return memory.words


def _remember_power(memory: Memory, old: Reading) -> None:
    """Remember the power of a reading that is forgotten; a busy station has another every hour."""
    memory.powers = [
        power
        for power in memory.powers
        if abs(power.ln_w - old.ln_w) > WIDTH or not _is_alike(power.crest, old.crest)
    ]
    memory.powers = [*memory.powers, UsedPower(old.ln_w, old.crest)][-MOST_POWERS:]


def _is_alike(crest: float, middle: float) -> bool:
    """True if two ln of crest factors are of the same mode."""
    return abs(crest - middle) <= CREST + CREST_SHARE * middle


def _describe(memory: Memory, standing: int | None) -> tuple[int, str] | tuple[None, None]:
    """Return the first session of a change and its description, None for both without a change.

    standing  first session of a change that is already known
    """
    readings = memory.readings
    numbers = list(dict.fromkeys(row.session for row in readings))
    most = min(RECENT, len(numbers) - LEAST_USUAL)
    for count in range(LEAST_RECENT, most + 1):
        since = standing or numbers[-count]
        change = _change(memory, standing or numbers[-most], since, numbers[-count])
        words = None if change is None else _words(change, standing=standing is not None)
        if words:
            return since, words
    return None, None


def _reading(memory: Memory, row: Transmission) -> Reading | None:
    """Return the reading of a transmission; None if it does not count."""
    if row.settled_samples < LEAST_SETTLED or row.forward_w_mean <= 0 or not is_readable(row):
        return None
    last = memory.readings[-1].session if memory.readings else 0
    session = last + (row.start_ns - memory.last_ns > SESSION_NS)
    memory.last_ns = row.end_ns
    if sum(item.session == session for item in memory.readings[-PER_SESSION:]) >= PER_SESSION:
        return None
    rho, noise = None, 0.0
    if row.swr is not None and row.swr_noise_low is not None and row.swr_noise_high is not None:
        rho = rho_of(row.swr)
        spread = rho_of(row.swr_noise_high) - rho_of(row.swr_noise_low)
        noise = spread / 4 / max(rho, LEAST_RHO)
        if rho < LEAST_RHO or noise > MOST_NOISE:
            rho = None
    return Reading(
        session,
        channel_of(row),
        round(math.log(row.forward_w_mean), 4),
        None if rho is None else round(math.log(rho), 4),
        round(noise, 4),
        row.start_ns // DAY_NS,
        round(math.log(max(row.forward_w_max / row.forward_w_mean, 1.0)), 3),
    )


def _change(memory: Memory, first: int, onset: int, since: int) -> Change | None:
    """Return the difference between the sessions from `since` on and those before `first`.

    None if there are too few. The sessions just before `onset` decide whether the change was
    sudden.
    """
    readings = memory.readings
    usual = [row for row in readings if row.session < first]
    recent = [row for row in readings if row.session >= max(first, since)]
    latest = [row for row in readings if first - JUST_BEFORE <= row.session < onset]
    if len(usual) < LEAST_USUAL_ROWS or len(recent) < LEAST_RECENT_ROWS:
        return None
    ln_w, lift = _power_shift(usual, memory.powers, recent)
    levels = _levels(usual)
    usual_means, days_before = (_deviations(usual, levels, by) for by in ("session", "day"))
    means, days = (_deviations(recent, levels, by) for by in ("session", "day"))
    few = len(usual_means) < LEAST_USUAL or len(means) < LEAST_RECENT
    if few or len(days_before) < LEAST_USUAL_DAYS:
        return Change(ln_w, lift, None, 0.0, False, 0, 0, 0.0, False)
    middle = median(days_before)
    sd = max(1.4826 * median(np.abs(days_before - middle)), float(np.std(days_before)))
    mean = float(means.mean())
    z = mean / (max(sd, LEAST_SD) * math.sqrt(1 / len(days) + 1 / len(days_before)))
    onset_means = _deviations(latest, levels, "session")
    just_before = float(onset_means.mean()) if len(onset_means) else 0.0
    alike = np.concatenate([means, _deviations(recent, levels, "channel")])
    at_once = mean != 0 and bool(np.all(np.abs(alike / mean - 1) < SAME))
    at_once = at_once and abs(just_before) <= SAME * abs(mean)
    channels = {row.channel for row in recent if row.channel in levels}
    turn = max(abs(math.expm1(mean)) * math.exp(levels[name]) for name in channels)
    # The readings of a busy station fill the memory within fewer days.
    is_known = len(days_before) >= ALONE_DAYS or len(readings) == MOST_ROWS
    is_new = is_known and len(days) >= LEAST_DAYS
    is_new &= mean < FARTHER * min(float(days_before.min()), 0.0)
    return Change(ln_w, lift, mean, z, at_once, len(channels), len(levels), turn, is_new)


def _power_shift(
    usual: Sequence[Reading], powers: Sequence[UsedPower], recent: Sequence[Reading]
) -> tuple[float, float]:
    """Return the likeliest shift of ln watts, and ln of its likelihood ratio to no shift."""
    sessions = []
    for number in dict.fromkeys(row.session for row in recent):
        session = [row for row in recent if row.session == number]
        middle = median([row.crest for row in session])
        like = [row.ln_w for row in usual if _is_alike(row.crest, middle)]
        if len(like) >= LEAST_LIKE:
            older = [power.ln_w for power in powers if _is_alike(power.crest, middle)]
            like += older * (1 + len(like) // POWER_SHARE)
            values = np.array([row.ln_w for row in session])
            sessions.append((values, *_usage(np.array(like), values)))
    observed = [np.interp(*session).sum() for session in sessions]
    if -sum(observed) < LIFT / 2:
        return 0.0, 0.0  # no shift can make these much likelier
    lifts = [
        np.interp(values - SHIFTS[:, None], grid, usage).sum(axis=1) - own
        for (values, grid, usage), own in zip(sessions, observed, strict=True)
    ]
    best = int(np.argmax(np.sum(lifts, axis=0)))
    return float(SHIFTS[best]), sum(min(float(lift[best]), SESSION_LIFT) for lift in lifts)


def _usage(usual: Floats, recent: Floats) -> tuple[Floats, Floats]:
    """Return a grid of ln watts, and ln of how usual each is; from ln watts (n,), (m,)."""
    reach = SHIFTS[-1] + 2 * NEAR
    least = min(recent.min(), usual.min()) - reach
    places = np.rint((usual - least) / STEP).astype(np.int64)
    size = round((max(recent.max(), usual.max()) + reach - least) / STEP) + 1
    grid = least + STEP * np.arange(size)
    density = np.convolve(np.bincount(places, minlength=size), KERNEL, "same") / len(usual)
    width = round(NEAR / STEP)
    nearby = np.lib.stride_tricks.sliding_window_view(np.pad(density, width), 2 * width + 1)
    return grid, np.log((density + FLOOR) / (np.maximum(nearby.max(axis=1), SELDOM) + FLOOR))


def _levels(usual: Sequence[Reading]) -> dict[str, float]:
    """Return the usual ln rho of each channel."""
    by_channel: dict[str, list[float]] = {}
    for row in usual:
        if row.ln_rho is not None:
            by_channel.setdefault(row.channel, []).append(row.ln_rho)
    return {name: median(values) for name, values in by_channel.items() if len(values) >= 3}


def _deviations(readings: Sequence[Reading], levels: dict[str, float], field: str) -> Floats:
    """Return the mean deviation of ln rho from the levels per session, day or channel.

    `field` is the field to group by.
    """
    groups: dict[object, list[float]] = {}
    for row in readings:
        if row.ln_rho is not None and row.channel in levels:
            groups.setdefault(getattr(row, field), []).append(row.ln_rho - levels[row.channel])
    return np.array([float(np.mean(values)) for values in groups.values()])


def _words(change: Change, *, standing: bool) -> str | None:
    """Describe a change; None if it is within the limits, which are halved while it stands."""
    share = 0.5 if standing else 1.0
    powered = change.lift >= share * LIFT
    factor_w = math.exp(change.ln_w)
    watts = f"{Suspicion.POWER.value} {factor_w:.2g} times what it was"
    ln_rho = change.ln_rho
    if ln_rho is None:
        return f"{watts}; check the transmitter, its supply and the detector" if powered else None
    reflected = f"reflection {math.exp(ln_rho):.2g} times"
    if powered:
        expected = -change.ln_w / 2  # if only the gain of the forward port has changed
        mismatch = abs(ln_rho - expected)
        if change.turn > MOST_TURN or min(mismatch, abs(ln_rho)) > abs(expected) / 2 + LEAST_SD:
            return None
        if mismatch < abs(ln_rho):
            return (
                f"{Suspicion.FORWARD.value} {watts}, {reflected} what it was,"
                " which fits a fault of this port alone; check its detector and wires"
            )
        return f"{watts}, at the same reflection; check power setting, transmitter and supply"
    if change.z > -share * LEAST_Z or ln_rho > -share * LEAST_GAIN or not change.at_once:
        return None
    if change.channels < min(change.in_use, LEAST_CHANNELS):
        return None
    if change.in_use < LEAST_CHANNELS and not (standing or change.is_new):
        return None
    where = "on all channels alike" if change.channels > 1 else "on the channel in use"
    alternative = "" if change.channels > 2 else f"; {Suspicion.LOAD.value}"
    return (
        f"the reflected reading has lost gain: {reflected} what it was, {where},"
        f" {Suspicion.REFLECTED.value}; check its detector and wires{alternative}"
    )
