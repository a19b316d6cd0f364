"""The generators by other formulas give what they promise; nothing of the product is judged here."""

from __future__ import annotations

import numpy as np
import pytest

from logger.store.database import Store
from tests import foreign_years
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


def test_given_steps_are_taken() -> None:
    history = make_years(1, steps=[(200, 0.3), (230, -0.2)], repairs=False)
    first, second = history.truth.steps
    assert (first.day, second.day) == (200, 230)
    assert 0.29 < first.sizes[np.abs(first.sizes).argmax()] < 0.41
    assert -0.31 < second.sizes[np.abs(second.sizes).argmax()] < -0.19


def test_a_store_takes_a_history(tmp_path) -> None:
    history = make_five_bands(2, years=1, steps=2)
    path = tmp_path / "station.sqlite"
    store = Store.open(path)
    foreign_years.write_store(store, history, with_weather=True)
    counts = store.counts()
    store.close()
    assert counts["transmissions"] == len(history.swr)
