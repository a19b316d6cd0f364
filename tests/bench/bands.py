"""Sound stations with several bands and antennas over years, and real changes of one antenna.

    python -m tests.bench.bands [--stations N] [--years Y]

Readings are those of series circuits and random walks of weather written out here, none of the
product's. Prints alarms per station and year: of `baseline-shift` while nothing changes, with the
antennas known and without; and the days from a change of one antenna to its alarm.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import msgspec
import numpy as np

from logger.rows import AlarmChange, Transmission
from tests.test_baseline_shift import judged, sent
from tests.test_store import SECOND, T0

DAY_S = 86_400
BANDS_MHZ = ((7.0, 7.2), (14.0, 14.35), (21.0, 21.45), (26.965, 27.405), (28.0, 29.7))
CHANNELS_KHZ = {1: 26_965.0, 20: 27_205.0, 40: 27_405.0}


class Circuit:
    """A series circuit whose resonance and resistance move with season and weather."""

    def __init__(self, rng: np.random.Generator, low_mhz: float, high_mhz: float) -> None:
        self.resonance_khz = 1e3 * rng.uniform(low_mhz, high_mhz)
        self.q = float(rng.uniform(6, 14))
        self.ohm = float(np.exp(rng.uniform(np.log(32), np.log(70))))
        self.season = float(rng.normal(0, 0.001))
        self.weather = 0.0
        self._rng = rng

    def next_day(self) -> None:
        self.weather = 0.8 * self.weather + 0.0004 * self._rng.standard_normal()

    def rho(self, khz: float, day: int, moved: float = 0.0) -> float:
        shift = self.season * np.sin(2 * np.pi * day / 365.25) + self.weather + moved
        detuning = khz / (self.resonance_khz * (1 + shift))
        z = self.ohm * (1 + 1j * self.q * (detuning - 1 / detuning))
        return float(abs((z - 50) / (z + 50)) * (1 + 0.01 * self._rng.standard_normal()))


def five_bands(rng: np.random.Generator, days: int) -> list[Transmission]:
    """One antenna for each of five bands, used at any frequency."""
    circuits = [Circuit(rng, *band) for band in BANDS_MHZ]
    rows = []
    for day in range(days):
        for circuit in circuits:
            circuit.next_day()
        for k in range(int(rng.poisson(6))):
            n = int(rng.integers(len(circuits)))
            khz = 1e3 * float(rng.uniform(*BANDS_MHZ[n]))
            rho = circuits[n].rho(khz, day)
            rows.append(sent(DAY_S * day + 900 * k, rho, channel=None, frequency_khz=khz))
    return rows


def two_antennas(
    rng: np.random.Generator, days: int, moved: float = 0.0, since: int = 0
) -> list[Transmission]:
    """Two antennas on three channels; the resonance of the second moves."""
    circuits = {name: Circuit(rng, 26.6, 27.8) for name in ("vertical", "beam")}
    rows = []
    for day in range(days):
        for circuit in circuits.values():
            circuit.next_day()
        for k in range(int(rng.poisson(6))):
            name = str(rng.choice(list(circuits)))
            channel = int(rng.choice(list(CHANNELS_KHZ)))
            shift = moved * (name == "beam" and day >= since)
            rho = circuits[name].rho(CHANNELS_KHZ[channel], day, shift)
            rows.append(sent(DAY_S * day + 900 * k, rho, channel=channel, antenna=name))
    return rows


def raised(rows: Sequence[Transmission]) -> list[AlarmChange]:
    return [change for change in judged(rows) if change.change == "raised"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=20)
    parser.add_argument("--years", type=float, default=2.0)
    options = parser.parse_args()
    days = round(365.25 * options.years)
    total = options.stations * options.years
    counts = {"five bands": 0, "two antennas": 0, "two antennas, not told": 0}
    delays: list[float] = []
    right = 0
    for seed in range(options.stations):
        rng = np.random.default_rng([7, seed])
        counts["five bands"] += len(raised(five_bands(rng, days)))
        rows = two_antennas(rng, days)
        counts["two antennas"] += len(raised(rows))
        unnamed = [msgspec.structs.replace(row, antenna=None) for row in rows]
        counts["two antennas, not told"] += len(raised(unnamed))
        alarms = raised(two_antennas(rng, 120, 0.01 * float(rng.choice([-1, 1])), 90))
        late = [(a.time_ns - T0) / SECOND / DAY_S - 90 for a in alarms]
        after = [(delay, a) for delay, a in zip(late, alarms, strict=True) if delay >= 0]
        delays += [delay for delay, _ in after[:1]]
        right += sum("(beam)" in a.detail for _, a in after[:1])
    for name, count in counts.items():
        print(f"{name:24}{count / total:6.2f} alarms per station and year")
    print(
        f"resonance of one moves by 1 %: {len(delays)} of {options.stations} reported, {right} with"
        f" its name, median {np.median(delays):.1f} days"
    )


if __name__ == "__main__":
    main()
