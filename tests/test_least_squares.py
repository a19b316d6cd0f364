"""Least squares against problems with certified answers, and what `robust` is for."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from logger.calibration.least_squares import solve

REFERENCES = Path(__file__).parent / "references"
PROBLEMS = yaml.safe_load((REFERENCES / "nist_strd_nonlinear.yaml").read_text(encoding="utf-8"))
# The models as the reference file states them.
MODELS = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2.0),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "BoxBOD": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
}


def test_every_problem_has_its_model() -> None:
    assert MODELS.keys() == PROBLEMS.keys()


NEAR_ONLY = ("MGH17",)  # from the far start it overflows on its way and ends elsewhere
CASES = [(name, "start2") for name in PROBLEMS] + [
    (name, "start1") for name in PROBLEMS if name not in NEAR_ONLY
]


@pytest.mark.parametrize(("name", "start"), CASES)
def test_certified_parameters_to_six_figures(name: str, start: str) -> None:
    # NIST Statistical Reference Datasets; the second start is the nearer one.
    problem = PROBLEMS[name]
    x, y = np.array(problem["x"]), np.array(problem["y"])
    # In standard deviations, so that the covariance is that of the parameters.
    sd = problem["residual_sd"]
    found = solve(lambda b: (MODELS[name](b, x) - y) / sd, np.array(problem[start]))
    assert found.x == pytest.approx(np.array(problem["certified"]), rel=1e-6)
    assert sd**2 * np.sum(found.residuals**2) == pytest.approx(problem["rss"], rel=1e-8)
    deviations = np.sqrt(np.diag(found.covariance))
    assert deviations == pytest.approx(np.array(problem["certified_sd"]), rel=1e-3)
    # Each parameter takes one datum's worth of freedom.
    assert np.sum(found.leverage) == pytest.approx(problem["n_params"], rel=1e-4)


def test_robust_withstands_a_bad_point() -> None:
    x = np.linspace(0, 10, 21)
    y = 3 - 2 * x
    y[4] += 50
    found = solve(lambda b: b[0] + b[1] * x - y, np.array([1.0, 1.0]), robust=True)
    assert found.x == pytest.approx([3, -2], abs=0.2)
    assert np.abs(found.residuals).argmax() == 4
    plain = solve(lambda b: b[0] + b[1] * x - y, np.array([1.0, 1.0]))
    assert abs(plain.x[0] - 3) > 2


def test_parameters_that_the_data_do_not_tell_apart_are_survived() -> None:
    x = np.linspace(1, 2, 9)
    found = solve(lambda b: (b[0] + b[1]) * x - 3 * x, np.array([1.0, 1.0]))
    assert found.x.sum() == pytest.approx(3)
    assert np.all(np.isfinite(found.covariance))


def test_a_trial_point_that_overflows_is_a_bad_one() -> None:
    """The first steps go far beyond the range of `math.exp`, which raises."""
    highest = -math.inf

    def residuals(b: np.ndarray) -> np.ndarray:
        nonlocal highest
        highest = max(highest, float(b[0]))
        return np.array([math.exp(b[0]) - 2.0])

    solution = solve(residuals, np.array([-12.0]))
    assert highest > 710
    assert solution.x == pytest.approx([math.log(2)])
