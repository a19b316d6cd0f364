"""The antenna in use: by the bridge, the band, or the journal. Pure.

This module is responsible for the antenna of each pair. Input: times and auxiliary columns, and the
journal's changes of antenna. Output: the column `antenna` with the number of the antenna.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from logger.blocks import Floats, Times
from logger.config.load import AntennaOptions, StationOptions, antenna_numbers
from logger.wording import join

COLUMN = "antenna"


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

    def _in_use(self, candidates: Sequence[float], time_ns: Times) -> Floats:
        """Return the number of the antenna in use of these, at each of the times (n,)."""
        if len(candidates) == 1:
            return np.full(len(time_ns), candidates[0])
        names = {self._names[number]: number for number in candidates}
        changes = [(at_ns, names[name]) for at_ns, name in self._changes if name in names]
        times = np.array([at_ns for at_ns, _ in changes], dtype=np.int64)
        numbers = np.array([np.nan, *(number for _, number in changes)])
        return np.asarray(numbers[np.searchsorted(times, time_ns, side="right")])


UNNAMED = Antennas((), StationOptions())
