"""Measured figures with uncertainty from the rows of several weeks.

All figures compare the time before an onset with the time since. The onset is found from the rows
themselves (`onset`), since rules may be late or silent. A figure is None where the rows do not
determine it.

A change is judged against noise and the station's own scatter only: directivity and calibration
bias both sides alike. The scatter of a channel is that of its transmissions, beginning with a prior
worth PRIOR of them; transmissions of one day share one weather, so levels are means of days.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.diagnosis import onset
from logger.diagnosis.history import NO_CHANNEL, Columns, ComparedPlace, History
from logger.diagnosis.onset import Stream, successive
from logger.diagnosis.temperature import ThermalFit, fit_temperature, power_classes
from logger.physics.reflection import COVERAGE, HIGHEST_SWR, rho_of_swr
from logger.rows import AlarmKind
from logger.utc import DAY_NS

HOUR_S = 3600.0
NEVER_NS = 2**62
EVEN = 10.0
BY_ALARM = 40.0
MOST_CUTS = 150

PRIOR = 3.0  # transmissions
PRIOR_SD, PRIOR_SHARE = 0.006, 0.03  # of rho, and of its level
FAR = 3.0  # deviations of days from their median at which they are clipped
LEAST_SETTLED = 10  # pairs
MUCH_NOISE = 3.0  # times the usual noise at that power
ZERO_PART = 0.5
MOST_NOISE = 0.05  # of rho, for a transmission to count
LEAST_BEFORE, LEAST_AFTER = 2, 1  # transmissions on a channel
SEASON_SHARE = 0.3  # of a season's change, by which it differs from one year to the next
FULL_RHO = 0.72
IMPOSSIBLE_RATIO = 1.35
STILL_V, STILL_SHARE = 3e-4, 0.02
LEAST_SECONDS = 3
HEAD_S = 3  # of a key-down, compared with its last third
LEAST_DRIFTS = 4, 2  # key-downs on a channel, before and since
DRIFT_SD, DRIFT_SHARE = 0.003, 0.015  # of rho within a key-down, from wind and heating
DRIFT_WANDER = 2.0  # of the scatter of seconds, since those of gusts of some seconds agree
DRIFT_LN = 0.6
MOST_DRIFT_Z = 4.0
WANDER_SD, WANDER_W = 0.004, 0.01
ZERO_V, NOISE_LN = 1.5e-3, 0.2  # usual scatter of zeros, and of ln of the noise
SHIFTS = np.linspace(-9.0, 9.0, 361)  # of ln watts, candidates for a change of all powers
SHIFT_SD = 2.0  # prior of the shift
MOST_SHIFTED = 120  # transmissions on either side
LEAST_ALIKE, LEAST_SHIFTED = 5, 3  # transmissions before to compare one with, and those since
POWER_WIDTH = 0.07
MODE_CRESTS = (0.12, 0.6, 1.6)  # ln of crest factors that separate carriers, AM, CW and speech
CREST, CREST_SHARE = 0.06, 0.3  # by which ln of crest factors of a mode differ, part of it a share


class Measure(msgspec.Struct, frozen=True):
    """A value and its standard deviation."""

    value: float
    sd: float

    @property
    def z(self) -> float:
        """Value in standard deviations."""
        return self.value / max(self.sd, 1e-12)


class Drift(msgspec.Struct, frozen=True):
    """Change of the drift of reflection within key-downs.

    `share` is the share of pairs of key-downs, one since and one before, in which the later drifts
    further; `z` is its distance from one half in standard deviations.
    """

    share: float
    z: float


class ChannelEvidence(msgspec.Struct, frozen=True, kw_only=True):
    """Reflection coefficient of a channel before and after.

    change         of the reflection coefficient
    transmissions  their numbers, before and after
    wander         ratio of its fluctuation within a transmission, after to before (None: not known)
    days           between the middle transmissions of both sides
    has_year       True if the channel was in use more than a year ago
    number         its number, None for a segment of a band
    group          of channels between which a sound load changes smoothly
    """

    name: str
    before: float
    after: float
    change: Measure
    transmissions: tuple[int, int]
    wander: float | None
    days: float = 0.0
    has_year: bool = False
    number: int | None = None
    group: str = ""


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """Figures before the onset and since.

    onset_ns       the likeliest time of a change, if there was any
    transmissions  their numbers, before and since; `hours` on the air likewise
    channels       those known on both sides
    thermal        changes on channels and at powers compared with one of the shack's temperature
    excursions     their numbers; `excursion_lift`: ln of the likelihood ratio for a higher rate of
                   transmissions with any
    depth          median SWR at the peak of the excursions since, and the level they depart from
    full           share of the transmissions since whose reflection is nearly total
    alarm_swr      highest SWR reported by `high-swr` since
    drift          change of the drift of rho within key-downs
    slow           ln of the likelihood ratio for a steady change against a sudden one
    power          ln of the factor by which the powers in use changed
    power_lift     ln of the likelihood ratio for that against the same powers as before
    zero, noise    forward, reflected: shift of the unkeyed reading, volts; rise of ln of its noise
    unkeyed        pieces of the archive with readings while the key was up, before and since
    looked         pieces of the archive in all, before and since
    foreign        of `unkeyed`, those in which the reflected port read a signal, before and since
    still          ports whose reading never moved since
    impossible     share of transmissions since with more reflected than incident power
    alarms         numbers of each kind since
    """

    onset_ns: int | None
    until_ns: int
    transmissions: tuple[int, int]
    hours: tuple[float, float]
    channels: tuple[ChannelEvidence, ...] = ()
    thermal: ThermalFit | None = None
    excursions: tuple[int, int] = (0, 0)
    excursion_lift: float | None = None
    depth: tuple[float, float] | None = None
    full: float | None = None
    alarm_swr: float | None = None
    drift: Drift | None = None
    slow: float | None = None
    power: Measure | None = None
    power_lift: float | None = None
    zero: tuple[Measure | None, Measure | None] = (None, None)
    noise: tuple[Measure | None, Measure | None] = (None, None)
    unkeyed: tuple[int, int] = (0, 0)
    looked: tuple[int, int] = (0, 0)
    foreign: tuple[int, int] = (0, 0)
    still: tuple[str, ...] = ()
    impossible: float | None = None
    alarms: dict[str, int] = {}


class _Reading(NamedTuple):
    """Transmissions with a valid reflection coefficient, each (n,); `row` is their index.

    `noise` and `zero` are the standard deviations of rho from noise and from drift of the zeros.
    """

    row: Times
    time_ns: Times
    channel: Floats
    rho: Floats
    noise: Floats
    zero: Floats

    def where(self, chosen: Bools) -> _Reading:
        """Return the transmissions selected by a mask."""
        return _Reading(
            self.row[chosen],
            self.time_ns[chosen],
            self.channel[chosen],
            self.rho[chosen],
            self.noise[chosen],
            self.zero[chosen],
        )


def gather(history: History, alarm_ns: int | None = None) -> Evidence:
    """Return the figures of a history; a change is preferably located at the alarm."""
    readings = _readings(history)
    rows = history.transmissions
    starts, ends = rows["start_ns"], rows["end_ns"]
    drifts = _drifts(history)
    onset_ns = _onset(history, readings, drifts, alarm_ns)
    on_air_s = (ends - starts) * 1e-9
    cut = len(starts) if onset_ns is None else int(np.searchsorted(ends, onset_ns))
    hours = float(on_air_s[:cut].sum()) / HOUR_S, float(on_air_s[cut:].sum()) / HOUR_S
    late = history.alarms["raised_ns"] >= (-NEVER_NS if onset_ns is None else onset_ns)
    kinds = history.alarms["kind"][late]
    swrs = history.alarms["value"][late][kinds == AlarmKind.HIGH_SWR]
    basis = Evidence(
        onset_ns=onset_ns,
        until_ns=int(ends[-1]) if len(ends) else history.until_ns,
        transmissions=(cut, len(starts) - cut),
        hours=hours,
        alarm_swr=float(np.nanmax(swrs)) if np.isfinite(swrs).any() else None,
        alarms=dict(Counter(kinds.tolist())),
    )
    if onset_ns is None:
        return basis
    channels = _channels(history, readings, onset_ns)
    is_settled = rows["settled_samples"] >= LEAST_SETTLED
    ln_w = _ln(rows["forward_w_mean"])
    power = _shift(np.where(is_settled, ln_w, np.nan), _ln(rows["forward_w_max"]) - ln_w, cut)
    ratio = rows["reflected_w_mean"][cut:] / np.maximum(rows["forward_w_mean"][cut:], 1e-12)
    return msgspec.structs.replace(
        basis,
        channels=channels,
        thermal=_thermal(history, readings, onset_ns),
        **_excursions(history.excursions, starts, onset_ns, hours),
        **_full(rows, readings, cut),
        drift=_drift(drifts, onset_ns),
        slow=_slow(readings, onset_ns),
        power=None if power is None else power[0],
        power_lift=None if power is None else power[1],
        zero=_step(history.unkeyed, onset_ns, ("forward_v", "reflected_v"), ZERO_V),
        noise=_step(history.unkeyed, onset_ns, ("forward_sd_v", "reflected_sd_v"), None),
        unkeyed=_sides(history.unkeyed["time_ns"], onset_ns),
        looked=_sides(history.looked_ns, onset_ns),
        foreign=_sides(history.unkeyed["time_ns"][history.unkeyed["foreign"] > 0], onset_ns),
        still=_still(history, onset_ns),
        impossible=float(np.mean(ratio > IMPOSSIBLE_RATIO)) if len(ratio) else None,
    )


def _ln(watts: Floats) -> Floats:
    return np.asarray(np.log(np.maximum(watts, 1e-6)))


def _modes(rows: Columns) -> Times:
    """Return a number for the kind of envelope of each transmission, (n,): carrier to speech."""
    return np.digitize(_ln(rows["forward_w_max"]) - _ln(rows["forward_w_mean"]), MODE_CRESTS)


def _place(history: History, channel: float) -> ComparedPlace:
    if channel == NO_CHANNEL or math.isnan(channel):
        return ComparedPlace("all")
    return history.places.get(channel) or ComparedPlace(f"{channel:g}", int(channel))


def _noise(rows: Columns) -> Floats:
    """Return the standard deviation of rho by the rows' own intervals, (n,), NaN where missing.

    Near zero the lower side of an interval is cut off.
    """
    rho, low, high = (
        rho_of_swr(np.maximum(rows[name], 1.0))
        for name in ("swr", "swr_noise_low", "swr_noise_high")
    )
    return np.asarray(np.maximum(high - rho, rho - low) / COVERAGE)


def _readings(history: History) -> _Reading:
    rows = history.transmissions
    rho = rho_of_swr(np.clip(rows["swr"], 1.0, HIGHEST_SWR))
    is_readable = np.isfinite(rows["swr"]) & (rows["settled_samples"] >= LEAST_SETTLED)
    # The median second is not affected by a short excursion.
    seconds = _second_rho(history)
    for place, part in _of_transmissions(history):
        own = seconds[part]
        own = own[np.isfinite(own)]
        if len(own) >= LEAST_SECONDS:
            rho[place] = np.median(own)
    # The rows' own intervals grow with every movement of the reflection, including the change to be
    # found; noise of the converters alone depends on the power.
    noise = np.nan_to_num(_noise(rows))
    watts = np.maximum(rows["forward_w_mean"], 1e-6)
    zero = np.zeros(len(rho))
    if is_readable.any():
        usual = float(np.quantile((noise * watts)[is_readable], 0.3))
        noise = np.minimum(noise, MUCH_NOISE * usual / watts)
        # Zeros drift by a fraction of the scatter of single readings, constant over an evening.
        pair_w = 2 * rho * noise * watts * np.sqrt(rows["settled_samples"])
        ratio = ZERO_PART * float(np.quantile(pair_w[is_readable], 0.1)) / watts
        zero = ratio / (2 * np.maximum(rho, np.sqrt(ratio)) + 1e-9)
    at = np.flatnonzero(is_readable & (np.hypot(noise, zero) <= MOST_NOISE))
    channel = np.where(np.isnan(rows["channel"]), NO_CHANNEL, rows["channel"])
    return _Reading(at, rows["start_ns"][at], channel[at], rho[at], noise[at], zero[at])


def _spread(rho: Floats) -> float:
    """Return the standard deviation of transmissions about their channel's level."""
    prior = math.hypot(PRIOR_SD, PRIOR_SHARE * float(np.median(rho)))
    squares = float(((rho - np.mean(rho)) ** 2).sum())
    return math.sqrt((squares + PRIOR * prior**2) / (max(len(rho) - 1, 0) + PRIOR))


def _onset(
    history: History, readings: _Reading, drifts: Sequence[Stream], alarm_ns: int | None
) -> int | None:
    """Return the likeliest time of a change, even if nothing changed; None if there is none."""
    rows, unkeyed = history.transmissions, history.unkeyed
    starts = rows["start_ns"]
    cuts = onset.candidates([starts, unkeyed["time_ns"]])
    if not len(cuts):
        return None
    total = np.zeros(len(cuts))
    for channel in np.unique(readings.channel):
        own = readings.where(readings.channel == channel)
        prior = math.hypot(PRIOR_SD, PRIOR_SHARE * float(np.median(own.rho)))
        scatter = math.hypot(prior, successive(own.rho))
        total += onset.cut_score(Stream(own.time_ns, own.rho, scatter), cuts)
    for name in ("forward", "reflected"):
        for values, least in (
            (unkeyed[f"{name}_v"], ZERO_V),
            (np.log(np.maximum(unkeyed[f"{name}_sd_v"], 1e-6)), NOISE_LN),
        ):
            is_finite = np.isfinite(values)
            stream = Stream(unkeyed["time_ns"][is_finite], values[is_finite], least)
            total += onset.cut_score(stream, cuts)
    for stream in drifts:
        # Size of the drift of reflection within a key-down, as a logarithm.
        size = Stream(stream.time_ns, np.log(0.3 + np.abs(stream.value)), DRIFT_LN)
        total += onset.cut_score(size, cuts)
    # A change of mode is not a change of power.
    modes, ln_w = _modes(rows), _ln(rows["forward_w_mean"])
    for mode in np.unique(modes):
        total += onset.power_score(starts[modes == mode], ln_w[modes == mode], cuts)
    on_air = Stream(starts, (rows["end_ns"] - starts) * 1e-9, 1.0)
    total += onset.rate_score(history.excursions["time_ns"], on_air, cuts)
    # Without evidence, prefer two long sides.
    before = np.searchsorted(starts, cuts) + 1.0
    after = len(starts) + 2.0 - before
    total += EVEN * np.log(before * after / len(starts) ** 2) if len(starts) else 0.0
    if alarm_ns is not None:
        begun = int(np.searchsorted(cuts, alarm_ns, side="right")) - 1
        if begun >= 0:
            total[begun] += BY_ALARM
    return int(cuts[int(np.argmax(total))])


def _channels(history: History, readings: _Reading, onset_ns: int) -> tuple[ChannelEvidence, ...]:
    wander = _wander(history)
    channels = []
    for channel in np.unique(readings.channel).tolist():
        own = readings.where(readings.channel == channel)
        late = own.time_ns >= onset_ns
        before, after = own.where(~late), own.where(late)
        if len(before.rho) < LEAST_BEFORE or len(after.rho) < LEAST_AFTER:
            continue
        level, change = _change(before, after)
        place = _place(history, channel)
        parts = [wander[side.row] for side in (before, after)]
        parts = [part[np.isfinite(part)] for part in parts]
        channels.append(
            ChannelEvidence(
                name=place.name,
                before=level,
                after=level + change.value,
                change=change,
                transmissions=(len(before.rho), len(after.rho)),
                wander=(
                    float(np.median(parts[1]) / np.median(parts[0]))
                    if min(map(len, parts)) >= 2
                    else None
                ),
                days=float(np.median(after.time_ns) - np.median(before.time_ns)) / DAY_NS,
                has_year=channel in history.year_old,
                number=place.channel,
                group=place.group,
            )
        )
    return tuple(channels)


def _change(before: _Reading, after: _Reading) -> tuple[float, Measure]:
    """Return the level of rho before, and its change."""
    sides = _days(before), _days(after)
    levels = _level(sides[0].rho), _level(sides[1].rho)
    of_days, within = _scatter(sides)
    variance = 0.0
    for side, days in zip((before, after), sides, strict=True):
        looks = len(days.rho)
        variance += (of_days**2 + float(np.mean(side.zero)) ** 2) / looks
        variance += (within**2 + float(np.mean(side.noise**2))) / len(side.rho)
    return levels[0], Measure(levels[1] - levels[0], math.sqrt(variance))


def _thermal(history: History, readings: _Reading, onset_ns: int) -> ThermalFit | None:
    """Compare the changes on each channel and at each power with one of temperature."""
    if history.per_c is None:
        return None
    per_c = history.per_c[readings.row]
    power = power_classes(history.transmissions["forward_w_mean"][readings.row])
    is_late = readings.time_ns >= onset_ns
    figures = []
    for channel, of_power in sorted(
        set(zip(readings.channel.tolist(), power.tolist(), strict=True))
    ):
        own = (readings.channel == channel) & (power == of_power) & np.isfinite(per_c)
        before, after = readings.where(own & ~is_late), readings.where(own & is_late)
        if len(before.rho) >= LEAST_BEFORE and len(after.rho) >= LEAST_AFTER:
            level, change = _change(before, after)
            figures.append((level, change.value, change.sd, float(np.mean(per_c[own])), channel))
    if not figures:
        return None
    middle_ns = [float(np.median(readings.time_ns[side])) for side in (~is_late, is_late)]
    before, change, sd, per_degree, channel_numbers = np.array(figures).T
    days = (middle_ns[1] - middle_ns[0]) / DAY_NS
    plain = fit_temperature(before, change, sd, per_degree, channel_numbers, days)
    season = [_season(history, channel, onset_ns) for channel in channel_numbers.tolist()]
    if None in season:
        return plain
    # The coupler may have drifted beside a season that repeats.
    usual = before * np.array(season, dtype=np.float64)
    sd = np.hypot(sd, SEASON_SHARE * usual)
    beside = fit_temperature(before, change - usual, sd, per_degree, channel_numbers, days)
    return max(plain, beside, key=lambda fit: fit.lift)


def _season(history: History, channel: float, onset_ns: int) -> float | None:
    """Return the relative change of rho across the onset's date a year before, None if unknown."""
    rows = history.year_ago
    if rows is None:
        return None
    own = (rows["channel"] == channel) & np.isfinite(rows["swr"])
    own &= rows["settled_samples"] >= LEAST_SETTLED
    rho, is_late = rho_of_swr(rows["swr"][own]), rows["start_ns"][own] >= onset_ns
    if min(int((~is_late).sum()), int(is_late.sum())) < LEAST_BEFORE:
        return None
    return float(np.median(rho[is_late]) / np.median(rho[~is_late])) - 1


class _Days(NamedTuple):
    """Median rho of each UTC day (d,), and deviations of transmissions from it (n,)."""

    rho: Floats
    within: Floats


def _days(side: _Reading) -> _Days:
    numbers, day = np.unique(side.time_ns // DAY_NS, return_inverse=True)
    medians = np.array([np.median(side.rho[day == place]) for place in range(len(numbers))])
    return _Days(medians, side.rho - medians[day])


def _level(rho: Floats) -> float:
    """Return the mean of days (d,), with outliers clipped.

    Where wet and dry days alternate, a median would jump between the two.
    """
    middle = float(np.median(rho))
    far = FAR * max(1.4826 * float(np.median(np.abs(rho - middle))), PRIOR_SHARE * middle, PRIOR_SD)
    return float(np.mean(np.clip(rho, middle - far, middle + far)))


def _scatter(sides: tuple[_Days, _Days]) -> tuple[float, float]:
    """Return the standard deviations of days about their level and of transmissions within days.

    A slow change since the onset is not scatter, so its days are compared with those before them.
    """
    before, after = sides
    prior = math.hypot(PRIOR_SD, PRIOR_SHARE * float(np.median(before.rho)))
    squares = PRIOR * prior**2 + float(((before.rho - np.mean(before.rho)) ** 2).sum())
    squares += float((np.diff(after.rho) ** 2).sum()) / 2
    of_days = math.sqrt(squares / (PRIOR + len(before.rho) - 1 + max(len(after.rho) - 1, 0)))
    own = before.within
    within = math.sqrt((PRIOR * prior**2 + float((own**2).sum())) / (PRIOR + len(own)))
    return of_days, within


def _of_transmissions(history: History) -> list[tuple[int, slice]]:
    """Return the index of each transmission with seconds, and the slice of these."""
    ids = history.seconds["transmission_id"]
    if not len(ids):
        return []
    edges = [0, *(np.flatnonzero(np.diff(ids)) + 1).tolist(), len(ids)]
    places = {int(number): at for at, number in enumerate(history.transmissions["id"])}
    return [
        (places[int(ids[begin])], slice(begin, end))
        for begin, end in itertools.pairwise(edges)
        if int(ids[begin]) in places
    ]


def _second_rho(history: History) -> Floats:
    return np.asarray(rho_of_swr(np.clip(history.seconds["swr"], 1.0, HIGHEST_SWR)))


def _wander(history: History) -> Floats:
    """Return the scatter of rho between seconds of each transmission, (n,).

    It is in units of a noise that depends on the power.
    """
    rho = _second_rho(history)
    wander = np.full(len(history.transmissions["id"]), np.nan)
    for place, part in _of_transmissions(history):
        own = rho[part][1:-1]
        watts = history.seconds["forward_w"][part][1:-1]
        is_finite = np.isfinite(own)
        if is_finite.sum() >= 3:
            noise = math.hypot(WANDER_SD, WANDER_W / max(float(np.mean(watts[is_finite])), 1e-3))
            wander[place] = math.hypot(float(np.std(own[is_finite])) / noise, 0.5)
    return wander


def _drifts(history: History) -> list[Stream]:
    """Return the drift of rho within key-downs, a stream for each channel and mode.

    It is that from the first seconds to the last third, in units of its uncertainty. This contains
    the wander from second to second: wind moves the reflection at once and either way, heat slowly.
    Medians of seconds exclude short excursions.
    """
    rho, noise = _second_rho(history), _noise(history.seconds)
    rows = history.transmissions
    modes = _modes(rows)
    parts: dict[tuple[float, int], list[tuple[int, float]]] = {}
    for place, part in _of_transmissions(history):
        own, own_noise = rho[part], noise[part]
        good = np.flatnonzero(np.isfinite(own) & np.isfinite(own_noise))
        if len(good) < 2 * HEAD_S:
            continue
        head, tail = good[:HEAD_S], good[-max(HEAD_S, len(good) // 3) :]
        far = float(np.median(own[tail]) - np.median(own[head]))
        doubt = math.sqrt(
            float(np.mean(own_noise[tail] ** 2)) / len(tail)
            + float(np.mean(own_noise[head] ** 2)) / len(head)
            + DRIFT_SD**2
            + (DRIFT_SHARE * float(np.median(own[good]))) ** 2
            + (DRIFT_WANDER * successive(own[good])) ** 2
        )
        channel = float(np.nan_to_num(rows["channel"][place], nan=NO_CHANNEL))
        own_drifts = parts.setdefault((channel, int(modes[place])), [])
        own_drifts.append((int(rows["start_ns"][place]), far / doubt))
    return [
        Stream(np.array([at for at, _ in own], dtype=np.int64), np.array([z for _, z in own]), 1.0)
        for own in parts.values()
    ]


def _drift(drifts: Sequence[Stream], onset_ns: int) -> Drift | None:
    """Compare the drifts within key-downs since the onset with those before.

    The test uses ranks (Mann and Whitney) on each stream, with equal weights over the streams
    (Stouffer). The z of a stream is limited to MOST_DRIFT_Z, so that a single one does not decide.
    """
    shares, zs = [], []
    for stream in drifts:
        late = stream.time_ns >= onset_ns
        before, after = np.abs(stream.value[~late]), np.abs(stream.value[late])
        if len(before) < LEAST_DRIFTS[0] or len(after) < LEAST_DRIFTS[1]:
            continue
        shares.append(float(np.mean(after[:, None] > before[None, :])))
        sd = math.sqrt((len(before) + len(after) + 1) / (12 * len(before) * len(after)))
        zs.append(min((shares[-1] - 0.5) / sd, MOST_DRIFT_Z))
    if not shares:
        return None
    return Drift(float(np.mean(shares)), float(np.sum(zs)) / math.sqrt(len(zs)))


def _excursions(
    rows: Columns, starts_ns: Times, onset_ns: int, hours: tuple[float, float]
) -> dict[str, object]:
    late = rows["time_ns"] >= onset_ns
    after, before = int(late.sum()), int((~late).sum())
    figures: dict[str, object] = {"excursions": (before, after)}
    if after:
        figures["depth"] = (
            float(np.nanmedian(rows["swr_peak"][late])),
            float(np.nanmedian(rows["swr_beside"][late])),
        )
    if hours[1] > 0:
        # Excursions of one transmission have one origin, so transmissions with any are counted.
        owner = np.searchsorted(starts_ns, rows["time_ns"], side="right")
        since, earlier = len(np.unique(owner[late])), len(np.unique(owner[~late]))
        # The usual rate is uncertain: half an event and one hour are added to the time before.
        usual = (earlier + 0.5) / (hours[0] + 1.0) * hours[1]
        lift = since * math.log(since / usual) - (since - usual) if since > usual else 0.0
        figures["excursion_lift"] = lift
    return figures


def _full(rows: Columns, readings: _Reading, cut: int) -> dict[str, object]:
    late = readings.where(readings.row >= cut)
    if not len(late.rho):
        return {}
    return {"full": float((late.rho >= FULL_RHO).mean())}


def _slow(readings: _Reading, onset_ns: int) -> float | None:
    """Return ln of the likelihood ratio of a hinge (level, then a line) over a step.

    Each is taken at its best time.
    """
    times: list[Floats] = []
    values: list[Floats] = []
    owners: list[Floats] = []
    for number, channel in enumerate(np.unique(readings.channel).tolist()):
        own = readings.where(readings.channel == channel)
        late = own.time_ns >= onset_ns
        if late.sum() < 4 or (~late).sum() < 2:
            continue
        scatter = math.hypot(_spread(own.rho[~late]), successive(own.rho))
        times.append(own.time_ns / DAY_NS)
        values.append(own.rho / scatter)
        owners.append(np.full(len(own.rho), float(number)))
    if not times:
        return None
    t, z, owner = (np.concatenate(parts) for parts in (times, values, owners))
    t = t - t.min()
    if np.ptp(t[t >= t.max() / 2]) < 1.0:
        return None
    after = t >= onset_ns / DAY_NS - np.concatenate(times).min()
    if len(np.unique(np.floor(t[after]))) < 3:
        return None

    def left(shape: Floats) -> float:
        lost = 0.0
        for number in np.unique(owner):
            own = owner == number
            x, y = shape[own] - shape[own].mean(), z[own] - z[own].mean()
            square = float((x**2).sum())
            fit = float((x * y).sum()) / square if square > 0 else 0.0
            lost += float(np.minimum((y - fit * x) ** 2, 25.0).sum())
        return lost

    cuts = np.unique(t)[1:-1]
    cuts = cuts[:: 1 + len(cuts) // MOST_CUTS]
    step = min((left((t >= cut).astype(np.float64)) for cut in cuts), default=0.0)
    hinge = min(left(np.maximum(t - cut, 0.0)) for cut in [0.0, *cuts[: -len(cuts) // 4]])
    return 0.5 * (step - hinge)


def _shift(ln_watts: Floats, crest: Floats, cut: int) -> tuple[Measure, float] | None:
    """Return the shift of the powers from `cut` on, and ln of its likelihood ratio over none.

    The shift brings them onto the powers before. Powers come in a few sizes: the density is a sum
    of kernels with thick tails. Mean power depends on the mode, so only transmissions with about
    the same ln of the crest factor are compared.
    """
    place = np.arange(len(ln_watts))
    is_finite = np.isfinite(ln_watts)
    before = np.flatnonzero(is_finite & (place < cut))[-MOST_SHIFTED:]
    after = np.flatnonzero(is_finite & (place >= cut))[-MOST_SHIFTED:]
    middle = crest[after, None]
    alike = np.abs(crest[before] - middle) <= CREST + CREST_SHARE * np.maximum(middle, 0.0)
    after, alike = after[alike.sum(axis=1) >= LEAST_ALIKE], alike[alike.sum(axis=1) >= LEAST_ALIKE]
    if len(after) < LEAST_SHIFTED:
        return None
    apart = ln_watts[after, None] - SHIFTS[:, None, None] - ln_watts[before]
    kernels = alike / (1 + (apart / POWER_WIDTH) ** 2) ** 2
    density = kernels.sum(axis=2) / alike.sum(axis=1) + 0.005
    likelihood = np.log(density).sum(axis=1) - 0.5 * (SHIFTS / SHIFT_SD) ** 2
    best = int(np.argmax(likelihood))
    none = int(np.argmin(np.abs(SHIFTS)))
    near = SHIFTS[likelihood > likelihood[best] - 2.0]
    sd = max(float(np.ptp(near)) / 4, 0.02)
    return Measure(float(SHIFTS[best]), sd), float(likelihood[best] - likelihood[none])


def _step(
    unkeyed: Columns, onset_ns: int, names: tuple[str, str], scatter: float | None
) -> tuple[Measure | None, Measure | None]:
    """Return the shift of the readings since, relative to those before.

    A moved zero and noise stay, another transmitter comes and goes: of the latest half, the reading
    nearest to those before counts. Logarithms are used if no scatter is given.
    """
    late = unkeyed["time_ns"] >= onset_ns
    shifts: list[Measure | None] = []
    for name in names:
        values = unkeyed[name]
        if scatter is None:
            values = np.log(np.maximum(values, 1e-6))
        is_finite = np.isfinite(values)
        before, after = values[is_finite & ~late], values[is_finite & late]
        if not len(before) or not len(after):
            shifts.append(None)
            continue
        away = after[len(after) // 2 :] - float(np.median(before))
        least = NOISE_LN if scatter is None else scatter
        own = math.hypot(least, float(np.std(before)))
        shifts.append(Measure(float(away[np.argmin(np.abs(away))]), own))
    return shifts[0], shifts[1]


def _sides(time_ns: Times, onset_ns: int) -> tuple[int, int]:
    late = int((time_ns >= onset_ns).sum())
    return len(time_ns) - late, late


def _still(history: History, onset_ns: int) -> tuple[str, ...]:
    """Return the ports with the same reading in all seconds since, or without unkeyed noise."""
    seconds, unkeyed = history.seconds, history.unkeyed
    late = seconds["time_ns"] >= onset_ns
    quiet = unkeyed["time_ns"] >= onset_ns
    ports = []
    for side in ("forward", "reflected"):
        volts = seconds[f"{side}_v"]
        own, usual = volts[late], volts[~late]
        own, usual = own[np.isfinite(own)], usual[np.isfinite(usual)]
        noise = unkeyed[f"{side}_sd_v"]
        dead = noise[quiet & np.isfinite(noise)]
        alive = noise[~quiet & np.isfinite(noise)]
        # Even the unkeyed noise has gone.
        is_still = len(dead) > 0 and len(alive) > 0 and dead[-1] == 0 < np.median(alive)
        if len(own) >= 10 and len(usual) >= 10:
            limit_v = min(STILL_V, STILL_SHARE * float(np.std(usual)))
            is_still = is_still or float(np.std(own)) < limit_v
        if is_still:
            ports.append(side)
    return tuple(ports)
