"""Some weeks of the store as plain columns, the input of the evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.bands import band_at
from logger.blocks import Floats, Times
from logger.calibration.coupler import Coupler, coupler_temperature
from logger.calibration.file import parse
from logger.diagnosis.temperature import ln_rho_per_c
from logger.errors import CalibrationError
from logger.physics.reflection import HIGHEST_SWR, rho_of_swr
from logger.places import place_name
from logger.store.reader import Store
from logger.utc import DAY_NS

Columns = Mapping[str, NDArray[Any]]

WEEKS_NS = 28 * DAY_NS
YEAR_NS = 365 * DAY_NS
NO_CHANNEL = -1.0
# About four weeks at two hours a day on the air, in transmissions of 50 s.
MOST_TRANSMISSIONS = 4000
MOST_SECONDS = 60_000
MOST_ROWS = 5000
SEGMENTS = 48
REST_NS = 600_000_000  # after key-up, until the detectors read their zeros
AHEAD_NS = 100_000_000  # before key-down
GROUP = 16  # pairs
LEAST_QUIET = 32  # pairs
LOWEST, LEAST_LOWEST = 0.05, 3  # share and number of the groups that give zero and noise
FOREIGN_NOISES, FOREIGN_SHARE = 10.0, 0.01  # limit above zero: times noise, of highest reading
LEAST_FOREIGN = 2  # groups

PLACE = ("channel", "frequency_khz", "antenna")  # of a transmission; see `places`
TRANSMISSIONS = {
    "id": int,
    "start_ns": int,
    "end_ns": int,
    "channel": float,
    "forward_w_mean": float,
    "forward_w_max": float,
    "reflected_w_mean": float,
    "swr": float,
    "swr_noise_low": float,
    "swr_noise_high": float,
    "settled_samples": int,
    "flags": int,
}
SECONDS = {
    "time_ns": int,
    "transmission_id": int,
    "forward_w": float,
    "reflected_w": float,
    "swr": float,
    "swr_noise_low": float,
    "swr_noise_high": float,
    "samples": int,
    "forward_v": float,
    "reflected_v": float,
}
EXCURSIONS = {
    "time_ns": int,
    "duration_ms": float,
    "swr_peak": float,
    "swr_beside": float,
    "channel": float,
}
YEAR_AGO = {"start_ns": int, "swr": float, "settled_samples": int}
ALARMS = {"raised_ns": int, "value": float}
UNKEYED = {
    "time_ns": int,
    "forward_v": float,
    "reflected_v": float,
    "forward_sd_v": float,
    "reflected_sd_v": float,
    "foreign": float,
}


@dataclass(frozen=True)
class History:
    """Columns of rows in order of time, each (n,); NaN where a row has no value.

    transmissions, seconds, excursions   as in the schema, times in UTC nanoseconds
    alarms     raised_ns, value, and kind as text
    unkeyed    pairs while nobody transmitted, one row per piece of the archive with such pairs:
               time_ns, forward_v and reflected_v (zeros), forward_sd_v and reflected_sd_v, and
               foreign: 1.0 if the reflected port read a signal meanwhile, else 0.0
    looked_ns  time of each piece examined, with such pairs or without, (m,)
    work_ns    times of repairs and adjustments
    per_c      d ln rho / d temperature of the shack of each transmission's reading, NaN if the
               calibration is missing or not valid; None if not determined
    year_old   channels (NO_CHANNEL without one) in use more than a year before the time in question
    year_ago   transmissions of the same weeks a year before: start_ns with that year added, swr,
               settled_samples and channel; None if not determined
    places     those of numbers below NO_CHANNEL in the column `channel`, which stand for antennas
               with channels and for segments of bands
    """

    since_ns: int
    until_ns: int
    transmissions: Columns
    seconds: Columns
    excursions: Columns
    alarms: Columns
    unkeyed: Columns
    looked_ns: Times
    work_ns: tuple[int, ...] = ()
    year_old: frozenset[float] = frozenset()
    per_c: Floats | None = None
    year_ago: Columns | None = None
    places: Mapping[float, ComparedPlace] = field(default_factory=dict)


class ComparedPlace(NamedTuple):
    """Where readings are compared: its name, its channel if it has one, and its group.

    In a group, of one antenna and band, a sound load changes smoothly from place to place.
    """

    name: str
    channel: int | None = None
    group: str = ""


class _Places:
    """Numbers for places: the channel, NO_CHANNEL, or a number below that."""

    def __init__(self) -> None:
        self.places: dict[float, ComparedPlace] = {}
        self._numbers: dict[ComparedPlace, float] = {}

    def number(self, channel: int | None, khz: float | None, antenna: str | None) -> float:
        """Return the number of a place."""
        if antenna is None and (channel is not None or khz is None):
            return NO_CHANNEL if channel is None else float(channel)
        band = None if channel is not None or khz is None else band_at(khz / 1e3)
        group = f"{antenna or ''}/{'' if band is None else band.name}"
        place = ComparedPlace(place_name(channel, khz, antenna, "all"), channel, group)
        number = self._numbers.setdefault(place, NO_CHANNEL - 1 - len(self._numbers))
        self.places[number] = place
        return number


def read(store: Store, about_ns: int, now_ns: int | None = None) -> History:
    """Return the weeks before and after a time, bounded by work on the station. Raise StoreError.

    Rows after `now_ns`, if given, are ignored.
    """
    work = store.work()
    since_ns = max([about_ns - WEEKS_NS, *(at for at in work if at <= about_ns)])
    until_ns = min([about_ns + WEEKS_NS, *(at for at in work if at > about_ns)])
    if now_ns is not None:
        until_ns = min(until_ns, now_ns)

    def table(name: str, fields: Mapping[str, type], time: str, most: int) -> Columns:
        rows = store.latest(name, tuple(fields), time, since_ns, until_ns, most)
        return columns(fields, rows)

    fields = (*TRANSMISSIONS, "calibration_id", *PLACE)
    rows = store.latest("transmissions", fields, "start_ns", since_ns, until_ns, MOST_TRANSMISSIONS)
    places = _Places()
    transmissions = {
        **columns(TRANSMISSIONS, rows),
        "channel": np.array([places.number(*row[-3:]) for row in rows], dtype=np.float64),
    }
    alarm_rows = store.latest(
        "alarms", ("raised_ns", "value", "kind"), "raised_ns", since_ns, until_ns, MOST_ROWS
    )
    unkeyed, looked_ns, has_temperature = _unkeyed(store, since_ns, until_ns, transmissions)
    return History(
        since_ns,
        until_ns,
        transmissions,
        table("seconds", SECONDS, "time_ns", MOST_SECONDS),
        table("excursions", EXCURSIONS, "time_ns", MOST_ROWS),
        {**columns(ALARMS, alarm_rows), "kind": np.array([row[2] for row in alarm_rows], object)},
        unkeyed,
        looked_ns,
        tuple(at for at in work if since_ns <= at < until_ns),
        frozenset(
            places.number(*row)
            for row in store.latest(
                "transmissions", PLACE, "start_ns", 0, about_ns - YEAR_NS, MOST_TRANSMISSIONS
            )
        ),
        _per_c(store, transmissions, np.array([row[-4] for row in rows]), has_temperature),
        _year_ago(store, since_ns, until_ns, places),
        places.places,
    )


def _year_ago(store: Store, since_ns: int, until_ns: int, places: _Places) -> Columns:
    rows = store.latest(
        "transmissions",
        (*YEAR_AGO, *PLACE),
        "start_ns",
        since_ns - YEAR_NS,
        until_ns - YEAR_NS,
        MOST_TRANSMISSIONS,
    )
    table = columns(YEAR_AGO, rows)
    return {
        **table,
        "start_ns": table["start_ns"] + YEAR_NS,
        "channel": np.array([places.number(*row[-3:]) for row in rows], dtype=np.float64),
    }


def _per_c(
    store: Store, transmissions: Columns, calibration_ids: NDArray[Any], has_temperature: bool
) -> Floats:
    """Return the effect of the shack's temperature on each transmission's reading, (n,)."""
    per_c = np.full(len(calibration_ids), np.nan)
    rho = rho_of_swr(np.clip(transmissions["swr"], 1.0, HIGHEST_SWR))
    texts = store.calibrations()
    for name in np.unique(calibration_ids):
        own = calibration_ids == name
        try:
            coupler = Coupler(parse(texts.get(str(name)) or "", f"calibration {name}"))
        except CalibrationError:
            continue
        forward_w = transmissions["forward_w_mean"][own]
        per_c[own] = ln_rho_per_c(coupler, forward_w, rho[own], is_corrected=has_temperature)
    return per_c


def columns(fields: Mapping[str, type], rows: Sequence[Sequence[Any]]) -> Columns:
    """Return rows that begin with `fields` as columns, (n,)."""
    return {
        name: np.array(
            [np.nan if row[place] is None else row[place] for row in rows],
            dtype=np.int64 if kind is int else np.float64,
        )
        for place, (name, kind) in enumerate(fields.items())
    }


def unkeyed_volts(volts: Floats) -> tuple[float, float]:
    """Return the zero and the noise of one port from unkeyed readings.

    They may include weak speech and other transmitters, which raise the reading and may last for
    most of a piece, so the lowest groups give both.
    """
    groups = volts[: len(volts) // GROUP * GROUP].reshape(-1, GROUP)
    means = groups.mean(axis=1)
    lowest = np.argsort(means)[: max(math.ceil(LOWEST * len(means)), LEAST_LOWEST)]
    variances = 0.5 * (np.diff(groups[lowest], axis=1) ** 2).mean(axis=1)
    return float(np.median(means[lowest])), math.sqrt(float(np.median(variances)))


def has_signal(volts: Floats, zero_v: float, sd_v: float, highest_v: float) -> bool:
    """True if some groups of unkeyed readings of a port are far above its zero."""
    groups = volts[: len(volts) // GROUP * GROUP].reshape(-1, GROUP)
    limit_v = zero_v + FOREIGN_NOISES * sd_v + FOREIGN_SHARE * highest_v
    return int((groups.min(axis=1) > limit_v).sum()) >= LEAST_FOREIGN


def _unkeyed(
    store: Store, since_ns: int, until_ns: int, transmissions: Columns
) -> tuple[Columns, Times, bool]:
    """Return the unkeyed readings of pieces of the archive, and the times of all pieces.

    The last value is True if all pieces have the temperature of their pairs.
    """
    rows: list[tuple[float, ...]] = []
    piece_ns: list[int] = []
    has_temperature = True
    starts, ends = transmissions["start_ns"], transmissions["end_ns"]
    for pairs in store.archive.spread(since_ns, until_ns, SEGMENTS):
        times = pairs.time_ns
        piece_ns.append(int(times[len(times) // 2]))
        celsius = coupler_temperature(pairs.aux)
        has_temperature &= celsius is not None and bool(np.isfinite(celsius).all())
        # Latest transmission begun before each pair, and a mask of pairs after its end.
        at = np.searchsorted(starts, times, side="right") - 1
        quiet = (at < 0) | (times > ends[at] + REST_NS) if len(starts) else times > 0
        if len(starts):
            following = starts[np.minimum(at + 1, len(starts) - 1)]
            quiet &= (following <= times) | (times < following - AHEAD_NS)
        if quiet.sum() < LEAST_QUIET:
            continue
        zeros, noises = zip(
            *(unkeyed_volts(side[quiet]) for side in (pairs.forward_v, pairs.reflected_v)),
            strict=True,
        )
        highest_v = float(pairs.forward_v.max())
        is_foreign = has_signal(pairs.reflected_v[quiet], zeros[1], noises[1], highest_v)
        rows.append((int(np.median(times[quiet])), *zeros, *noises, float(is_foreign)))
    piece_times = np.array(piece_ns, dtype=np.int64)
    return columns(UNKEYED, rows), piece_times, has_temperature and bool(piece_ns)
