"""How many examples a property is tried with: few in each run of the tests, many each night.

Hypothesis draws other examples each time, so the few of many runs are as good as many of one, and
`tests/nightly` multiplies them.
"""

from __future__ import annotations

import os

from hypothesis import settings

FACTOR = int(os.environ.get("MISMATCHD_EXAMPLES", "1"))


def examples(few: int) -> settings:
    """Settings of a property that costs more than a few milliseconds an example."""
    return settings(max_examples=few * FACTOR)
