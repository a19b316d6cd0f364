"""Sanity of the independent antennas: against published values from memory, and of themselves."""

import numpy as np
import pytest

from tests.foreign_antennas import (
    KINDS,
    LIGHT,
    MOST_SWR,
    CuttingSession,
    dipole_impedance,
    mutual_impedance,
    random_antenna,
)

KHZ = 27_185.0
WAVELENGTH = LIGHT / KHZ


def test_half_wave_dipole_has_the_textbook_impedance() -> None:
    # 73 + j42.5 ohm, from memory.
    z = dipole_impedance(KHZ, WAVELENGTH / 2, 1e-4)
    assert complex(z) == pytest.approx(73.1 + 42.5j, abs=0.3)


def test_thin_dipole_resonates_near_0_48_wavelengths_with_about_70_ohm() -> None:
    # 0.475 to 0.49 wavelengths and 65 to 72 ohm for wires, from memory.
    lengths = np.linspace(0.45, 0.5, 1001) * WAVELENGTH
    z = dipole_impedance(KHZ, lengths, 1e-3)
    resonant = int(np.argmin(np.abs(z.imag)))
    assert 0.475 < lengths[resonant] / WAVELENGTH < 0.49
    assert 65 < z[resonant].real < 72


def test_thick_dipole_resonates_shorter() -> None:
    reactance = [float(dipole_impedance(KHZ, 0.48 * WAVELENGTH, r).imag) for r in (1e-3, 0.03)]
    assert reactance[1] > reactance[0]


def test_short_dipole_has_the_textbook_radiation_resistance() -> None:
    # 20 pi^2 (l / wavelength)^2 for a triangular current, from memory.
    z = dipole_impedance(KHZ, WAVELENGTH / 20, 1e-3)
    assert float(z.real) == pytest.approx(20 * np.pi**2 / 400, rel=0.03)


def test_mutual_impedance_has_the_textbook_values() -> None:
    # -12.5 - j29.9 ohm at half a wavelength; equal to the dipole's own at no distance.
    half = WAVELENGTH / 2
    assert complex(mutual_impedance(KHZ, half, half)) == pytest.approx(-12.5 - 29.9j, abs=0.2)
    assert complex(mutual_impedance(KHZ, half, 1e-4)) == pytest.approx(73.1 + 42.5j, abs=0.3)


@pytest.mark.parametrize("kind", KINDS)
def test_truth_is_the_least_worst_swr(kind: str) -> None:
    for seed in range(5):
        antenna = random_antenna(seed, kind)
        truth = antenna.truth
        around = truth.best_length_mm * np.linspace(0.98, 1.02, 41)
        assert truth.worst_swr <= float(antenna.worst_swr(around).min()) + 1e-6
        assert 1 <= truth.worst_swr <= MOST_SWR
        assert antenna.worst_swr(antenna.start_length_mm) > truth.worst_swr


@pytest.mark.parametrize("kind", KINDS)
def test_no_antenna_gives_power(kind: str) -> None:
    for seed in range(10):
        antenna = random_antenna(seed, kind)
        frequencies = antenna.channels_khz[1] * np.linspace(0.97, 1.03, 31)[:, None]
        lengths = np.linspace(*antenna.range_mm, 60)
        assert np.abs(antenna.reading(frequencies, lengths)).max() < 1
        assert np.abs(antenna.shack_reading(frequencies, lengths)).max() < 1


def test_shorter_whips_are_more_sensitive_per_mm() -> None:
    medians = [
        np.median(
            [
                antenna.truth.khz_per_mm
                for antenna in (random_antenna(seed, kind) for seed in range(12))
                if antenna.channels_khz[1] > 26_000
            ]
        )
        for kind in ("whip", "base_loaded", "top_loaded")
    ]
    assert 6 < medians[0] < 10
    assert medians[1] > 1.4 * medians[0]
    assert medians[2] > 3 * medians[0]


def test_many_two_resonance_antennas_show_two_minima() -> None:
    def count_minima(seed: int) -> int:
        antenna = random_antenna(seed, "two_resonances")
        frequencies = np.linspace(0.93, 1.07, 501) * antenna.channels_khz[1]
        swr = antenna.swr(frequencies, antenna.truth.best_length_mm)
        return int(np.sum((swr[1:-1] < swr[:-2]) & (swr[1:-1] < swr[2:])))

    assert sum(count_minima(seed) >= 2 for seed in range(30)) >= 12


def test_equal_seeds_give_equal_antennas_and_sessions() -> None:
    def play() -> list[float]:
        session = CuttingSession(random_antenna(11), seed=2, careless=True)
        return [
            session.read_swr(session.antenna.channels_khz[1]),
            session.shorten(10.0),
            session.length_mm,
            session.measure_length(),
        ]

    assert play() == play()


def test_line_loss_hides_reflection_from_the_shack() -> None:
    antenna = random_antenna(5, "dipole")
    length = antenna.start_length_mm
    assert abs(antenna.shack_reading(KHZ, length)) < abs(antenna.reading(KHZ, length)) + 0.02


def test_only_sliding_elements_can_be_lengthened() -> None:
    antenna = next(a for a in map(random_antenna, range(50)) if not a.can_lengthen)
    with pytest.raises(ValueError, match="only be cut"):
        CuttingSession(antenna, seed=0).shorten(-5.0)
