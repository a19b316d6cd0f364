"""State of antenna and line from the readings of several channels.

A reflection that falls on all channels together is loss; low and high channels that move apart show
a change of resonance. An antenna whose resistance approaches that of the line makes all channels
fall, too: that story is fitted as an alternative to loss, and where readings cannot separate them
both are named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drivers.channels import CHANNEL_MHZ
from logger.daily import Days, FloatArray, WorkEvent
from logger.physics.estimate import Estimate
from logger.trend.design import YEAR
from logger.trend.state_fit import Fitted, fitted
from logger.trend.state_model import (
    DB_A_YEAR,
    KHZ_A_YEAR,
    MOVE,
    SLOPE,
    Bins,
    Model,
    starts,
)
from logger.trend.state_outcome import StateVerdict, StationState

LEAST_CHANNELS = 3
WIDEST = 0.15  # span of frequencies over their middle; a series circuit models one resonance only
LEAST_DAYS = 60  # with readings, for a channel in regular use
LEAST_SPAN = 365  # days, for slopes
HIGHEST = 6.0  # SWR; higher values mean "open or short" and have no useful size
BIN_DAYS = 7
MOST_BINS = 160  # of a channel
SIDE_BINS = 3  # with readings needed on either side of work
CERTAIN = 3.84  # improvement of chi-square by a change: five times in a hundred by chance
LEAST_LOSS, LEAST_MOVE = 0.03, 3.0  # dB and kHz per year, smallest changes reported
STILL_LOSS, STILL_MOVE = 0.15, 15.0  # within which it counts as unchanged
MOST_MISFIT = 1.5  # variance about one antenna, over that about independent channels
CUT = 6.0  # standard deviations at which a departure is clipped for that comparison
DOUBT = 3.0  # difference of chi-square between two stories: odds of 4 to 1


def station_state(used: Sequence[Days], events: Sequence[WorkEvent] = ()) -> StationState | None:
    """Return what changes at a station, None if that cannot be determined.

    It needs three channels in regular use, and one antenna that explains their readings.
    """
    known = [(one, khz) for one in used if (khz := _khz(one)) is not None]
    known = [(one, khz) for one, khz in known if len(one.day) >= LEAST_DAYS]
    frequencies = {khz for _, khz in known}
    if len(frequencies) < LEAST_CHANNELS:
        return None
    lowest, highest = min(frequencies), max(frequencies)
    if highest - lowest > WIDEST * (lowest + highest) / 2:
        return None
    first = min(int(one.day[0]) for one, _ in known)
    last = max(int(one.day[-1]) for one, _ in known)
    bins = _binned(known, first, last)
    long = last - first >= LEAST_SPAN
    steps = _steps(bins, events) if long else ()
    fixed = {} if long else {MOVE: 0.0, SLOPE: 0.0}
    model = Model(bins, steps, 2 if long else 0, "loss", fixed)
    loss = fitted(model, starts(model))
    if _misfit(loss) > MOST_MISFIT:
        return None
    if not long:
        reason = "less than a year of readings: changes cannot be separated from the season"
        return _told(loss, "undecided", (), len(known), first, last, reasons=(reason,))
    return _judged(loss, len(known), first, last)


def _khz(days: Days) -> float | None:
    if days.frequency_khz is not None:
        return days.frequency_khz
    mhz = None if days.channel is None else CHANNEL_MHZ.get(days.channel)
    return None if mhz is None else 1e3 * mhz


def _binned(known: Sequence[tuple[Days, float]], first: int, last: int) -> Bins:
    width = max(BIN_DAYS, (last - first) // MOST_BINS)
    columns = []
    for place, (one, khz) in enumerate(known):
        number, at, days = np.unique(
            (one.day - first) // width, return_inverse=True, return_counts=True
        )
        mean = np.bincount(at, np.minimum(one.swr, HIGHEST)) / days
        middle = first + number * width + (width - 1) / 2
        n = len(number)
        columns.append((middle, np.full(n, khz), np.full(n, place), mean, days))
    return Bins(*(np.concatenate(each) for each in zip(*columns, strict=True)))


def _steps(bins: Bins, events: Sequence[WorkEvent]) -> tuple[int, ...]:
    """Return the days of work with readings on either side."""
    times = np.unique(bins.day)
    found: list[int] = []
    for day in sorted({event.day for event in events}):
        since = found[-1] if found else -np.inf
        before = int(((times >= since) & (times < day)).sum())
        if min(before, int((times >= day).sum())) >= SIDE_BINS:
            found.append(day)
    return tuple(found)


def _misfit(fit: Fitted) -> float:
    """Return the variance of the weeks about the fitted antenna over that of independent channels.

    The latter have a level each and, where the antenna has them, a slope, waves and steps.
    """
    model, bins = fit.model, fit.model.bins
    count = len(bins.swr)
    years = (bins.day - model.middle) / YEAR
    slope = [years] if SLOPE in model.free else []
    columns = np.column_stack([np.ones(count), *slope, model.waves]) * model.weight[:, None]
    apart = bins.swr * model.weight
    parameters = 0
    for place in np.unique(bins.place):
        rows = bins.place == place
        estimate, _, rank, _ = np.linalg.lstsq(columns[rows], apart[rows], rcond=None)
        apart[rows] -= columns[rows] @ estimate
        parameters += int(rank)
    together = model.residual(fit.p[model.free])[:count]

    def variance(rest: FloatArray, used: int) -> float:
        return float((np.minimum(np.abs(rest), CUT) ** 2).sum()) / max(1, count - used)

    return variance(together, len(model.free)) / max(variance(apart, parameters), 1e-9)


def _judged(loss: Fitted, channels: int, first: int, last: int) -> StationState:
    without_move, without_loss = loss.with_fixed(MOVE, 0.0), loss.with_fixed(SLOPE, 0.0)
    # The best fit without a change may lead to a better fit with it.
    loss = min(
        [loss, *(fitted(loss.model, [one.p]) for one in (without_move, without_loss))],
        key=lambda one: one.chi2,
    )
    move, growth = loss.slope(MOVE, KHZ_A_YEAR), loss.slope(SLOPE, DB_A_YEAR)
    moves = loss.better_than(without_move) > CERTAIN and _is_change(move, LEAST_MOVE)
    grows = loss.better_than(without_loss) > CERTAIN and _is_change(growth, LEAST_LOSS)
    move, growth = (
        each if told else each.widened(0.0) for each, told in ((move, moves), (growth, grows))
    )
    verdict, or_else = _verdict(moves, grows, move, growth)
    if grows:
        verdict, or_else = _or_resistance(loss, without_loss, verdict, or_else)
    if verdict == "resistance":  # then the loss of the other story is not valid
        return _told(loss, verdict, or_else, channels, first, last, move)
    return _told(loss, verdict, or_else, channels, first, last, move, growth)


def _is_change(span: Estimate, least: float) -> bool:
    """True if a slope is large enough to report and its interval excludes 0."""
    return abs(span.value) >= least and not span.low <= 0 <= span.high


def _verdict(
    moves: bool, grows: bool, move: Estimate, growth: Estimate
) -> tuple[StateVerdict, tuple[StateVerdict, ...]]:
    """Return the simplest verdict that explains the readings, and other possible ones."""
    still = max(-move.low, move.high) <= STILL_MOVE, max(-growth.low, growth.high) <= STILL_LOSS
    if moves and grows:
        return "both", ()
    if grows:
        return "loss", () if still[0] else ("both",)
    if moves:
        return "resonance", () if still[1] else ("both",)
    if all(still):
        return "unchanged", ()
    open_: list[StateVerdict] = [] if still[0] else ["resonance"]
    return "undecided", (*open_, *(() if still[1] else ("loss",)))


def _or_resistance(
    loss: Fitted, without: Fitted, verdict: StateVerdict, or_else: tuple[StateVerdict, ...]
) -> tuple[StateVerdict, tuple[StateVerdict, ...]]:
    """Compare loss with a changing resistance of the antenna; return the better verdict."""
    other = replace(loss.model, story="resistance")
    better = loss.better_than(fitted(other, [without.p, *starts(other)]))
    if better > DOUBT:
        return verdict, or_else
    if better < -DOUBT:
        return "resistance", or_else
    return "undecided", (verdict, "resistance")


def _told(
    found: Fitted,
    verdict: StateVerdict,
    or_else: tuple[StateVerdict, ...],
    channels: int,
    first: int,
    last: int,
    move: Estimate | None = None,
    growth: Estimate | None = None,
    reasons: tuple[str, ...] = (),
) -> StationState:
    return StationState(
        verdict=verdict,
        or_else=or_else,
        channels=channels,
        first=first,
        last=last,
        resonance_khz=found.level(0, last),
        loss_db=found.level(1, last),
        resistance_ohm=found.level(2, last),
        q=found.level(3, last),
        resonance_khz_per_year=move,
        loss_db_per_year=growth,
        reasons=reasons,
    )
