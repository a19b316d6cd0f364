"""The generators by other formulas: their readings agree with the truth they return."""

from __future__ import annotations

import numpy as np
import pytest

from logger.store.writer import StoreWriter
from tests import foreign_couplers, foreign_years
from tests.foreign_couplers import KINDS, bench_points, draw_bench, draw_coupler, volts
from tests.foreign_years import make_five_bands, make_years


@pytest.mark.parametrize("make", [make_years, make_five_bands])
def test_a_seed_gives_one_history(make) -> None:
    first, again, other = make(3), make(3), make(4)
    np.testing.assert_array_equal(first.swr, again.swr)
    np.testing.assert_array_equal(first.truth.season, again.truth.season)
    assert len(first.swr) != len(other.swr) or np.nanmax(np.abs(first.swr - other.swr)) > 0


@pytest.mark.parametrize("seed", range(6))
def test_readings_follow_the_truth(seed: int) -> None:
    history = make_years(seed, years=2, channels=1 + seed % 5)
    assert np.all(np.diff(history.times_ns) > history.duration_s[:-1] * 1e9)
    day = ((history.times_ns - history.start_ns) // foreign_years.DAY_NS).astype(int)
    expected = (history.truth.steady + history.truth.season)[day, history.channel]
    assert np.nanmedian(np.abs(history.swr - expected)) < 0.08
    readable = np.isfinite(history.swr)
    assert 0.9 < readable.mean() < 1
    assert np.all((history.low < history.noise_low)[readable] | (history.low == 1)[readable])
    assert np.all((history.noise_high < history.high)[readable])


@pytest.mark.parametrize("seed", range(6))
def test_steps_and_repairs_move_the_steady_part(seed: int) -> None:
    history = make_years(seed, steps=3, slope=0.0, growth=0.0)
    truth = history.truth
    assert len(truth.steps) == 3
    events = [*truth.steps, *truth.repairs]
    moved = sum(event.sizes for event in events)
    np.testing.assert_allclose(truth.steady[-1] - truth.steady[0], moved, atol=1e-9)
    for step in truth.steps:
        assert 0.09 < np.abs(step.sizes).max() < 0.61


def test_noise_intervals_cover_where_there_is_no_weather() -> None:
    history = make_years(5, weather=0.0)
    inside = (history.noise_low <= history.quiet) & (history.quiet <= history.noise_high)
    assert 0.94 < inside[np.isfinite(history.swr)].mean() < 0.965


def test_given_steps_are_taken() -> None:
    history = make_years(1, steps=[(200, 0.3), (230, -0.2)], repairs=False)
    first, second = history.truth.steps
    assert (first.day, second.day) == (200, 230)
    assert 0.29 < first.sizes[np.abs(first.sizes).argmax()] < 0.41
    assert -0.31 < second.sizes[np.abs(second.sizes).argmax()] < -0.19


def test_a_store_takes_a_history(tmp_path) -> None:
    history = make_five_bands(2, years=1, steps=2)
    path = tmp_path / "station.sqlite"
    store = StoreWriter.open(path)
    foreign_years.write_store(store, history, with_weather=True)
    counts = store.counts()
    store.close()
    assert counts["transmissions"] == len(history.swr)


@pytest.mark.parametrize("kind", KINDS)
def test_volts_rise_with_power_and_fit_the_law_of_squares(kind: str) -> None:
    coupler = draw_coupler(1, kind)
    output = coupler.forward.volts(np.geomspace(1e-4, 60, 500))
    assert np.all(np.diff(output) > 0)
    small = coupler.forward.volts(np.array([0, 1e-4, 2e-4]))
    assert small[0] == 0
    assert small[2] / small[1] == pytest.approx(4, rel=0.05)
    large = coupler.forward.volts(np.array([20.0]))
    assert 0.05 < large[0] < 20.5


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_of_a_detector_agrees_with_its_law(kind: str) -> None:
    detector = draw_coupler(2, kind).forward
    if kind == "logarithmic":
        return
    peaks = np.geomspace(3e-4, 50, 37)
    np.testing.assert_allclose(detector.volts(peaks), detector.solve(peaks), rtol=2e-3)


@pytest.mark.parametrize("seed", range(4))
def test_a_perfect_load_shows_directivity(seed: int) -> None:
    coupler = draw_coupler(seed, "cycle", coupling_db=20.0)
    angle = np.linspace(0, 2 * np.pi, 181)
    reading = volts(coupler, 10.0, 0.5 * np.exp(1j * angle))
    heard = np.abs(0.5 * np.exp(1j * angle) + coupler.leak_into_reflected)
    rising = np.argsort(heard)
    assert np.all(np.diff(reading.reflected_v[rising]) >= -1e-12)
    np.testing.assert_allclose(reading.swr, 3.0)
    np.testing.assert_allclose(reading.reflected_w, 2.5)


def test_the_converter_clips_and_steps() -> None:
    coupler = draw_coupler(3, "germanium", bits=10)
    reading = volts(coupler, np.linspace(0, 20, 2000), 0.1, seed=1)
    for side in (reading.forward_v, reading.reflected_v):
        assert side.min() >= 0
        assert side.max() < coupler.full_scale_v
        np.testing.assert_allclose(side / coupler.step_v, np.round(side / coupler.step_v))


def test_bench_points_have_the_conditions_and_the_error_of_the_meter() -> None:
    coupler, bench = draw_coupler(4), draw_bench(4)
    text = bench_points(coupler, (0.5, 1, 2, 4), 4, bench=bench)
    assert text == bench_points(coupler, (0.5, 1, 2, 4), 4)
    header, *lines = text.splitlines()
    assert header == "condition,power_w,forward_v,reflected_v"
    cells = [line.split(",") for line in lines]
    count = {name: sum(row[0] == name for row in cells) for name, *_ in cells}
    assert count == {"matched": 5, "reversed": 5, "open": 3, "short": 3}
    highest = [float(row[1]) for row in cells if row[0] == "matched"][-1]
    assert highest == pytest.approx(4 * bench.meter_factor, abs=4 * 5 * bench.meter_noise)
    assert 0.01 - 1e-9 <= abs(bench.load_gamma) <= 0.1


def test_power_with_no_wave_is_offset_alone() -> None:
    coupler = draw_coupler(5)
    reading = volts(coupler, 0.0, foreign_couplers.draw_bench(5).load_gamma)
    assert float(reading.forward_v) == pytest.approx(max(coupler.offsets_v[0], 0))
