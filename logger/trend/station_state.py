"""State of antenna and line from the readings of several channels.

A reflection that falls on all channels together is loss; low and high channels that move apart show
a change of resonance. An antenna whose resistance approaches that of the line makes all channels
fall, too: that story is fitted as an alternative to loss, and where readings cannot separate them
both are named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import msgspec
import numpy as np

from drivers.channels import CHANNEL_MHZ
from logger.daily import Days, FloatArray, WorkEvent
from logger.physics.estimate import Estimate
from logger.physics.reflection import COVERAGE, rho_of_swr, swr
from logger.trend.design import YEAR
from logger.trend.outcome import StateVerdict, StationState
from logger.trend.state_fit import StateFit, best_fit
from logger.trend.state_model import DB_A_YEAR, KHZ_A_YEAR, MOVE, SLOPE, Bins, Model, starts

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
BY_LEVEL = ("loss", "both", "resistance")  # verdicts on a reflection that changes on all channels
DOUBT = 3.0  # difference of chi-square between two stories: odds of 4 to 1


def station_state(
    used: Sequence[Days],
    events: Sequence[WorkEvent] = (),
    balance_u_db: float = 0.0,
    plan: Mapping[int, float] = CHANNEL_MHZ,
) -> StationState | None:
    """Return what changes at a station, None if that cannot be determined.

    It needs three channels in regular use, and one antenna that explains their readings.
    `balance_u_db` is the standard error of the slope of the coupler's balance, dB a year: a change
    of the reflection on all channels must be there for every drift within 95 %. `plan` has the
    frequencies of channels, MHz.
    """
    state = _estimate(used, events, plan)
    if state is None or not balance_u_db or state.verdict not in BY_LEVEL:
        return state
    reach = COVERAGE * balance_u_db
    others = [
        _estimate([_tilt(days, slope) for days in used], events, plan) for slope in (-reach, reach)
    ]
    spans = [None if other is None else other.loss_db_per_year for other in (state, *others)]
    known = [span for span in spans if span is not None]
    lows, highs = [span.low for span in known], [span.high for span in known]
    if len(known) == len(spans) and (min(lows) > 0 or max(highs) < 0):
        return state
    growth = state.loss_db_per_year
    for span in known:
        growth = growth and growth.widened(span.low).widened(span.high)
    return msgspec.structs.replace(
        state,
        verdict="resonance" if state.verdict == "both" else "undecided",
        or_else=(state.verdict, "coupler"),
        loss_db_per_year=growth,
    )


def _tilt(days: Days, balance_db: float) -> Days:
    """Return the days as a coupler whose balance drifts by so much less, dB a year, reads them."""
    years = (days.day - days.day.mean()) / YEAR
    return replace(days, swr=swr(rho_of_swr(days.swr) * 10 ** (-balance_db * years / 20)))


def _estimate(
    used: Sequence[Days], events: Sequence[WorkEvent], plan: Mapping[int, float]
) -> StationState | None:
    frequency_khz = [_khz(days, plan) if len(days.day) >= LEAST_DAYS else None for days in used]
    used = [days for days, khz in zip(used, frequency_khz, strict=True) if khz is not None]
    khz = np.array([khz for khz in frequency_khz if khz is not None])
    if len(np.unique(khz)) < LEAST_CHANNELS:
        return None
    if np.ptp(khz) > WIDEST * (khz.min() + khz.max()) / 2:
        return None
    bins = _bins(used, khz)
    is_long = max(days.day[-1] for days in used) - min(days.day[0] for days in used) >= LEAST_SPAN
    steps = _steps(bins, events) if is_long else ()
    fixed = {} if is_long else {MOVE: 0.0, SLOPE: 0.0}
    model = Model(bins, steps, 2 if is_long else 0, "loss", fixed)
    fit = best_fit(model, starts(model))
    if _misfit(fit) > MOST_MISFIT:
        return None
    if not is_long:
        reason = "less than a year of readings: changes cannot be separated from the season"
        return _result(fit, used, "undecided", (), reasons=(reason,))
    return _judge(fit, used)


def _khz(days: Days, plan: Mapping[int, float]) -> float | None:
    if days.frequency_khz is not None:
        return days.frequency_khz
    mhz = None if days.channel is None else plan.get(days.channel)
    return None if mhz is None else 1e3 * mhz


def _bins(used: Sequence[Days], frequency_khz: FloatArray) -> Bins:
    first, last = min(int(days.day[0]) for days in used), max(int(days.day[-1]) for days in used)
    width = max(BIN_DAYS, (last - first) // MOST_BINS)
    columns = []
    for place, (days, khz) in enumerate(zip(used, frequency_khz, strict=True)):
        number, rows, count = np.unique(
            (days.day - first) // width, return_inverse=True, return_counts=True
        )
        mean = np.bincount(rows, np.minimum(days.swr, HIGHEST)) / count
        middle = first + number * width + (width - 1) / 2
        n = len(number)
        columns.append((middle, np.full(n, khz), np.full(n, place), mean, count))
    return Bins(*(np.concatenate(column) for column in zip(*columns, strict=True)))


def _steps(bins: Bins, events: Sequence[WorkEvent]) -> tuple[int, ...]:
    """Return the days of work with readings on either side."""
    times = np.unique(bins.day)
    steps: list[int] = []
    for day in sorted({event.day for event in events}):
        since = steps[-1] if steps else -np.inf
        earlier = int(((times >= since) & (times < day)).sum())
        if min(earlier, int((times >= day).sum())) >= SIDE_BINS:
            steps.append(day)
    return tuple(steps)


def _misfit(fit: StateFit) -> float:
    """Return the variance of the weeks about the fitted antenna over that of independent channels.

    The latter have a level each and, where the antenna has them, a slope, waves and steps.
    """
    model, bins = fit.model, fit.model.bins
    count = len(bins.swr)
    years = (bins.day - model.middle) / YEAR
    slope = [years] if SLOPE in model.free else []
    columns = np.column_stack([np.ones(count), *slope, model.waves]) * model.weight[:, None]
    residual = bins.swr * model.weight
    parameters = 0
    for place in np.unique(bins.place):
        rows = bins.place == place
        estimate, _, rank, _ = np.linalg.lstsq(columns[rows], residual[rows], rcond=None)
        residual[rows] -= columns[rows] @ estimate
        parameters += int(rank)
    joint_residual = model.residual(fit.p[model.free])[:count]

    def variance(rest: FloatArray, used: int) -> float:
        return float((np.minimum(np.abs(rest), CUT) ** 2).sum()) / max(1, count - used)

    return variance(joint_residual, len(model.free)) / max(variance(residual, parameters), 1e-9)


def _judge(fit: StateFit, used: Sequence[Days]) -> StationState:
    unmoved, lossless = fit.with_fixed(MOVE, 0.0), fit.with_fixed(SLOPE, 0.0)
    # The best fit without a change may lead to a better fit with it.
    refits = [best_fit(fit.model, [start.p]) for start in (unmoved, lossless)]
    fit = min([fit, *refits], key=lambda candidate: candidate.chi2)
    move, growth = fit.slope(MOVE, KHZ_A_YEAR), fit.slope(SLOPE, DB_A_YEAR)
    moves = fit.better_than(unmoved) > CERTAIN and _is_change(move, LEAST_MOVE)
    grows = fit.better_than(lossless) > CERTAIN and _is_change(growth, LEAST_LOSS)
    move = move if moves else move.widened(0.0)
    growth = growth if grows else growth.widened(0.0)
    verdict, or_else = _verdict(moves, grows, move, growth)
    if grows:
        verdict, or_else = _or_resistance(fit, lossless, verdict, or_else)
    # The loss of the other story is not valid for a changed resistance.
    return _result(fit, used, verdict, or_else, move, None if verdict == "resistance" else growth)


def _is_change(span: Estimate, least: float) -> bool:
    """True if a slope is large enough to report and its interval excludes 0."""
    return abs(span.value) >= least and not span.low <= 0 <= span.high


def _verdict(
    moves: bool, grows: bool, move: Estimate, growth: Estimate
) -> tuple[StateVerdict, tuple[StateVerdict, ...]]:
    """Return the simplest verdict that explains the readings, and other possible ones."""
    is_still = max(-move.low, move.high) <= STILL_MOVE, max(-growth.low, growth.high) <= STILL_LOSS
    if moves and grows:
        return "both", ()
    if grows:
        return "loss", () if is_still[0] else ("both",)
    if moves:
        return "resonance", () if is_still[1] else ("both",)
    if all(is_still):
        return "unchanged", ()
    open_: list[StateVerdict] = [] if is_still[0] else ["resonance"]
    return "undecided", (*open_, *(() if is_still[1] else ("loss",)))


def _or_resistance(
    fit: StateFit, lossless: StateFit, verdict: StateVerdict, or_else: tuple[StateVerdict, ...]
) -> tuple[StateVerdict, tuple[StateVerdict, ...]]:
    """Compare loss with a changing resistance of the antenna; return the better verdict."""
    model = replace(fit.model, story="resistance")
    better = fit.better_than(best_fit(model, [lossless.p, *starts(model)]))
    if better > DOUBT:
        return verdict, or_else
    if better < -DOUBT:
        return "resistance", or_else
    return "undecided", (verdict, "resistance")


def _result(
    fit: StateFit,
    used: Sequence[Days],
    verdict: StateVerdict,
    or_else: tuple[StateVerdict, ...],
    move: Estimate | None = None,
    growth: Estimate | None = None,
    reasons: tuple[str, ...] = (),
) -> StationState:
    last = max(int(days.day[-1]) for days in used)
    return StationState(
        verdict=verdict,
        or_else=or_else,
        channels=len(used),
        first=min(int(days.day[0]) for days in used),
        last=last,
        resonance_khz=fit.level(0, last),
        loss_db=fit.level(1, last),
        resistance_ohm=fit.level(2, last),
        q=fit.level(3, last),
        resonance_khz_per_year=move,
        loss_db_per_year=growth,
        reasons=reasons,
    )
