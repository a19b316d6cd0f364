"""Steps of a station's level: its own, or shared with its neighbours.

Weather reaches neighbours on the same day, but each in its own way: ice detunes one antenna upwards
and another downwards, water in a plug stays for days, a sheltered station shows nothing. So what
neighbours tell is not by how much a station has to move, but how far a station may move just now.
With x the activity of the neighbours (how far they are from their levels before, in units of their
scatter on calm days; the 80 % quantile, less 1), the departure of a day has the variance

    noise^2 * (1 + response * x^2)

where the response is the station's own sensitivity to weather, learned from its storms so far, and
drawn towards that of the fleet as far as these are few (partial pooling: empirical Bayes, as C. N.
Morris, JASA 78 (1983) 47, with the between-station variance from moments). The quantile ignores
faults of neighbours, and the station itself is not among them. A step is then

- `own` if it is too large for this variance. In a storm only a large one is; as the neighbours
  return to their levels, the same step is judged again, and what stays is the station's own;
- `network-wide` if stations moved that no weather moves: a common cause, such as a new program;
- `neighbours` otherwise;
- `alone` if there are too few neighbours to tell.

`learn` uses for each day only that day and earlier ones, so that a judgement of the past is the one
that was possible then.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Floats, Times

USUAL_DAYS = 31  # of the trailing median from which departures are counted
NOISE_DAYS = 121  # of the trailing median of differences from reading to reading
BEFORE_DAYS = 45  # before a step, whose readings are compared
LEAST_BEFORE = 3
LEAST_NEIGHBOURS = 5  # stations with readings on both sides
MOST_NEIGHBOURS = 24  # stations
REACH_KM = 120.0
QUANTILE, NORMAL_QUANTILE = 0.8, 1.2816  # of the neighbours' departures; of the normal |u|
KEEP = 0.6  # of the activity from day to day, for stations that dry later than others
STORM = 1.0  # activity above which a day tells about responses
STORM_DAYS = 3.0  # that are one storm
MOST_DEPARTURE = 6.0  # in units of what the fleet does, so that a fault is no response
LEAST_NOISE = 0.01  # SWR
LEAST_SIZE = 0.08  # SWR, of an own step
OWN = 2.5  # standard deviations beyond which a step is the station's own
SEARCHED = 8  # latest days with readings that may begin an own step
FOUND, LEAST_FOUND = 4.0, 0.12  # standard deviations, and SWR, of an own step to be found
FOUND_SINGLE, CALM = 6.0, 0.5  # the same for the latest day alone, at most at this activity
AGAIN_DAYS = 14  # for which a shared step is judged again
RETURNED = 0.5  # share of its size to which a step has returned
MOVED = 3.0  # standard deviations on calm days at which a station counts as moved
NETWORK = 0.8  # share of the stations least sensitive to weather that moved
STEADY = 50.0  # squared swings of the activity that tell as much as the usual response
CORRELATED = 3.0  # days that tell as much as one if they were independent
MEDIAN_VARIANCE = np.pi / 2  # of a median, in that of the mean
EARTH_KM = 6371.0


class Cause(StrEnum):
    """Whose a step is."""

    OWN = "own"
    NEIGHBOURS = "neighbours"
    NETWORK = "network-wide"
    ALONE = "alone"


class Panel(NamedTuple):
    """Daily levels of a fleet.

    level      of each series on consecutive days, SWR, (n, t); NaN where there are no readings
    station    of each series, a number from 0, (n,)
    place      latitude and longitude of each station, degrees, (stations, 2); NaN if unknown
    first_day  UTC day of the first column
    """

    level: Floats
    station: Times
    place: Floats
    first_day: int


class Learned(NamedTuple):
    """What the days up to each day tell of each series, (n, t): its noise, SWR, and response.

    `activity` is that of its neighbours on the day.
    """

    noise: Floats
    response: Floats
    activity: Floats

    @property
    def is_calm(self) -> Bools:
        """Days on which the neighbours are quiet, (n, t)."""
        return np.asarray(self.activity <= STORM)


class SharedStep(NamedTuple):
    """How a step is explained.

    size        of the step, SWR
    error       standard deviation of what may happen without a step of the station's own
    activity    of the neighbours: 0 on calm days
    neighbours  stations that were compared
    """

    cause: Cause
    size: float
    error: float
    activity: float
    neighbours: int


def learn(panel: Panel) -> Learned:
    """Learn noise and response to weather of all series."""
    departure = panel.level - _trailing_median(panel.level, USUAL_DAYS)
    noise = _trailing_median(np.abs(_jumps(panel.level)), NOISE_DAYS) * 1.4826 / np.sqrt(2)
    usual = np.nanmedian(noise) if np.isfinite(noise).any() else LEAST_NOISE
    noise = np.maximum(np.where(np.isnan(noise), usual, noise), LEAST_NOISE)
    unit = np.abs(departure) / noise
    activity = np.empty_like(panel.level)
    for station in range(len(panel.place)):
        around = np.isin(panel.station, neighbours(panel, station))
        activity[panel.station == station] = _activity(unit[around])
    x2 = np.where((activity > STORM) & np.isfinite(unit), activity, 0.0) ** 2
    most = (MOST_DEPARTURE * (1 + activity)) ** 2
    excess = np.where(x2 > 0, np.maximum(np.minimum(unit**2, most) - 1, 0), 0.0)
    storms = np.cumsum(x2 > 0, axis=1) / STORM_DAYS
    # Each day counts the same, whatever its activity.
    ratio = np.cumsum(np.divide(excess, x2, out=np.zeros_like(x2), where=x2 > 0), axis=1)
    own = ratio / STORM_DAYS
    mean = own.sum(axis=0) / np.maximum(storms.sum(axis=0), 1)
    mean = np.where(storms.sum(axis=0) > 0, mean, 1.0)
    weight = _prior_storms(own, storms, mean)
    return Learned(noise, (own + weight * mean) / (storms + weight), activity)


class FoundStep(NamedTuple):
    """An own step that neighbours made visible, and its first day."""

    day: int
    step: SharedStep


def judge(
    panel: Panel, learned: Learned, series: int, day: int, now: int, since: int = 0
) -> SharedStep:
    """Explain the step of a series that begins on a day, as known on the day `now` (UTC days).

    Days before `since` are not compared.
    """
    begin = max(day - BEFORE_DAYS, since, panel.first_day) - panel.first_day
    place = day - panel.first_day - begin
    level = panel.level[:, begin : now - panel.first_day + 1]
    known = max(begin + place - 1, 0)  # what follows must not teach that the station responds so
    noise, response = learned.noise[:, known], learned.response[:, known]
    is_known = np.isfinite(level)
    is_compared = is_known[:, :place].sum(axis=1) >= LEAST_BEFORE
    is_compared &= is_known[:, place:].any(axis=1)
    is_near = np.isin(panel.station, neighbours(panel, int(panel.station[series])))
    near = np.flatnonzero(is_near & is_compared)
    count = len(np.unique(panel.station[near]))
    if not is_compared[series] or not count:
        return SharedStep(Cause.ALONE, np.nan, np.nan, np.nan, count)
    before = _quantile(np.sort(level[:, :place], axis=1).T, 0.5)
    x2 = _activity(np.abs(level[near] - before[near, None]) / noise[near, None]) ** 2
    days = np.flatnonzero(is_known[series])
    after = days[days >= place]
    swings = np.diff(np.sqrt(x2[after]))
    moves = np.diff(level[series, after]) / noise[series]
    excess = max(float(moves @ moves) - 2 * len(moves), 0.0)
    own = (STEADY * response[series] + excess) / (STEADY + float(swings @ swings))
    own = min(own, response[series])
    variance = noise[series] ** 2 * (1 + np.where(days < place, response[series], own) * x2[days])
    sides = [
        _weighted_median(level[series, days[side]], variance[side])
        for side in (days < place, days >= place)
    ]
    size = sides[1][0] - sides[0][0]
    error = float(np.sqrt(sides[0][1] + sides[1][1]))
    cause = Cause.NEIGHBOURS
    if count < LEAST_NEIGHBOURS:
        cause = Cause.ALONE
    elif abs(size) >= max(LEAST_SIZE, OWN * error):
        cause = Cause.OWN
    elif _moved_without_weather(level, before, noise, response, place, is_compared) >= NETWORK:
        cause = Cause.NETWORK
    return SharedStep(cause, size, error, float(np.sqrt(x2[days[-1]])), count)


def has_returned(first: SharedStep, latest: SharedStep) -> bool:
    """Return True if the level is back: the step was weather."""
    return abs(latest.size) < RETURNED * abs(first.size)


def search(
    panel: Panel, learned: Learned, series: int, now: int, since: int = 0
) -> FoundStep | None:
    """Return the clearest own step within the latest days of a series, None if there is none.

    As known on the day `now`, if there are readings on it. With `since`, days before that are not
    compared, such as those before another step.
    """
    begin = max(since - panel.first_day, 0)
    level = panel.level[series, begin : now - panel.first_day + 1]
    places = np.flatnonzero(np.isfinite(level))
    if len(places) <= LEAST_BEFORE or places[-1] != len(level) - 1:
        return None
    usual = np.median(level[places[-SEARCHED - LEAST_BEFORE :]])
    if abs(level[-1] - usual) < LEAST_FOUND / 2:
        return None
    best = None
    for place in places[LEAST_BEFORE:][-SEARCHED:].tolist():
        day = place + begin + panel.first_day
        step = judge(panel, learned, series, day, now, since)
        is_single = place == places[-1]
        if is_single and step.activity > CALM:
            continue
        least = max(LEAST_FOUND, (FOUND_SINGLE if is_single else FOUND) * step.error)
        if step.cause is not Cause.OWN or abs(step.size) < least:
            continue
        if best is None or abs(step.size) / step.error > abs(best.step.size) / best.step.error:
            best = FoundStep(day, step)
    return best and best._replace(day=first_day_of(panel, learned, series, best.day, now, since))


def first_day_of(
    panel: Panel, learned: Learned, series: int, day: int, now: int, since: int = 0
) -> int:
    """Return the day that best divides the levels about a step that was found at a day.

    Medians on both sides hardly change if that is a few days off. Days of weather count less.
    """
    begin = max(day - BEFORE_DAYS, since, panel.first_day)
    level = panel.level[series, begin - panel.first_day : now - panel.first_day + 1]
    days = np.flatnonzero(np.isfinite(level)) + begin
    level = level[days - begin]
    before, after = np.median(level[days < day]), np.median(level[days >= day])
    at = series, days - panel.first_day
    weight = 1 / (1 + learned.response[at] * learned.activity[at] ** 2)
    cost = weight * (np.abs(level - before) - np.abs(level - after))
    first = 1 + int(np.argmin(np.cumsum(cost)[:-1]))
    return int(days[first])


def neighbours(panel: Panel, station: int) -> Times:
    """Return the nearest other stations within reach; of all others where the place is unknown."""
    others = np.flatnonzero(np.arange(len(panel.place)) != station)
    if np.isnan(panel.place[station]).any():
        return np.asarray(others[:: max(len(others) // MOST_NEIGHBOURS, 1)])
    distance = distance_km(panel.place[station], panel.place[others])
    order = np.argsort(distance, kind="stable")[:MOST_NEIGHBOURS]
    return np.asarray(others[order[distance[order] <= REACH_KM]])


def distance_km(place: Floats, places: Floats) -> Floats:
    """Return the distance from a place (2,) to places (n, 2), latitude and longitude in degrees."""
    latitude, longitude = np.radians(place)
    latitudes, longitudes = np.radians(places).T
    half = np.sin((latitudes - latitude) / 2) ** 2
    half += np.cos(latitude) * np.cos(latitudes) * np.sin((longitudes - longitude) / 2) ** 2
    return np.asarray(2 * EARTH_KM * np.arcsin(np.sqrt(half)))


def _activity(unit: Floats) -> Floats:
    """Return the activity (t,) from departures in units of the noise, (n, t)."""
    middle = _quantile(np.sort(unit, axis=0), QUANTILE) if len(unit) else np.full(unit.shape[1], 0)
    activity = np.maximum(np.nan_to_num(middle) / NORMAL_QUANTILE - 1, 0.0)
    for day in range(1, len(activity)):
        activity[day] = max(activity[day], KEEP * activity[day - 1])
    return np.asarray(activity)


def _quantile(ordered: Floats, share: float) -> Floats:
    """Return a quantile over the first axis of sorted values, NaN last; NaN if all are."""
    last = np.isfinite(ordered).sum(axis=0) - 1
    row = np.maximum(np.round(share * last), 0).astype(np.int64)
    return np.asarray(np.take_along_axis(ordered, row[None], axis=0)[0])


def _trailing_median(values: Floats, days: int) -> Floats:
    """Return the median of the days before each, (n, t); NaN where there are none."""
    padded = np.pad(values, ((0, 0), (days, 0)), constant_values=np.nan)[:, :-1]
    windows = np.lib.stride_tricks.sliding_window_view(padded, days, axis=1)
    return np.stack([_quantile(np.sort(rows, axis=1).T, 0.5) for rows in windows])


def _prior_storms(own: Floats, storms: Floats, mean: Floats) -> Floats:
    """Return how many storms the fleet's mean response counts, on each day, (t,).

    A response estimated from m storms has the relative variance 2 / m (chi-squared); what the
    estimates vary beyond that is the variance between stations.
    """
    estimate = own / np.maximum(storms, 1e-9)
    used = storms >= 2
    count = np.maximum(used.sum(axis=0), 1)
    total = np.where(used, (estimate - mean) ** 2, 0.0).sum(axis=0) / count
    chance = np.where(used, 2 / np.maximum(storms, 1), 0.0).sum(axis=0) / count
    between = np.maximum(total / np.maximum(mean, 1e-9) ** 2 - chance, 0.04)
    return np.where(used.sum(axis=0) >= 5, 2 / between, 5.0)


def _jumps(level: Floats) -> Floats:
    """Return the differences from the reading before, (n, t); NaN where there are none."""
    jumps = np.full_like(level, np.nan)
    for row, values in enumerate(level):
        days = np.flatnonzero(np.isfinite(values))
        jumps[row, days[1:]] = np.diff(values[days])
    return jumps


def _weighted_median(level: Floats, variance: Floats) -> tuple[float, float]:
    """Return the median of readings (n,) weighted by their precision, and its variance."""
    order = np.argsort(level, kind="stable")
    weight = np.cumsum(1 / variance[order])
    middle = level[order[np.searchsorted(weight, weight[-1] / 2)]]
    spread = min(float(variance.min()), CORRELATED / float(weight[-1]))
    return float(middle), MEDIAN_VARIANCE * spread


def _moved_without_weather(
    level: Floats, before: Floats, noise: Floats, response: Floats, place: int, used: Bools
) -> float:
    """Return the share of moved series among that half of the fleet which weather moves least."""
    calm = used & (response <= np.median(response[used]))
    departure = np.abs(level[calm, place:] - before[calm, None]) / noise[calm, None]
    return float((_quantile(np.sort(departure, axis=1).T, 0.5) > MOVED).mean())
