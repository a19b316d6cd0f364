"""Departures of given size, length and spacing on a carrier: which of them are excursions."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler
from logger.physics.reflection import swr
from logger.pipeline import Pipeline
from logger.rows import Excursion
from tests.station_model import exact, random_station
from tests.station_model.pipeline import Settings
from tests.station_model.station import EPOCH_NS

RATE_HZ = 200
STEP_MS = 1e3 / RATE_HZ
KEYED = slice(600, 3000)  # pairs
COUPLER = Coupler(exact(random_station(np.random.default_rng(3)).coupler))
RHO, WATTS = 0.2, 4.0


def excursions(
    rho: np.ndarray, watts: np.ndarray | float = WATTS, *, noise_v: float = 1e-4, seed: int = 1
) -> list[Excursion]:
    """Excursions of a transmission with a reflection coefficient and a power for each pair."""
    rng = np.random.default_rng(seed)
    count = KEYED.start + len(rho) + 800
    forward_w, reflected_w = np.zeros(count), np.zeros(count)
    forward_w[KEYED.start : KEYED.start + len(rho)] = watts
    reflected_w[KEYED.start : KEYED.start + len(rho)] = watts * rho**2
    forward_v, reflected_v = (
        port.volts(power_w) + noise_v * rng.standard_normal(count)
        for port, power_w in ((COUPLER.forward, forward_w), (COUPLER.reflected, reflected_w))
    )
    time_ns = EPOCH_NS + np.arange(count) * (10**9 // RATE_HZ)
    pipeline = Pipeline(Settings(), COUPLER)
    rows = pipeline.process(SampleBlock(time_ns, forward_v, reflected_v, {}, (0.0, 0.0), 3.3))
    return [row for row in [*rows, *pipeline.finish()] if isinstance(row, Excursion)]


def level(count: int = 2400) -> np.ndarray:
    return np.full(count, RHO)


def begin_ns(place: int) -> int:
    """The time of a pair of the transmission."""
    return EPOCH_NS + (KEYED.start + place) * (10**9 // RATE_HZ)


@pytest.mark.parametrize("pairs", [1, 2, 4, 20, 100, 190])
@pytest.mark.parametrize("away", [0.3, 0.8, 0.1])
def test_a_departure_has_its_time_length_and_size(pairs: int, away: float) -> None:
    rho = level()
    rho[1001 : 1001 + pairs] = away
    (row,) = excursions(rho)
    assert row.time_ns == begin_ns(1001)
    assert row.duration_ms == pytest.approx(pairs * STEP_MS)
    assert row.swr_peak == pytest.approx(float(swr(away)), rel=0.01)
    assert row.swr_beside == pytest.approx(1.5, rel=0.002)


def test_the_peak_is_the_furthest_pair() -> None:
    rho = level()
    rho[1000:1010] = 0.58
    rho[1004] = 0.6
    (row,) = excursions(rho)
    assert row.swr_peak == pytest.approx(4.0, rel=0.01)


def test_the_furthest_pair_of_a_fall_is_the_lowest() -> None:
    rho = level()
    rho[1000:1010] = 0.07
    rho[1004] = 0.05
    (row,) = excursions(rho)
    assert row.swr_peak == pytest.approx(float(swr(0.05)), rel=0.005)


@pytest.mark.parametrize(("away", "count"), [(0.202, 0), (0.205, 1), (0.198, 0), (0.195, 1)])
def test_some_thousandths_are_a_departure_of_a_steady_carrier(away: float, count: int) -> None:
    rho = level()
    rho[1000:1010] = away
    assert len(excursions(rho, noise_v=1e-5)) == count


@pytest.mark.parametrize(("length_s", "count"), [(0.97, 1), (1.05, 0), (3.0, 0)])
def test_what_lasts_longer_than_a_second_is_none(length_s: float, count: int) -> None:
    rho = level()
    rho[1000 : 1000 + round(length_s * RATE_HZ)] = 0.5
    assert len(excursions(rho)) == count


def test_a_step_that_stays_is_none() -> None:
    rho = level()
    rho[1200:] = 0.5
    assert excursions(rho) == []


@pytest.mark.parametrize(("back", "count"), [(1, 1), (3, 2), (4, 2), (8, 2), (60, 2)])
def test_departures_apart_by_pairs_at_the_level_are_two(back: int, count: int) -> None:
    """Two pairs in a row that are back at the level end a departure, if 15 ms have passed."""
    rho = level()
    rho[1000:1008] = 0.6
    rho[1008 + back : 1014 + back] = 0.6
    found = excursions(rho)
    assert len(found) == count
    if count == 1:
        assert found[0].duration_ms == pytest.approx((14 + back) * STEP_MS)
    else:
        assert [row.duration_ms for row in found] == pytest.approx([40.0, 30.0])
        assert found[1].time_ns == begin_ns(1008 + back)


@pytest.mark.parametrize("place", [0, 1, 2398, 2399])
def test_edges_of_a_transmission_are_none(place: int) -> None:
    """Fewer than two pairs before or after say nothing of where the reflection came from."""
    rho = level()
    rho[place] = 0.6
    assert excursions(rho) == []


@pytest.mark.parametrize(("place", "count"), [(4, 1), (2390, 1)])
def test_a_departure_near_an_edge_is_one(place: int, count: int) -> None:
    rho = level()
    rho[place : place + 3] = 0.6
    assert len(excursions(rho)) == count


def test_levels_on_either_side_must_agree_that_it_went_away() -> None:
    """Up to one level, up again to another: not away and back."""
    rho = level()
    rho[1000:1010] = 0.3
    rho[1010:] = 0.4
    assert excursions(rho) == []
    rho[1010:] = 0.22  # and back, nearly
    (row,) = excursions(rho)
    assert row.duration_ms == pytest.approx(50.0)


@pytest.mark.parametrize(("scatter", "count"), [(0.01, 1), (0.06, 0)])
def test_scatter_beside_it_hides_a_departure(scatter: float, count: int) -> None:
    """Wind or hum: pairs beside that scatter by a third of the departure's size say nothing."""
    rng = np.random.default_rng(2)
    rho = level() + scatter * rng.uniform(-1, 1, 2400)
    rho[1000:1010] = 0.35
    assert len(excursions(rho)) == count


@pytest.mark.parametrize(("away", "count"), [(0.27, 0), (0.33, 1)])
def test_where_power_moves_a_departure_must_be_larger(away: float, count: int) -> None:
    """Each detector follows in its own way: less than a tenth is none beside moving power."""
    rho = level()
    rho[1000:1006] = away
    watts = WATTS * (1 + 0.15 * np.sin(np.arange(2400) * 2 * np.pi / 40))
    assert len(excursions(rho, watts, noise_v=1e-5)) == count
    assert len(excursions(rho, noise_v=1e-5)) == 1  # of a steady carrier


def test_noise_of_the_converter_hides_what_one_pair_cannot_tell() -> None:
    """Weak carrier, reflected readings of a few noise deviations: a short departure is lost in
    noise, and a long one of the same size is not."""
    counts = []
    for pairs in (1, 40):
        rho = level()
        rho[1000 : 1000 + pairs] = 0.27
        counts.append(sum(len(excursions(rho, 0.6, noise_v=1e-3, seed=seed)) for seed in range(3)))
    assert counts[0] <= 1
    assert counts[1] == 3


def test_noise_alone_is_none() -> None:
    for seed in range(4):
        assert excursions(level(), 0.6, noise_v=4e-3, seed=seed) == []
        assert excursions(level(), noise_v=1e-2, seed=seed) == []


def test_a_missing_pair_ends_a_departure_at_the_next() -> None:
    """Its end is that of the first pair after it, within two steps of its last."""
    rho = level()
    rho[1000:1010] = 0.6
    (whole,) = excursions(rho)
    assert whole.time_ns + round(whole.duration_ms * 1e6) == begin_ns(1010)


@pytest.mark.parametrize("shift", [0, 7, 23, 49])
def test_the_place_in_a_quarter_is_no_matter(shift: int) -> None:
    rho = level()
    rho[1000 + shift : 1010 + shift] = 0.4
    (row,) = excursions(rho)
    assert row.time_ns == begin_ns(1000 + shift)
    assert row.duration_ms == pytest.approx(50.0)


def test_many_departures_are_as_many_excursions() -> None:
    rho = level()
    starts = np.arange(300, 2200, 70)
    for start in starts:
        rho[start : start + 6] = 0.5
    found = excursions(rho)
    assert [row.time_ns for row in found] == [begin_ns(start) for start in starts]
    assert {round(row.duration_ms) for row in found} == {30}
