"""The reference charts against the NIST/SEMATECH e-Handbook's examples and published run lengths
(about 1 s).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.cusum_reference import (
    cusum,
    either,
    ewma,
    ewma_arl,
    ewma_limit,
    first_alarm,
    limit,
    one_sided_arl,
    siegmund,
    two_sided_arl,
)

REFERENCES = Path(__file__).parent / "references"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCES / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def parameters(row: dict[str, str]) -> dict[str, float]:
    return {
        name: float(value) for name, value in (p.split("=") for p in row["parameters"].split(";"))
    }


def test_worked_cusum() -> None:
    table = rows("cusum_nist.csv")
    numbers = [float(row["x"]) for row in table]
    for row, (high, low) in zip(table, cusum(numbers, 325.0, 0.3175), strict=True):
        assert high == pytest.approx(float(row["printed_s_hi"]), abs=0.00501)
        assert low == pytest.approx(float(row["printed_s_lo"]), abs=0.00501)
    standardised = [(number - 325) / 0.635 for number in numbers]
    assert first_alarm(standardised, 0.5, 4.1959 / 0.635) == 14 - 1


def test_worked_ewma() -> None:
    table = rows("ewma_nist.csv")[1:]
    means = list(ewma([float(row["x"]) for row in table], 50.0, 0.3))
    for index, (row, mean) in enumerate(zip(table, means, strict=True), start=1):
        assert mean == pytest.approx(float(row["printed_ewma"]), abs=0.00501)
        near = ewma_limit(2.0539, 0.3, 3.0, index)
        assert 50 + near == pytest.approx(float(row["exact_ucl_i"]), abs=1e-4)
        assert abs(mean - 50) < near
    assert 50 + ewma_limit(2.0539, 0.3, 3.0) == pytest.approx(52.5884, abs=1e-3)
    assert 50 - ewma_limit(2.0539, 0.3, 3.0) == pytest.approx(47.4115, abs=1e-3)


def test_published_run_lengths() -> None:
    told = 0
    for row in rows("arl.csv"):
        if row["chart"].startswith("Shewhart"):
            continue
        given, shift = parameters(row), float(row["shift_sigma"])
        if row["chart"].startswith("Siegmund"):
            found = siegmund(given["k"], given["h"], shift)
            if "two-sided" in row["chart"]:
                found = either(found, siegmund(given["k"], given["h"], -shift))
        elif row["chart"].startswith("EWMA"):
            found = ewma_arl(given["lambda"], given["L"], shift)
        elif "two-sided" in row["chart"]:
            found = two_sided_arl(given["k"], given["h"], shift, given.get("hs", 0.0))
        else:
            found = one_sided_arl(given["k"], given["h"], shift, given.get("hs", 0.0))
        assert found == pytest.approx(float(row["computed_arl"]), rel=2e-4), row
        try:
            published = float(row["published_arl"])
        except ValueError:  # computed only
            continue
        assert found == pytest.approx(published, rel=0.006, abs=0.006), row
        told += 1
    assert told > 80


@pytest.mark.parametrize("k", [0.25, 0.5, 1.0, 2.0])
def test_limit_gives_the_run_length(k: float) -> None:
    for in_control in (100.0, 1e4, 1e7):
        assert two_sided_arl(k, limit(k, in_control), 0.0) == pytest.approx(in_control, rel=1e-3)


def test_run_length_by_playing() -> None:
    rng = np.random.default_rng(1)
    lengths = [first_alarm(rng.normal(1.0, 1.0, 200).tolist(), 0.5, 4.0) for _ in range(2000)]
    assert None not in lengths
    mean = np.mean([length + 1 for length in lengths if length is not None])
    assert mean == pytest.approx(8.38, abs=0.3)
