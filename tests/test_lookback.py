"""Which pairs came a given time before: a guess is no matter but for time."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.stages.lookback import FEW, first_since

T0 = 1_790_000_000_000_000_000


@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.one_of(st.integers(1, 20), st.integers(FEW - 2, 3 * FEW)),
    jitter_us=st.sampled_from([0, 1, 900, 4000]),
    missing=st.sampled_from([0.0, 0.003, 0.3]),
    begin=st.integers(0, 40),
    span_us=st.sampled_from([0, 1, 4_999, 5_000, 20_000, 50_001, 10**7]),
)
def test_as_a_search_says(
    seed: int, count: int, jitter_us: int, missing: float, begin: int, span_us: int
) -> None:
    rng = np.random.default_rng(seed)
    steps = 5_000 + rng.integers(-jitter_us, jitter_us + 1, count)
    steps[rng.uniform(size=count) < missing] *= rng.integers(2, 3_000)
    times = T0 + np.cumsum(steps) * 1000
    begin %= count
    found = first_since(times, begin, span_us * 1000)
    assert np.array_equal(found, np.searchsorted(times, times[begin:] - span_us * 1000))
