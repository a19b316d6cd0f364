"""Mann-Kendall and Theil-Sen against published examples and against other libraries."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pymannkendall
import pytest
import scipy.stats
import yaml
from hypothesis import given
from hypothesis import strategies as st

from logger.trend.nonparametric import MannKendall, TheilSen, seasonal

EXAMPLES = yaml.safe_load((Path(__file__).parent / "references/trend_examples.yaml").read_text())


def one_season(time: Sequence[float], value: Sequence[float]) -> tuple[MannKendall, TheilSen]:
    result = seasonal([(time, value)])
    assert result is not None
    return result


@pytest.mark.parametrize("name", EXAMPLES)
def test_published_examples(name: str) -> None:
    example = EXAMPLES[name]
    value = example["value"]
    time = example.get("time", range(len(value)))
    test, slope = one_season(time, value)
    found: dict[str, Any] = {
        "S": test.s,
        "var_S": test.variance,
        "tau": test.s / (len(value) * (len(value) - 1) / 2),
        "z": test.z,
        "p_two_sided": test.p_value,
        "sen_slope": slope.slope,
        "slope_ci95": [slope.low, slope.high],
    }
    for figure, printed in {**example["published"], **example.get("computed", {})}.items():
        assert found[figure] == pytest.approx(printed, rel=3e-4), figure


@given(st.lists(st.integers(0, 30), min_size=4, max_size=60))
def test_agrees_with_pymannkendall_and_scipy(value: list[int]) -> None:
    ours, slope = one_season(range(len(value)), value)
    theirs = pymannkendall.original_test(value)
    if ours.variance > 0:  # without any spread pymannkendall divides by nothing
        assert (ours.s, ours.variance) == pytest.approx((theirs.s, theirs.var_s))
        assert (ours.z, ours.p_value) == pytest.approx((theirs.z, theirs.p), abs=1e-12)
    assert slope.slope == pytest.approx(theirs.slope)
    assert slope.slope == pytest.approx(scipy.stats.theilslopes(value)[0])


@given(st.integers(3, 12), st.integers(0, 9999))
def test_seasons_agree_with_pymannkendall(years: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.normal(0, 1, (years, 12)) + 0.1 * np.arange(years)[:, None]
    found = seasonal([(np.arange(years), value[:, month]) for month in range(12)])
    assert found is not None
    test, slope = found
    theirs = pymannkendall.seasonal_test(value.ravel(), period=12)
    joint = pymannkendall.correlated_seasonal_test(value.ravel(), period=12)
    assert test.s == theirs.s
    assert slope.slope == pytest.approx(theirs.slope)
    # Whichever leaves more doubt counts.
    assert test.variance == pytest.approx(max(theirs.var_s, joint.var_s))


def test_nothing_to_compare() -> None:
    assert seasonal([([2020], [1.5]), ([2020], [1.6])]) is None
    assert one_season([0, 1, 2], [1.5, 1.5, 1.5])[0].p_value == 1.0
