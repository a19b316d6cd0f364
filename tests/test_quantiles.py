"""Order statistics, compared with numpy's; a daemon does not load what those need."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from logger.quantiles import distinct, median, normal_quantile, quantile, variance

FLOATS = st.floats(-1e300, 1e300).map(lambda value: value + 0.0)  # no -0.0: equal, in any order
VALUES = arrays(np.float64, st.integers(1, 70), elements=FLOATS)


@given(VALUES, st.floats(0, 1))
def test_values_are_numpys(values: np.ndarray, share: float) -> None:
    with np.errstate(all="ignore"):
        assert quantile(values, share) == np.quantile(values, share)
        assert median(values) == np.median(values)
    assert np.array_equal(distinct(values), np.unique(values))


@given(arrays(np.int64, st.integers(1, 40), elements=st.integers(-(2**62), 2**62)))
def test_whole_numbers(values: np.ndarray) -> None:
    assert median(values) == np.median(values)


def test_nan_is_told() -> None:
    values = np.array([1.0, np.nan, 3.0])
    assert np.isnan(median(values))
    assert np.isnan(quantile(values, 0.0))


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=20))
def test_lists(values: list[float]) -> None:
    assert median(values) == statistics.median(values)
    assert variance(values) == pytest.approx(statistics.variance(values), rel=1e-9, abs=1e-20)


@given(st.floats(1e-12, 0.5))
def test_normal_quantile(share: float) -> None:
    z = normal_quantile(share)
    assert z == pytest.approx(statistics.NormalDist().inv_cdf(share), abs=1e-9)
    assert 0.5 * math.erfc(-z / math.sqrt(2)) == pytest.approx(share, rel=1e-9)
