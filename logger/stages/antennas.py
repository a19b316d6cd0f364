"""The antenna in use: by the bridge, the band, the journal, or the SWR of transmissions. Pure.

This module is responsible for the antenna of each pair. Input: times and auxiliary columns, and the
journal's changes of antenna. Output: the column `antenna` with the number of the antenna. Where
that is not known, `LevelNames` names the antenna of ended transmissions by the SWR of each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from logger.blocks import Floats, Times
from logger.config.load import AntennaOptions, StationOptions, antenna_numbers
from logger.physics.reflection import rho_of_swr
from logger.rows import SecondRows, Transmission
from logger.wording import join

COLUMN = "antenna"
NEAR_RHO = 0.04  # from the stated level: weather and season; SWR 1.10 to 1.28 for 1.18


def describe_unknown(names: Sequence[str]) -> str:
    """Return what to do about names in the journal that no configured antenna has."""
    subject = "is no configured antenna" if len(names) == 1 else "are no configured antennas"
    return (
        f"{join([repr(name) for name in names])} in the journal {subject}, so such an entry has no"
        " effect; `mismatchd journal list --kind antenna` shows them, `mismatchd journal edit ID"
        " --text NAME` corrects one"
    )


class Antennas:
    """Finds the antenna of pairs; of several that are possible, the journal's latest is in use.

    Without configured antennas all pairs are of the same, unnamed one.
    """

    def __init__(self, antennas: Sequence[AntennaOptions], station: StationOptions) -> None:
        self._antennas = antennas
        self._station = station
        self._numbers = antenna_numbers(antennas)
        self._names = dict(zip(self._numbers, (antenna.name for antenna in antennas), strict=True))
        self._changes: list[tuple[int, str]] = []

    def know_changes(self, changes: Iterable[tuple[int, str]]) -> list[str]:
        """Set all changes of antenna in the journal: time and name, in order of time.

        Return the names that no configured antenna has; such changes have no effect.
        """
        self._changes = list(changes)
        known = {antenna.name for antenna in self._antennas}
        names = dict.fromkeys(name for _, name in self._changes)
        return [name for name in names if name not in known] if known else []

    def name(self, number: float) -> str | None:
        """Return the name of an antenna, None if it is not known."""
        return None if math.isnan(number) else self._names.get(number, f"antenna {number:g}")

    def mark(self, time_ns: Times, aux: Mapping[str, Floats]) -> Mapping[str, Floats]:
        """Return auxiliary columns of pairs at `time_ns` (n,) with that of the antenna, (n,).

        NaN where it is not known. The column is left out if no antennas are configured.
        """
        if not self._antennas:
            return {name: column for name, column in aux.items() if name != COLUMN}
        reported = aux.get(COLUMN)
        numbers = np.full(len(time_ns), np.nan) if reported is None else reported.copy()
        unknown = np.isnan(numbers)
        if unknown.any():
            khz = self._frequencies(aux, len(time_ns))[unknown]
            numbers[unknown] = self._by_band(time_ns[unknown], khz)
        return {**aux, COLUMN: numbers}

    def _frequencies(self, aux: Mapping[str, Floats], count: int) -> Floats:
        """Return the frequency of each pair in kHz, NaN where it is not known, (count,)."""
        khz = aux.get("frequency_khz", np.full(count, np.nan))
        channel = aux.get("channel")
        if channel is None:
            channel = np.full(count, self._station.channel or np.nan)
        numbers, place = np.unique(channel, return_inverse=True)
        plan = self._station.channels
        planned_khz = 1e3 * np.array([plan.get(number, np.nan) for number in numbers.tolist()])
        khz = np.where(np.isnan(khz), planned_khz[place], khz)
        return np.where(np.isnan(khz), self._station.frequency_khz or np.nan, khz)

    def _by_band(self, time_ns: Times, khz: Floats) -> Floats:
        """Return the numbers of the antennas at these times and frequencies, (n,)."""
        numbers = np.full(len(khz), np.nan)
        for value in np.unique(khz):
            at = np.isnan(khz) if np.isnan(value) else khz == value
            numbers[at] = self._in_use(self._candidates(float(value)), time_ns[at])
        return numbers

    def _candidates(self, khz: float) -> list[float]:
        """Return the numbers of the antennas that may be in use at a frequency, NaN if unknown."""
        return [
            number
            for number, antenna in zip(self._numbers, self._antennas, strict=True)
            if math.isnan(khz)
            or not antenna.bands
            or any(1e3 * band.low_mhz <= khz <= 1e3 * band.high_mhz for band in antenna.ranges)
        ]

    def levels(self, channel: int | None, khz: float | None) -> dict[str, float]:
        """Return the stated reflection coefficient of each antenna that may be in use, by name.

        Empty if it is not stated for all of them.
        """
        place = {"channel": channel, "frequency_khz": khz}
        aux = {name: np.array([value], dtype=np.float64) for name, value in place.items()}
        candidates = self._candidates(float(self._frequencies(aux, 1)[0]))
        levels = {
            self._names[number]: _stated_rho(antenna, channel)
            for number, antenna in zip(self._numbers, self._antennas, strict=True)
            if number in candidates
        }
        known = {name: rho for name, rho in levels.items() if rho is not None}
        return known if len(known) == len(levels) else {}

    @property
    def has_levels(self) -> bool:
        """True if the SWR of any antenna is stated."""
        return any(antenna.swr is not None for antenna in self._antennas)

    def _in_use(self, candidates: Sequence[float], time_ns: Times) -> Floats:
        """Return the number of the antenna in use of these, at each of the times (n,)."""
        if len(candidates) == 1:
            return np.full(len(time_ns), candidates[0])
        names = {self._names[number]: number for number in candidates}
        changes = [(at_ns, names[name]) for at_ns, name in self._changes if name in names]
        times = np.array([at_ns for at_ns, _ in changes], dtype=np.int64)
        numbers = np.array([np.nan, *(number for _, number in changes)])
        return np.asarray(numbers[np.searchsorted(times, time_ns, side="right")])


def _stated_rho(antenna: AntennaOptions, channel: int | None) -> float | None:
    """Return the stated reflection coefficient, between channels a straight line of the SWR."""
    if isinstance(antenna.swr, float):
        return float(rho_of_swr(antenna.swr))
    levels = antenna.levels
    channels = sorted(levels)
    if channel is None or not channels:
        return None
    return float(rho_of_swr(np.interp(channel, channels, [levels[each] for each in channels])))


class _Reading(NamedTuple):
    """Reflection coefficient of a second, and half of its interval from noise."""

    rho: float
    u: float

    def is_near(self, level: float) -> bool:
        """True if it may be the reading of an antenna of this level."""
        return abs(self.rho - level) <= NEAR_RHO + self.u


class LevelNames:
    """Names the antenna of ended transmissions by the stated SWR. State machine over rows.

    The first second decides: a change within a transmission is one of the load, and afterwards only
    the level of the antenna that was in use counts. A level of no antenna is taken for a change of
    the one used last; where several have the level, or noise hides it, the antenna is unknown.
    """

    def __init__(self, antennas: Antennas) -> None:
        self._antennas = antennas
        self._seconds: dict[int, list[_Reading]] = {}  # first and last, by start of transmission
        self._last: str | None = None
        self._has_changed = False  # within a transmission

    def name(self, rows: Sequence[Transmission | SecondRows]) -> list[Transmission | SecondRows]:
        """Return rows of transmissions and all of their seconds with the antenna of ended ones."""
        if not self._antennas.has_levels:
            return list(rows)
        for row in rows:
            if isinstance(row, SecondRows):
                names = ("swr", "swr_noise_low", "swr_noise_high")
                rho, low, high = rho_of_swr([row.figure(name) for name in names])
                readable = np.flatnonzero(~np.isnan(rho))
                readings = [
                    _Reading(float(rho[place]), float(high[place] - low[place]) / 2)
                    for place in readable[[0, -1] if len(readable) else []].tolist()
                ]
                readings = [*self._seconds.get(row.start_ns, []), *readings]
                if readings:
                    self._seconds[row.start_ns] = [readings[0], readings[-1]]
        return [
            self._name(row) if isinstance(row, Transmission) and row.ended else row for row in rows
        ]

    def _name(self, row: Transmission) -> Transmission:
        readings = self._seconds.pop(row.start_ns, None)
        if row.antenna is not None:
            self._last, self._has_changed = row.antenna, False
            return row
        levels = self._antennas.levels(row.channel, row.frequency_khz)
        if readings is None or len(levels) < 2:
            return row
        first, last = readings
        antenna = self._decide(first, levels)
        if antenna is not None:
            self._last = antenna
            level = levels[antenna]
            self._has_changed |= first.is_near(level) and not last.is_near(level)
        return msgspec.structs.replace(row, antenna=antenna)

    def _decide(self, reading: _Reading, levels: Mapping[str, float]) -> str | None:
        if reading.u > NEAR_RHO:
            return None
        near = [name for name, level in levels.items() if reading.is_near(level)]
        if not near:
            return self._last if self._last in levels else None
        if len(near) > 1 or (self._has_changed and near[0] != self._last):
            return None
        self._has_changed = False
        return near[0]


UNNAMED = Antennas((), StationOptions())
