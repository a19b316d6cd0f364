"""Readings outside the bench points: the law over all that a converter reads, and its doubt."""

from __future__ import annotations

import re

import msgspec
import numpy as np
import pytest

from drivers.simulated.driver import SimulatedOptions
from logger.blocks import Noise
from logger.calibration import bench_points, file
from logger.calibration.coupler import LEAKAGE_PER_DECADE, Coupler
from logger.calibration.detector import DetectorLaw
from logger.calibration.doubt import HIGHEST_V, LOWEST_V
from logger.calibration.fit import Fit, fit
from logger.calibration.report import report
from logger.calibration.simulated import calibration
from tests import coupler_model as model
from tests import foreign_couplers as foreign
from tests.bench import extrapolation

CONTENT = calibration(SimulatedOptions().coupler, SimulatedOptions().adc)
LAWS = [(0.028, 0.004), (0.05, 0.2), (0.026, 1e-4), (0.012, 1e-3), (0.1, 3.0)]
EXACT = Noise((0.0, 0.0), (0.0, 0.0))


@pytest.mark.parametrize("law", LAWS, ids=str)
@pytest.mark.parametrize("top_v", [1.024, 3.5, 21.0])
def test_the_table_is_exact_to_a_tenth_of_a_step_of_18_bits(
    law: tuple[float, float], top_v: float
) -> None:
    n_vt_v, r_is_v = law
    port = model.Port(24.0, 0j, n_vt_v, r_is_v, 0.004)
    volts = 0.004 + np.geomspace(1e-5, min(top_v, 5.0), 3001)
    got = DetectorLaw(24.0, n_vt_v, r_is_v, 0.004, top_v=top_v).watts(volts)
    miss_v = (got - port.watts(volts)) / port.slope(volts)
    assert np.abs(miss_v).max() < 0.1 * min(top_v, 5.0) / 2**18


@pytest.mark.parametrize("law", LAWS, ids=str)
def test_watts_go_on_by_the_law_beyond_its_table(law: tuple[float, float]) -> None:
    port = model.Port(24.0, 0j, *law, 0.0)
    volts = np.array([3.0, 3.4, 3.6, 5.0, 7.0])
    got = DetectorLaw(24.0, *law, top_v=3.5).watts(volts)
    assert got == pytest.approx(port.watts(volts), rel=0.03)
    assert got[:2] == pytest.approx(port.watts(volts[:2]), rel=1e-6)


@pytest.mark.parametrize("full_scale_v", [None, 3.3, 5.0])
def test_watts_above_the_highest_point_are_those_of_the_law(full_scale_v: float | None) -> None:
    content = msgspec.structs.replace(
        CONTENT,
        converter=file.Converter(full_scale_v=full_scale_v),
        valid=file.Valid(
            forward_v=(0.02, 0.6), reflected_v=(0.02, 0.6), forward_w=(0.1, 3), reflected_w=(0.1, 3)
        ),
    )
    coupler = Coupler(content)
    volts = np.linspace(0.3, 3.2, 200)
    for side in ("forward", "reflected"):
        port = getattr(content, side)
        exact = model.Port(port.coupling_db, 0j, port.n_vt_v, port.r_is_v, port.zero_v)
        assert coupler.watts(side, volts, {}) == pytest.approx(exact.watts(volts), rel=1e-5)
        assert coupler.watts(side, volts, {}, 3.3 / 4096) == pytest.approx(
            exact.watts(volts), rel=1e-5
        )


@pytest.fixture(scope="module")
def fitted() -> Fit:
    """A coupler by the package's own law, at four powers."""
    rng = np.random.default_rng(12)
    coupler = model.random_coupler(rng, bits=12)
    rows = model.bench_rows(coupler, rng, powers=4, detail=True)
    return fit(bench_points.parse(model.csv_text(rows), "points.csv"))


def test_the_doubt_grows_outside_the_points(fitted: Fit) -> None:
    for side in ("forward", "reflected"):
        port = getattr(fitted.content, side)
        lowest_v, highest_v = getattr(fitted.content.valid, f"{side}_v")
        volts, db = np.array(port.doubt).T
        assert volts[0] == LOWEST_V
        assert volts[-1] == HIGHEST_V
        inside = db[(volts > lowest_v) & (volts < highest_v)]
        assert inside.max() < 0.05
        above = db[volts > highest_v]
        assert np.all(np.diff(above) > 0)
        twice_db = float(np.interp(np.log(2 * highest_v), np.log(volts), db))
        assert 2 * inside.max() < twice_db < 1.5
        assert db[volts < lowest_v / 3].max() > 3 * inside.max()


def test_the_interval_holds_the_doubt_of_both_laws(fitted: Fit) -> None:
    content = fitted.content
    plain = msgspec.structs.replace(
        content,
        covariance=None,
        forward=msgspec.structs.replace(content.forward, doubt=[]),
        reflected=msgspec.structs.replace(content.reflected, doubt=[(0.1, 0.2), (1.0, 0.6)]),
    )
    coupler = Coupler(plain)
    volts = content.reflected.zero_v + np.array([0.01, 0.1, np.sqrt(0.1), 1.0, 2.0])
    variance = coupler.ratio_variance(np.full(5, 0.5), volts, EXACT)
    ln = np.log(10) / 10 * np.array([0.2, 0.2, 0.4, 0.6, 0.6])
    assert variance == pytest.approx(ln**2)
    both = Coupler(msgspec.structs.replace(plain, forward=plain.reflected))
    assert both.ratio_variance(volts, volts, EXACT) == pytest.approx(2 * ln**2)
    within = volts > content.valid.reflected_v[0]
    assert within.sum() == 3
    assert coupler.watts_u("reflected", volts[within]) == pytest.approx(
        np.hypot(ln, 0.05 / np.sqrt(3))[within], rel=1e-6
    )
    # A class in volts counts twice in watts.
    in_volts = {"reference": "vpp", "reference_class_percent": 3.0}
    other = Coupler(msgspec.structs.replace(plain, instrument=in_volts))
    assert other.watts_u("forward", volts[within]) == pytest.approx(0.06 / np.sqrt(3))


def test_the_report_tells_watts_outside_the_points(fitted: Fit) -> None:
    (line,) = [line for line in report(fitted) if line.startswith("outside")]
    percents = [float(part) for part in re.findall(r"([0-9.]+) % at", line)]
    assert len(percents) == 2
    assert all(5 < percent < 60 for percent in percents)


def test_the_zero_counts_at_the_zero(fitted: Fit) -> None:
    coupler = Coupler(fitted.content)
    zero = np.array([coupler.reflected.zero_v])
    forward = np.array([0.5])
    noise = Noise((0.0, 0.0), (0.0, 1e-3))
    variance = coupler.ratio_variance(forward, zero, noise)
    least = 1e-12 / coupler.forward.watts(forward)
    sd = float(np.sqrt(variance)[0] * least[0] * coupler.forward.watts(forward)[0])
    assert sd == pytest.approx(1e-3 * coupler.least_slope, rel=0.05)


def test_a_reading_at_the_lower_end_may_hide_the_zero() -> None:
    port = msgspec.structs.replace(CONTENT.reflected, zero_v=-3e-3)
    content = msgspec.structs.replace(
        CONTENT, reflected=port, converter=file.Converter(step_v=8e-4, full_scale_v=3.3)
    )
    variance = Coupler(content).ratio_variance(np.full(2, 0.5), np.array([0.0, 8e-4]), EXACT)
    assert variance[0] == pytest.approx(1.0, rel=0.2)  # all of the reading, once over
    assert variance[1] == 0


def test_unkeyed_readings_of_nothing_hide_the_zero() -> None:
    unit = foreign.draw_coupler(1000, "cycle")
    assert min(unit.offsets_v) < -4 * unit.step_v
    text = foreign.bench_points(unit, extrapolation.BENCH_W, 1000, low_w=1.0)
    content = fit(bench_points.parse(text, "points.csv"), step_v=unit.step_v).content
    assert content.covariance is not None
    at = content.covariance.parameters.index("reflected.zero_v")
    sd = np.sqrt(content.covariance.matrix[at][at])
    assert abs(content.reflected.zero_v - unit.offsets_v[1]) < 3 * sd


@pytest.mark.parametrize(("seed", "kind"), [(5001, "cycle"), (5003, "cycle")])
def test_a_partly_hidden_zero_is_no_better_known_for_more_rows(seed: int, kind: str) -> None:
    """Noise about a zero just above the lower end reads too high on the mean, in all rows alike."""
    unit = foreign.draw_coupler(seed, kind)
    assert 0 < unit.offsets_v[0] < unit.step_v < unit.noise_v
    text = foreign.bench_points(unit, extrapolation.BENCH_W, seed, low_w=1.0)
    content = fit(bench_points.parse(text, "points.csv"), step_v=unit.step_v).content
    assert content.covariance is not None
    at = content.covariance.parameters.index("forward.zero_v")
    sd = np.sqrt(content.covariance.matrix[at][at])
    assert abs(content.forward.zero_v - unit.offsets_v[0]) < 3 * sd
    assert sd < unit.step_v


def test_a_clear_zero_is_as_well_known_as_its_readings() -> None:
    unit = foreign.draw_coupler(1014, "cycle")
    assert unit.offsets_v[0] > 5 * unit.noise_v
    text = foreign.bench_points(unit, extrapolation.BENCH_W, 1014, low_w=1.0)
    content = fit(bench_points.parse(text, "points.csv"), step_v=unit.step_v).content
    assert content.covariance is not None
    at = content.covariance.parameters.index("forward.zero_v")
    assert np.sqrt(content.covariance.matrix[at][at]) < 0.2 * unit.step_v


def test_watts_below_the_points_are_in_more_doubt(fitted: Fit) -> None:
    coupler = Coupler(msgspec.structs.replace(fitted.content, covariance=None))
    lowest_v = fitted.content.valid.forward_v[0] - coupler.forward.zero_v
    volts = coupler.forward.zero_v + lowest_v * np.array([0.1, 1.0])
    added = np.diff(coupler.watts_u("forward", volts)[::-1] ** 2)
    own_variance = coupler._zero_variance("forward", volts, 0.0)
    own_variance += coupler._law_variance("forward", volts)
    own = np.diff(own_variance[::-1])
    assert added - own == pytest.approx(LEAKAGE_PER_DECADE**2)


def test_truth_lies_in_the_intervals_outside_the_points_of_other_laws() -> None:
    # A coupler of each kind of detector; more in `tests.bench.extrapolation`.
    units = [("cycle", 2001), ("germanium", 2002), ("compensated", 2004)]
    every = [extrapolation.play(seed, kind, 40) for kind, seed in units]
    together = (np.concatenate(part, axis=1) for part in zip(*every, strict=True))
    found = extrapolation.Outcome(*together)
    above = np.array(extrapolation.POWERS_W) > 3
    for part in (above, ~above):
        assert np.nanmean(found.watts_ok[part]) >= 0.94
        assert np.nanmean(found.swr_ok[part]) >= 0.94
    assert np.nanmedian(found.watts_width[-1]) < 0.4
