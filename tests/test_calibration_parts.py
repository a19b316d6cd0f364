"""The parts of the fit of a coupler: against root finding, differences and dense linear algebra."""

from __future__ import annotations

import itertools
import math

import msgspec
import numpy as np
import pytest
import scipy.interpolate
import scipy.optimize
import scipy.special

from logger.calibration import bench_points
from logger.calibration.bench_points import Bench
from logger.calibration.fit import Fit, fit
from logger.calibration.interpolant import departure
from logger.calibration.model import detect
from logger.calibration.parameters import Layout
from logger.calibration.problem import Problem
from logger.calibration.readings import read
from logger.errors import BenchPointError
from tests import coupler_model as model

Floats = np.ndarray


def bench_of(
    seed: int,
    conditions: tuple[str, ...] = model.ALL,
    extras: tuple[dict[str, float], ...] = ({},),
    *,
    detail: bool = True,
) -> Bench:
    """Points of a random coupler, once for each of `extras`."""
    rng = np.random.default_rng([31, seed])
    coupler = model.random_coupler(rng)
    rows = [
        row
        for extra in extras
        for row in model.bench_rows(coupler, rng, conditions, detail=detail, extra=extra)
    ]
    return bench_points.parse(model.csv_text(rows), "points.csv")


# --- the law and its derivatives ---


def volts_by_roots(watts: float, coupling_db: float, n_vt_v: float, r_is_v: float) -> float:
    """The detector law, I0(Vp / n Vt) = (1 + V / R Is) exp(V / n Vt), by bracketing."""
    peak_v = math.sqrt(2 * 50.0 * watts * 10 ** (-coupling_db / 10))
    x = peak_v / n_vt_v
    level = x + math.log(scipy.special.i0e(x))

    def excess(volts: float) -> float:
        return math.log1p(volts / r_is_v) + volts / n_vt_v - level

    return scipy.optimize.brentq(excess, 0.0, peak_v + 1e-9, xtol=1e-15, rtol=1e-14)


LAWS = [(20.0, 0.03, 3e-3), (30.0, 0.05, 0.1), (25.0, 0.026, 1e-5)]


@pytest.mark.parametrize("law", LAWS)
def test_readings_solve_the_law(law: tuple[float, float, float]) -> None:
    watts = np.geomspace(1e-4, 50, 25)
    found = detect(watts, *law, 50.0).volts
    np.testing.assert_allclose(found, [volts_by_roots(w, *law) for w in watts.tolist()], rtol=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_derivatives_of_readings_are_those_of_differences(
    law: tuple[float, float, float],
) -> None:
    watts = np.concatenate([np.geomspace(1e-7, 20, 30), [-0.01, -1.0]])
    coupling_db, n_vt_v, r_is_v = law
    found = detect(watts, *law, 50.0)
    e = 1e-5
    up, down = (detect(watts * (1 + s * e), *law, 50.0).volts for s in (1, -1))
    np.testing.assert_allclose(found.by_watt * watts, (up - down) / (2 * e), rtol=1e-4, atol=1e-11)
    up, down = (
        detect(watts, coupling_db, n_vt_v * math.exp(s * e), r_is_v, 50.0).volts for s in (1, -1)
    )
    np.testing.assert_allclose(found.by_ln_n_vt, (up - down) / (2 * e), rtol=1e-3, atol=1e-10)
    up, down = (
        detect(watts, coupling_db, n_vt_v, r_is_v * math.exp(s * e), 50.0).volts for s in (1, -1)
    )
    np.testing.assert_allclose(found.by_ln_r_is, (up - down) / (2 * e), rtol=1e-3, atol=1e-10)


def test_negative_watts_give_negative_volts() -> None:
    watts = np.array([1e-6, 0.01, 3.0])
    up, down = (detect(sign * watts, *LAWS[0], 50.0) for sign in (1, -1))
    np.testing.assert_allclose(up.volts, -down.volts)
    np.testing.assert_allclose(up.by_watt, down.by_watt)
    assert detect(np.zeros(1), *LAWS[0], 50.0).volts[0] == pytest.approx(0, abs=1e-15)


# --- the problem ---

BANDS = ({"frequency_khz": 7100.0}, {"frequency_khz": 28400.0})
WARMTH = ({"temperature_c": 10.0}, {"temperature_c": 21.0}, {"temperature_c": 35.0})
PROBLEMS: dict[str, dict[str, object]] = {
    "plain": {},
    "bands": {"extras": BANDS, "by_band": True},
    "temperature": {"extras": WARMTH, "by_temperature": True},
    "unknown": {"unknown": True, "conditions": ("matched", "reversed")},
}


def problem_of(name: str) -> tuple[Problem, Floats]:
    """A problem and parameters near its best."""
    given = dict(PROBLEMS[name])
    bench = bench_of(
        3,
        given.pop("conditions", model.ALL),
        given.pop("extras", ({},)),  # type: ignore[arg-type]
    )
    problem = Problem(read(bench, None, None), **given)  # type: ignore[arg-type]
    x = problem.start(3e-3)
    problem.weigh(x)
    rng = np.random.default_rng(1)
    x = x + 0.02 * rng.standard_normal(len(x)) * np.maximum(np.abs(x), 0.02)
    problem.scatter = 0.013
    problem.weigh(x)
    return problem, x


@pytest.mark.parametrize("name", PROBLEMS)
def test_derivatives_of_residuals_are_those_of_differences(name: str) -> None:
    problem, x = problem_of(name)
    found = problem.jacobian(x)
    for at in range(len(x)):
        step = np.zeros(len(x))
        step[at] = 1e-6 * max(abs(x[at]), 0.01)
        by = (problem.residuals(x + step) - problem.residuals(x - step)) / (2 * step[at])
        scale = max(float(np.abs(by).max()), 1e-6)
        np.testing.assert_allclose(found[:, at] / scale, by / scale, atol=2e-4)


@pytest.mark.parametrize("name", PROBLEMS)
def test_residuals_are_those_of_the_joint_covariance(name: str) -> None:
    """Each row's readings share the scatter of the reference; the dense covariance says so."""
    problem, x = problem_of(name)
    readings = problem.readings
    miss, gain = problem.miss_v(x)
    size = 0.0
    for row in range(len(miss)):
        used = problem.used[row]
        shared = problem.scatter * np.where(used, gain[row], 0.0)
        covariance = np.diag(readings.sd_v[row] ** 2) + np.outer(shared, shared)
        off = np.where(used, miss[row], 0.0)
        size += float(off @ np.linalg.solve(covariance, off))
    of_rows = problem.residuals(x)[: miss.size]
    assert float(of_rows @ of_rows) == pytest.approx(size, rel=1e-9)
    # One reading alone: its miss over its own deviation, with a bound on the scatter.
    for least, scatter in ((0.0, 0.013), (0.05, 0.05)):
        expected = miss / np.hypot(readings.sd_v, scatter * gain)
        np.testing.assert_allclose(problem.deviation(x, least), expected)


def test_a_wider_problem_begins_where_the_simpler_one_ended() -> None:
    """Rows at room temperature, where the law of a problem with temperatures is the same."""
    for name in ("bands", "temperature"):
        problem, _ = problem_of(name)
        simple = Problem(problem.readings)
        x = simple.start(3e-3)
        wide, plain = problem.predict(problem.extend(simple, x))[0], simple.predict(x)[0]
        rows = problem.readings.temperature == 21.0 if name == "temperature" else slice(None)
        np.testing.assert_allclose(wide[rows], plain[rows], rtol=1e-12)


def test_what_each_condition_lets_the_ports_hear() -> None:
    """Of 1 W, coupling 20 dB: the full wave, the leak, or both with the reflection's sign."""
    text = "condition,power_w,forward_v,reflected_v\n" + "".join(
        f"{condition},{watts},1.0,1.0\n"
        for condition in ("matched", "reversed", "open", "short")
        for watts in (1.0, 0.0)
    )
    problem = Problem(read(bench_points.parse(text, "p.csv"), None, None))
    x = np.zeros(problem.layout.size)
    values = problem.layout.view(x)
    values.coupling_db[:] = 20.0, 23.0
    values.ln_n_vt[:] = math.log(0.03), math.log(0.04)
    values.ln_r_is[:] = math.log(3e-3), math.log(1e-2)
    values.zero_v[:] = 0.01, 0.02
    values.leak2[0] = 0.01, 0.02
    values.aligned[0] = 0.003, 0.004
    assert values.law(1) == pytest.approx((23.0, 0.04, 1e-2, 0.02))
    volts = problem.predict(x)[0]
    forward = [1.0, 0.01, 1 + 0.01 + 0.006, 1 + 0.01 - 0.006]
    reflected = [0.02, 1.0, 1 + 0.02 + 0.008, 1 + 0.02 - 0.008]
    for row in range(4):
        for port, zero_v, heard, law in (
            (0, 0.01, forward[row], (20.0, 0.03, 3e-3)),
            (1, 0.02, reflected[row], (23.0, 0.04, 1e-2)),
        ):
            # Where a port hears the wave alone a leak cannot be told from the coupling.
            rel = 0.02 if heard == 1.0 else 1e-5
            expected_v = zero_v + volts_by_roots(heard, *law)
            assert volts[2 * row, port] == pytest.approx(expected_v, rel=rel)
            assert volts[2 * row + 1, port] == pytest.approx(zero_v, abs=1e-12)


def test_each_port_needs_three_powers_over_a_factor_of_four() -> None:
    head = "condition,power_w,forward_v,reflected_v\n"

    def tells(*powers: float) -> tuple[bool, bool]:
        rows = "".join(f"matched,{w},{w},0.01\n" for w in powers) + "matched,0,0.0,0.0\n"
        problem = Problem(read(bench_points.parse(head + rows, "p.csv"), None, None))
        assert not problem.full_wave(1).any()
        assert not problem.determines_law(1)
        return bool(problem.full_wave(0).any()), problem.determines_law(0)

    assert tells(1.0, 2.0, 4.0) == (True, True)
    assert tells(1.0, 2.0, 3.9) == (True, False)
    assert tells(1.0, 4.0) == (True, False)


@pytest.mark.parametrize(
    ("by_band", "by_temperature", "marks"), [(False, False, 0), (True, True, 0), (True, False, 5)]
)
def test_each_parameter_has_one_name(by_band: bool, by_temperature: bool, marks: int) -> None:
    layout = Layout(3, 5, by_band=by_band, by_temperature=by_temperature, marks=marks)
    numbers = np.concatenate([part.ravel() for part in layout.index])
    assert sorted(numbers.tolist()) == list(range(layout.size))
    derivatives = np.zeros((6, 2, layout.size))
    views = layout.view(derivatives[:, 1])
    views.leak2[4, 2, 0] = 7.0  # writes through, also to part of an array
    assert derivatives[4, 1, layout.index.leak2[2, 0]] == 7.0
    assert np.count_nonzero(derivatives) == 1
    assert views.leak2.shape == (6, 5, 2)
    assert views.band_db.shape == (6, 2 * by_band, 2)
    assert views.ln_power.shape == (6, marks)


# --- the interpolant ---


def bowed(count: int = 12, size_db: float = 0.6) -> tuple[Floats, Floats]:
    """Volts of points, and a smooth departure of the law from them, dB."""
    volts = np.geomspace(0.05, 3.0, count)
    return volts, size_db * np.sin(np.linspace(0, 2 * np.pi, count))


def law_db(volts: Floats) -> Floats:
    return 20 * np.log10(volts)


def test_errors_of_points_left_out_are_those_of_leaving_them_out() -> None:
    volts, miss_db = bowed()
    leverage = np.linspace(0.1, 0.5, 12)
    order = np.random.default_rng(2).permutation(12)  # in any order
    found = departure(volts[order], miss_db[order], leverage[order], law_db)
    assert found is not None
    x = np.log(volts)
    left_out = []
    for at in range(1, 11):
        keep = np.arange(12) != at
        cubic = scipy.interpolate.PchipInterpolator(x[keep], -miss_db[keep])
        left_out.append(float(cubic(x[at])) + miss_db[at])
    assert found.interpolant_db == pytest.approx(np.sqrt(np.mean(np.square(left_out))))
    unseen = (miss_db / (1 - leverage))[1:-1]
    assert found.law_db == pytest.approx(np.sqrt(np.mean(unseen**2)))
    knots_v, db = np.array(found.correction).T
    assert (knots_v[0], knots_v[-1]) == pytest.approx((volts[0], volts[-1]), rel=1e-5)
    whole = scipy.interpolate.PchipInterpolator(x, -miss_db)
    np.testing.assert_allclose(db, whole(np.clip(np.log(knots_v), x[0], x[-1])), atol=2e-4)


def test_repeats_count_as_one_point() -> None:
    volts, miss_db = bowed()
    once = departure(volts, miss_db, np.full(12, 0.2), law_db)
    twice = departure(
        np.concatenate([volts * 0.996, volts * 1.004]),
        np.concatenate([miss_db - 0.05, miss_db + 0.05]),
        np.full(24, 0.2),
        law_db,
    )
    assert once is not None
    assert twice is not None
    assert twice.law_db == pytest.approx(once.law_db, rel=1e-3)
    assert twice.interpolant_db == pytest.approx(once.interpolant_db, rel=1e-2)


@pytest.mark.parametrize(("count", "judged"), [(7, False), (8, True)])
def test_eight_powers_are_needed(count: int, judged: bool) -> None:
    volts, miss_db = bowed(count)
    assert (departure(volts, miss_db, np.zeros(count), law_db) is not None) == judged


@pytest.mark.parametrize(("size_db", "preferred"), [(0.13, False), (0.17, True)])
def test_a_tenth_of_a_db_is_not_worth_it(size_db: float, preferred: bool) -> None:
    """The root mean square of a sine is 0.707 of its size."""
    volts, miss_db = bowed(40, size_db)
    found = departure(volts, miss_db, np.zeros(40), law_db)
    assert found is not None
    assert bool(found.correction) == preferred


def test_noise_is_not_followed() -> None:
    volts, _ = bowed(20)
    miss_db = 0.5 * np.random.default_rng(4).standard_normal(20)
    found = departure(volts, miss_db, np.zeros(20), law_db)
    assert found is not None
    assert found.interpolant_db > 0.5 * found.law_db
    assert found.correction == []


def test_a_correction_that_would_let_watts_fall_is_not_used() -> None:
    volts, miss_db = bowed(40, 8.0)
    found = departure(volts, miss_db, np.zeros(40), law_db)
    assert found is not None
    assert found.interpolant_db < 0.5 * found.law_db
    assert found.correction == []


def test_a_point_that_holds_the_fit_alone_counts_for_no_more_than_ten() -> None:
    volts, miss_db = bowed()
    found = departure(volts, miss_db, np.full(12, 0.999), law_db)
    assert found is not None
    assert found.law_db == pytest.approx(10 * np.sqrt(np.mean(miss_db[1:-1] ** 2)))


# --- what is said of the fit ---


def whole() -> Fit:
    return fit(bench_of(5), reference_class_percent=4.0)


def test_the_file_names_every_point_with_its_miss() -> None:
    found = whole()
    content = found.content
    assert len(content.bench_points) == len(found.bench.points)
    for point, row in zip(found.bench.points, content.bench_points, strict=True):
        assert row["condition"] == point.condition
        assert row["power_w"] == point.power_w
        for side, port in (("forward", content.forward), ("reflected", content.reflected)):
            own = "matched" if side == "forward" else "reversed"
            if point.condition != own or not point.power_w or f"{side}_miss_db" not in row:
                continue
            volts = getattr(point, f"{side}_v") - port.zero_v
            by_law = watts_by_roots(volts, port.coupling_db, port.n_vt_v, port.r_is_v)
            off_db = 10 * math.log10(by_law / point.power_w)
            assert row[f"{side}_miss_db"] == pytest.approx(off_db, abs=0.03)
            assert float(row[f"{side}_error_db"]) >= 10 / math.log(10) * found.scatter - 1e-3
            for figure in (row[f"{side}_miss_db"], row[f"{side}_error_db"]):
                assert figure == round(float(figure), 3)


def watts_by_roots(volts: float, coupling_db: float, n_vt_v: float, r_is_v: float) -> float:
    return scipy.optimize.brentq(
        lambda watts: volts_by_roots(watts, coupling_db, n_vt_v, r_is_v) - volts, 1e-9, 1e4
    )


def test_the_file_says_over_what_the_ports_were_heard() -> None:
    found = whole()
    valid, points = found.content.valid, found.bench.points
    for span_v, span_w, side, conditions in (
        (valid.forward_v, valid.forward_w, "forward_v", ("matched", "open", "short")),
        (valid.reflected_v, valid.reflected_w, "reflected_v", ("reversed", "open", "short")),
    ):
        own = [p for p in points if p.condition in conditions and p.power_w > 0]
        volts, watts = [getattr(p, side) for p in own], [p.power_w for p in own]
        assert span_v == pytest.approx((min(volts), max(volts)), rel=1e-6)
        assert span_w == pytest.approx((min(watts), max(watts)), rel=1e-6)


def test_the_scatter_of_the_reference_is_found() -> None:
    """Readings of exact volts whose reference scatters by 3 %."""
    scatters = []
    for seed in range(4):
        rng = np.random.default_rng([8, seed])
        rows = "condition,power_w,forward_v,reflected_v\n"
        for condition in ("matched", "reversed"):
            for watts in np.geomspace(0.05, 12, 25).tolist():
                shown = watts * math.exp(0.03 * rng.standard_normal())
                wave, leak = (volts_by_roots(w, 22.0, 0.035, 5e-3) for w in (watts, 4e-4 * watts))
                pair = (wave, leak) if condition == "matched" else (leak, wave)
                rows += f"{condition},{shown:.6f},{pair[0]:.7f},{pair[1]:.7f}\n"
        rows += "matched,0,0.0,0.0\n"
        found = fit(bench_points.parse(rows, "p.csv"), step_v=1e-6)
        scatters.append(found.scatter)
        assert found.content.forward.coupling_db == pytest.approx(22.0, abs=0.15)
        assert found.content.reflected.coupling_db == pytest.approx(22.0, abs=0.15)
        directivity = found.content.directivity
        assert directivity is not None
        assert directivity.reflected_db == pytest.approx(34.0, abs=1.5)
        assert directivity.forward_db == pytest.approx(34.0, abs=1.5)
    assert np.mean(scatters) == pytest.approx(0.03, rel=0.2)


def test_a_bad_point_of_each_port_is_left_out_and_no_good_one() -> None:
    bench = bench_of(6)
    points = list(bench.points)
    keyed = [n for n, p in enumerate(points) if p.condition == "matched" and p.power_w > 0]
    other = [n for n, p in enumerate(points) if p.condition == "reversed" and p.power_w > 0]
    bad = {keyed[len(keyed) // 2]: "forward", other[len(other) // 2]: "reflected"}
    columns = ["condition", "power_w", "forward_v", "reflected_v"]
    rows = [{name: getattr(point, name) for name in columns} for point in points]
    for number, side in bad.items():
        rows[number][f"{side}_v"] *= 1.5
    found = fit(bench_points.parse(model.csv_text(rows), "points.csv"))
    left_out = {
        number: str(row["left_out"])
        for number, row in enumerate(found.content.bench_points)
        if "left_out" in row
    }
    assert left_out == bad


# --- what is assumed before any point is read ---

LAW_NAMES = ("coupling_db", "ln_n_vt", "ln_r_is", "zero_v")
USUAL = {"coupling_db": (25.0, 50.0), "ln_n_vt": (math.log(0.03), 0.4),
         "ln_r_is": (math.log(3e-3), 4.0), "zero_v": (0.0, 0.01)}  # fmt: skip


def assumed(problem: Problem, x: Floats) -> Floats:
    """Residuals of what is assumed."""
    return problem.residuals(x)[problem.readings.volts.size :]


def squares_of(problem: Problem, x: Floats, index: int, step: float) -> float:
    """How much the assumptions' sum of squares grows if a parameter moves by a step."""
    moved = x.copy()
    moved[index] += step
    return float((assumed(problem, moved) ** 2).sum() - (assumed(problem, x) ** 2).sum())


def prior_of(problem: Problem) -> Floats:
    """Parameters at what is assumed."""
    x = np.zeros(problem.layout.size)
    for values, name in zip(problem.layout.view(x).laws, LAW_NAMES, strict=True):
        values[:] = USUAL[name][0]
    return x


def test_assumptions_of_a_coupler_that_was_heard_both_ways() -> None:
    """One standard deviation off adds one to the sum of squares, in each parameter alone."""
    problem = Problem(read(bench_of(3), None, None))
    x, index = prior_of(problem), problem.layout.index
    assert assumed(problem, x) == pytest.approx(0)
    for places, name in zip(index.laws, LAW_NAMES, strict=True):
        for place in places:
            assert squares_of(problem, x, place, USUAL[name][1]) == pytest.approx(1)
    for port in (0, 1):
        assert squares_of(problem, x, index.leak2[0, port], 0.05) == pytest.approx(1)
        assert squares_of(problem, x, index.aligned[0, port], 0.1) == pytest.approx(1)
    # Once the leaks are known their parts in phase are, too: half of the square, in the mean.
    x[index.leak2[0]] = [2e-4, 8e-4]
    problem.weigh(x)
    for place, leak2 in zip(index.aligned[0], (2e-4, 8e-4), strict=True):
        assert squares_of(problem, x, place, math.sqrt(leak2 / 2)) == pytest.approx(1)


def test_a_port_that_was_not_heard_is_like_the_other() -> None:
    problem = Problem(read(bench_of(3, ("matched",)), None, None))
    x, index = prior_of(problem), problem.layout.index
    assert assumed(problem, x) == pytest.approx(0)
    differences = (1.0, 0.1, 0.7, math.inf)
    for places, name, alike in zip(index.laws, LAW_NAMES, differences, strict=True):
        for place in places:
            own = (alike / USUAL[name][1]) ** 2 if alike < math.inf else 1.0
            step = alike if alike < math.inf else USUAL[name][1]
            both = own + (alike < math.inf)
            assert squares_of(problem, x, place, step) == pytest.approx(both)
    expected = 1 + (1e-4 / 0.05) ** 2
    assert squares_of(problem, x, index.leak2[0, 0], 1e-4) == pytest.approx(expected)


def test_of_unknown_powers_the_law_must_be_a_usual_one() -> None:
    problem = Problem(read(bench_of(3, ("matched", "reversed")), None, None), unknown=True)
    x, index = prior_of(problem), problem.layout.index
    x[index.ln_n_vt] = math.log(0.028)
    assert assumed(problem, x) == pytest.approx(0)
    assert squares_of(problem, x, index.coupling_db[0], 1e-3) == pytest.approx(1)
    assert squares_of(problem, x, index.coupling_db[1], 50.0) == pytest.approx(1)
    for n_vt, r_is in zip(index.ln_n_vt, index.ln_r_is, strict=True):  # also like the other's
        assert squares_of(problem, x, n_vt, 0.08) == pytest.approx(1 + (0.08 / 0.1) ** 2)
        assert squares_of(problem, x, r_is, 0.7) == pytest.approx(1 + (0.7 / 4) ** 2)
    assert len(index.ln_power)
    for place in index.ln_power:
        assert squares_of(problem, x, place, 20.0) == pytest.approx(1)


@pytest.mark.parametrize(
    ("name", "part", "value", "sd"),
    [("bands", "band_db", 0.0, 3.0), ("temperature", "r_is_per_c", 0.06, 0.03)],
)
def test_bands_differ_by_some_db_and_currents_double_in_ten_degrees(
    name: str, part: str, value: float, sd: float
) -> None:
    problem, _ = problem_of(name)
    x = prior_of(problem)
    places = getattr(problem.layout.index, part).ravel()
    x[places] = value
    assert len(places) == 2
    for place in places:
        assert squares_of(problem, x, place, sd) == pytest.approx(1)
        assert squares_of(problem, x, place, -sd) == pytest.approx(1)


@pytest.mark.parametrize("side", ["forward", "reflected"])
def test_a_law_that_does_not_hold_is_corrected_on_its_port_alone(side: str) -> None:
    """An amplifier that bends: readings of one port follow no diode's law, and the watts do."""
    rows = "condition,power_w,forward_v,reflected_v\n"
    powers = np.geomspace(0.05, 12, 16).tolist()
    bend = 0.25 * np.sin(np.linspace(0, 2 * np.pi, 16))
    for condition, port in (("matched", "forward"), ("reversed", "reflected")):
        for number, watts in enumerate(powers):
            bent = math.exp(bend[number]) if port == side else 1.0
            wave = volts_by_roots(watts, 22.0, 0.035, 5e-3) * bent
            leak = volts_by_roots(4e-4 * watts, 22.0, 0.035, 5e-3)
            pair = (wave, leak) if condition == "matched" else (leak, wave)
            rows += f"{condition},{watts:.6f},{pair[0]:.7f},{pair[1]:.7f}\n"
    rows += "matched,0,0.0,0.0\n"
    content = fit(bench_points.parse(rows, "p.csv"), step_v=1e-6).content
    other = "reflected" if side == "forward" else "forward"
    assert getattr(content, side).correction
    assert not getattr(content, other).correction


# --- the whole fit beside dense linear algebra, by differences of the law's roots ---

DB = 10 / math.log(10)
LAW_F, LAW_R = (22.0, 0.034, 4e-3, 0.011), (24.0, 0.029, 9e-3, 0.007)
SHAPES = 5


def two_way_bench(
    leaks: tuple[float, float] = (3e-4, 8e-4), *, scatter: float = 0.006, seed: int = 4
) -> Bench:
    """Matched and reversed rows of a coupler by the law itself; the reference scatters."""
    rng = np.random.default_rng(seed)
    rows = "condition,power_w,forward_v,reflected_v\n"
    for condition in ("matched", "reversed"):
        for watts in np.geomspace(0.04, 11, 9).tolist():
            volts = []
            for port, (law, own) in enumerate(((LAW_F, "matched"), (LAW_R, "reversed"))):
                heard = watts if condition == own else leaks[port] * watts
                true = volts_by_roots(heard * math.exp(scatter * rng.standard_normal()), *law[:3])
                volts.append(law[3] + true + 2e-4 * rng.standard_normal())
            rows += f"{condition},{watts:.6f},{volts[0]:.6f},{volts[1]:.6f}\n"
    for _ in range(3):
        zeros = [law[3] + 2e-4 * rng.standard_normal() for law in (LAW_F, LAW_R)]
        rows += f"matched,0,{zeros[0]:.6f},{zeros[1]:.6f}\n"
    return bench_points.parse(rows, "p.csv")


def ln_watts(volts: float, coupling_db: float, n_vt_v: float, r_is_v: float) -> float:
    """Logarithm of the watts by the law, from the volts above the zero."""
    level = math.log1p(volts / r_is_v) + volts / n_vt_v

    def excess(ln_x: float) -> float:
        x = math.exp(ln_x)
        small = math.log1p(x**2 / 4 + x**4 / 64)  # log I0
        return (small if x < 1e-2 else x + math.log(scipy.special.i0e(x))) - level

    x = math.exp(scipy.optimize.brentq(excess, -30.0, 12.0, xtol=1e-14))
    return 2 * math.log(x * n_vt_v) + coupling_db / DB - math.log(100.0)


class Dense:
    """Residuals, derivatives, and covariance at the result of a fit of `two_way_bench`."""

    def __init__(self, found: Fit) -> None:
        content, points = found.content, found.bench.points
        self.readings = found.readings
        assert content.directivity is not None
        d = content.directivity
        self.x = np.array([
            *(value for port in (content.forward, content.reflected) for value in (
                port.coupling_db, math.log(port.n_vt_v), math.log(port.r_is_v), port.zero_v)),
            10 ** (-(d.forward_db or 0) / 10), 10 ** (-d.reflected_db / 10),
        ])  # fmt: skip
        self.watts = [p.power_w for p in points]
        self.own = [0 if p.condition == "matched" else 1 for p in points]
        self.volts = self.predict(self.x)
        # Volts by ln of the power; both readings of a row share the scatter of its power.
        gain = (self.predict(self.x, 1e-5) - self.predict(self.x, -1e-5)) / 2e-5
        self.gain = gain
        self.white = [
            np.linalg.inv(np.linalg.cholesky(
                np.diag(self.readings.sd_v[row] ** 2)
                + found.scatter**2 * np.outer(gain[row], gain[row])
            ))
            for row in range(len(points))
        ]  # fmt: skip
        prior = np.array([25.0, math.log(0.03), math.log(3e-3), 0.0] * 2 + [0.0, 0.0])
        self.prior_sd = np.array([50.0, 0.4, 4.0, 0.01] * 2 + [0.05, 0.05])
        self.residuals = np.concatenate(
            [self.whiten(self.readings.volts - self.volts), (self.x - prior) / self.prior_sd]
        )
        columns = []
        for at in range(10):
            step = np.zeros(10)
            step[at] = 1e-5 * max(abs(self.x[at]), 1e-2)
            by = (self.predict(self.x + step) - self.predict(self.x - step)) / (2 * step[at])
            columns.append(-self.whiten(by))
        self.jacobian = np.vstack([np.column_stack(columns), np.diag(1 / self.prior_sd)])
        self.covariance = np.linalg.inv(self.jacobian.T @ self.jacobian)

    def predict(self, x: Floats, ln_power: float = 0.0) -> Floats:
        rows = []
        for watts, own in zip(self.watts, self.own, strict=True):
            row = []
            for port in (0, 1):
                c, n, r, zero_v = x[4 * port : 4 * port + 4]
                heard = (
                    watts * math.exp(ln_power) * (1 + x[8 + port] if own == port else x[8 + port])
                )
                volts = volts_by_roots(heard, c, math.exp(n), math.exp(r)) if heard else 0.0
                row.append(zero_v + volts)
            rows.append(row)
        return np.array(rows)

    def whiten(self, volts: Floats) -> Floats:
        return np.concatenate([w @ v for w, v in zip(self.white, volts, strict=True)])


def two_way() -> tuple[Fit, Dense]:
    found = fit(two_way_bench(), step_v=1e-6, reference_class_percent=4.0)
    return found, Dense(found)


def test_the_fit_is_at_the_least_sum_of_squares_with_its_covariance() -> None:
    found, dense = two_way()
    gradient = dense.jacobian.T @ dense.residuals
    # In standard deviations of each parameter from the minimum.
    off = dense.covariance @ gradient / np.sqrt(np.diag(dense.covariance))
    assert np.abs(off).max() < 0.02
    covariance = found.content.covariance
    assert covariance is not None
    assert covariance.parameters == [
        f"{side}.{name}" for side in ("forward", "reflected")
        for name in ("coupling_db", "n_vt_v", "r_is_v", "zero_v")
    ]  # fmt: skip
    unit = np.array([1, math.exp(dense.x[1]), math.exp(dense.x[2]), 1])
    unit = np.append(unit, [1, math.exp(dense.x[5]), math.exp(dense.x[6]), 1])
    expected = dense.covariance[:8, :8] * np.outer(unit, unit)
    sd = np.sqrt(np.diag(expected))
    np.testing.assert_allclose(
        covariance.matrix / np.outer(sd, sd), expected / np.outer(sd, sd), atol=0.02
    )


def test_the_scatter_is_that_of_chi_square_with_a_usual_one_of_weight_two() -> None:
    """The freedom left to full-wave readings, from the hat matrix."""
    found, dense = two_way()
    hat = np.diag(dense.jacobian @ dense.covariance @ dense.jacobian.T)
    own = np.array([
        [w > 0 and o == port for port in (0, 1)]
        for w, o in zip(dense.watts, dense.own, strict=True)
    ])  # fmt: skip
    left = own.sum() - hat[: own.size][own.ravel()].sum()
    miss = (dense.readings.volts - dense.volts)[own]
    z2 = miss**2 / (dense.readings.sd_v[own] ** 2 + (found.scatter * dense.gain[own]) ** 2)
    assert z2.sum() + 2 * ((0.005 / found.scatter) ** 2 - 1) == pytest.approx(left, rel=0.02)


def test_directivity_is_stated_with_its_deviation_or_as_a_bound() -> None:
    """From two deviations on; a bound of 95 % on one side, 1.64 deviations."""
    found, dense = two_way()
    directivity = found.content.directivity
    assert directivity is not None
    assert not directivity.bound
    assert not directivity.forward_bound
    assert directivity.forward_db == pytest.approx(-DB * math.log(3e-4), abs=1.0)
    assert directivity.reflected_db == pytest.approx(-DB * math.log(8e-4), abs=0.5)
    for at, u_db in ((8, directivity.forward_u_db), (9, directivity.reflected_u_db)):
        sd = math.sqrt(dense.covariance[at, at])
        assert u_db == pytest.approx(DB * sd / dense.x[at], rel=0.03)
    none = fit(two_way_bench((1e-6, 1e-6)), step_v=1e-6)
    little, least = none.content.directivity, Dense(none)
    assert little is not None
    assert little.bound
    assert little.forward_bound
    assert (little.reflected_u_db, little.forward_u_db) == (0.0, 0.0)
    for at, bound_db in ((8, little.forward_db), (9, little.reflected_db)):
        sd = math.sqrt(least.covariance[at, at])
        assert bound_db is not None
        # Of nothing at all, and of a leak that was nearly measured.
        assert -DB * math.log(3.7 * sd) < bound_db < -DB * math.log(1.6 * sd) < 70


def alterations(law: Floats, volts: Floats, top_v: float) -> Floats:
    """Changes of ln P by one deviation of each, as the module describes them."""
    c, n, r = law[0], math.exp(law[1]), math.exp(law[2])
    out = []
    for v in volts.tolist():
        here = ln_watts(v, c, n, r)
        by_n = (
            ln_watts(v, c, n * math.exp(1e-5), r) - ln_watts(v, c, n * math.exp(-1e-5), r)
        ) / 2e-5
        by_v = (ln_watts(v * (1 + 1e-5), c, n, r) - ln_watts(v * (1 - 1e-5), c, n, r)) / (2e-5 * v)
        peak_v = math.sqrt(math.exp(here) * 100 / 10 ** (c / 10))
        out.append([
            2 * 0.07 * v / peak_v,
            -0.07 * by_n * math.log10(1 + v / r),
            0.02 * math.log1p(v / n),
            math.log(10) / 60 * math.exp(here - ln_watts(top_v, c, n, r)),
            0.2 * n * math.log1p(v / r) * by_v,
        ])  # fmt: skip
    return np.array(out)


def test_the_doubt_is_that_of_other_laws_which_fit_the_points() -> None:
    """Sizes of alterations by Bayes' rule, one deviation each beforehand; what of each the fit does
    not take up."""
    found, dense = two_way()
    above = np.maximum(dense.readings.volts - dense.x[[3, 7]], 1e-6)
    top = above.max(axis=0)
    effect = np.zeros((len(dense.residuals), 2 * SHAPES))
    for port in (0, 1):
        shapes = alterations(dense.x[4 * port : 4 * port + 4], above[:, port], top[port])
        for shape in range(SHAPES):
            volts = np.zeros_like(above)
            volts[:, port] = dense.gain[:, port] * shapes[:, shape]
            effect[: volts.size, SHAPES * port + shape] = dense.whiten(volts)
    moved = np.linalg.lstsq(dense.jacobian, effect, rcond=None)[0]
    rest = effect - dense.jacobian @ moved
    sizes = np.linalg.inv(np.eye(2 * SHAPES) + rest.T @ rest)
    mean = sizes @ rest.T @ dense.residuals
    for port, table in enumerate((found.content.forward.doubt, found.content.reflected.doubt)):
        knots, db = np.array(table[3::4]).T
        law = dense.x[4 * port : 4 * port + 4]
        miss = []
        for v in knots.tolist():
            by = []
            for at in range(3):
                step = np.zeros(3)
                step[at] = 1e-5
                up, down = law[:3] + step, law[:3] - step
                by.append(
                    (ln_watts(v, up[0], math.exp(up[1]), math.exp(up[2]))
                     - ln_watts(v, down[0], math.exp(down[1]), math.exp(down[2]))) / 2e-5
                )  # fmt: skip
            c, n, r = law[0], math.exp(law[1]), math.exp(law[2])
            e = 1e-5 * v
            by.append(-(ln_watts(v + e, c, n, r) - ln_watts(v - e, c, n, r)) / (2 * e))
            miss.append(np.array(by) @ moved[4 * port : 4 * port + 4])
        off = np.array(miss)
        off[:, SHAPES * port : SHAPES * (port + 1)] -= alterations(law, knots, top[port])
        square = np.einsum("ij,jk,ik->i", off, sizes + np.outer(mean, mean), off)
        np.testing.assert_allclose(db, DB * np.sqrt(square), rtol=0.03, atol=2e-3)
        assert np.array(table)[:, 0] == pytest.approx(
            np.geomspace(1e-4, 20, 43), rel=1e-4, abs=1e-7
        )


SWAPPED = {"matched": "reversed", "reversed": "matched", "open": "open", "short": "short"}


@pytest.mark.parametrize("conditions", [("matched", "reversed"), model.ALL], ids="+".join)
def test_ports_that_change_places_change_their_results(conditions: tuple[str, ...]) -> None:
    """A coupler the other way round: everything that is said of one port is said of the other."""
    bench = bench_of(7, conditions, detail=False)
    points = [
        msgspec.structs.replace(
            point,
            condition=SWAPPED[point.condition],
            forward_v=point.reflected_v,
            reflected_v=point.forward_v,
        )
        for point in bench.points
    ]
    here = fit(bench).content
    there = fit(msgspec.structs.replace(bench, points=points)).content
    for own, other in ((here.forward, there.reflected), (here.reflected, there.forward)):
        assert own.coupling_db == pytest.approx(other.coupling_db, abs=2e-3)
        assert own.n_vt_v == pytest.approx(other.n_vt_v, rel=2e-3)
        assert own.r_is_v == pytest.approx(other.r_is_v, rel=0.01)
        assert own.zero_v == pytest.approx(other.zero_v, abs=2e-5)
        np.testing.assert_allclose(own.doubt, other.doubt, rtol=0.02, atol=2e-3)
    valid, turned = here.valid, there.valid
    assert (valid.forward_v, valid.reflected_v) == (turned.reflected_v, turned.forward_v)
    assert (valid.forward_w, valid.reflected_w) == (turned.reflected_w, turned.forward_w)
    one, two = here.directivity, there.directivity
    assert one is not None
    assert two is not None
    assert (one.bound, one.forward_bound) == (two.forward_bound, two.bound)
    for a, b in (
        (one.reflected_db, two.forward_db),
        (one.forward_db, two.reflected_db),
        (one.reflected_u_db, two.forward_u_db),
        (one.forward_u_db, two.reflected_u_db),
    ):
        assert a == pytest.approx(b, abs=0.05)
    assert here.covariance is not None
    assert there.covariance is not None
    turn = np.roll(np.arange(8), 4)
    matrix = np.array(there.covariance.matrix)[turn][:, turn]
    sd = np.sqrt(np.diag(matrix))
    np.testing.assert_allclose(
        here.covariance.matrix / np.outer(sd, sd), matrix / np.outer(sd, sd), atol=0.03
    )
    for row, mirror in zip(here.bench_points, there.bench_points, strict=True):
        for side, opposite in (("forward", "reflected"), ("reflected", "forward")):
            for figure in ("miss_db", "error_db"):
                a, b = row.get(f"{side}_{figure}"), mirror.get(f"{opposite}_{figure}")
                assert (a is None) == (b is None)
                if a is not None:
                    assert a == pytest.approx(b, abs=5e-3, rel=0.01)


@pytest.mark.parametrize(
    ("conditions", "source"),
    [
        (("matched",), "assumed"),
        (("matched", "open"), "assumed"),
        (("matched", "open", "short"), "open and short"),
        (("matched", "reversed"), "reversed"),
    ],
    ids=str,
)
def test_where_the_forward_directivity_comes_from(conditions: tuple[str, ...], source: str) -> None:
    found = fit(bench_of(7, conditions))
    directivity = found.content.directivity
    assert found.forward_from == source
    assert found.balanced == (len(conditions) > 1)
    (leak,) = found.leaks
    assert leak is not None
    assert directivity is not None
    assert directivity.reflected_db == pytest.approx(leak.db, abs=1e-3)
    assert directivity.reflected_u_db == pytest.approx(leak.u_db, abs=1e-3)
    if source == "assumed":
        assert directivity.forward_db == directivity.reflected_db
        assert directivity.forward_u_db == directivity.reflected_u_db
    if source == "open and short":
        assert directivity.forward_bound
        assert directivity.forward_u_db == 0
        assert directivity.forward_db is not None
        assert directivity.forward_db <= directivity.reflected_db


@pytest.mark.parametrize("differ", [False, True])
def test_bands_are_told_apart_where_their_couplings_differ(differ: bool) -> None:
    """Of each port by itself; the law is one for all."""
    bands = tuple({"frequency_khz": khz} for khz in (7100.0, 14200.0, 28400.0))
    bench = bench_of(5, ("matched", "reversed"), bands, detail=False)
    more_db = {("matched", 14200.0): 1.0, ("reversed", 28400.0): -0.5} if differ else {}
    points = [
        msgspec.structs.replace(
            p,
            power_w=p.power_w * 10 ** (more_db.get((p.condition, p.frequency_khz or 0.0), 0) / 10),
        )
        for p in bench.points
    ]
    content = fit(msgspec.structs.replace(bench, points=points)).content
    expected = ([0.0, 1.0, 0.0], [0.0, 0.0, -0.5])
    for port, offs_db in zip((content.forward, content.reflected), expected, strict=True):
        khz = [khz for khz, _ in port.coupling_by_khz]
        assert khz == ([7100.0, 14200.0, 28400.0] if differ else [])
        if differ:
            found_db = [db for _, db in port.coupling_by_khz]
            assert found_db[0] == 0.0
            assert found_db == pytest.approx(offs_db, abs=0.15)


def test_marks_instead_of_powers_give_watts_relative_to_the_strongest() -> None:
    bench = bench_of(3, ("matched", "reversed"), detail=False)
    mark = itertools.cycle(range(1, 9))
    marks = [
        msgspec.structs.replace(p, power_w=float(next(mark)) if p.power_w else 0.0)
        for p in bench.points
    ]
    given = msgspec.structs.replace(bench, points=marks)
    content = fit(given, reference="none", strongest_w=8.0).content
    assert content.watts == "relative"
    assert content.instrument["reference_class_percent"] == 0.0
    assert content.valid.forward_w[1] == pytest.approx(8.0, rel=0.1)
    # The ports against each other are as with known powers.
    known = fit(bench).content
    assert known.watts == "absolute"
    apart, expected = (c.reflected.coupling_db - c.forward.coupling_db for c in (content, known))
    assert apart == pytest.approx(expected, abs=0.2)


def spoiled_bench(offs: dict[int, float], scatter: float = 5e-4) -> Bench:
    """Points of `two_way_bench`, the powers of some off by so much, logarithmic."""
    bench = two_way_bench(scatter=scatter)
    points = [
        msgspec.structs.replace(point, power_w=point.power_w * math.exp(offs.get(number, 0.0)))
        for number, point in enumerate(bench.points)
    ]
    return msgspec.structs.replace(bench, points=points)


@pytest.mark.parametrize(("off", "left_out"), [(0.017, False), (0.035, True), (-0.035, True)])
def test_a_point_is_left_out_from_four_and_a_half_deviations_of_half_a_percent(
    off: float, left_out: bool
) -> None:
    content = fit(spoiled_bench({4: off}), step_v=1e-6).content
    sides = {n: row["left_out"] for n, row in enumerate(content.bench_points) if "left_out" in row}
    assert sides == ({4: "forward"} if left_out else {})
    assert content.bench_points[4]["forward_miss_db"] == pytest.approx(-off * DB, abs=0.02)


def test_points_that_follow_no_law_are_refused_with_the_worst_of_them() -> None:
    rng = np.random.default_rng(3)
    offs = dict(enumerate((0.5 * rng.standard_normal(18)).tolist()))
    with pytest.raises(BenchPointError, match=r"^p\.csv:\d+: readings do not fit") as caught:
        fit(spoiled_bench(offs), step_v=1e-6)
    said = float(str(caught.value).split("residual ")[1].split(" dB")[0])
    assert 1.3 < said < 4.3


@pytest.mark.parametrize(("span_c", "warms"), [(4.8, False), (8.0, True)])
def test_currents_of_diodes_rise_with_temperature_if_five_degrees_were_seen(
    span_c: float, warms: bool
) -> None:
    """Saturation currents that double in ten degrees; n Vt in proportion to 273 + 21."""
    rows = "condition,power_w,forward_v,reflected_v,temperature_c\n"
    for celsius in (21 - span_c / 2, 21.0, 21 + span_c / 2):
        warmer = celsius - 21
        for condition in ("matched", "reversed"):
            for watts in np.geomspace(0.02, 8, 6).tolist():
                pair = []
                for law, own in ((LAW_F, "matched"), (LAW_R, "reversed")):
                    heard = watts if condition == own else 5e-4 * watts
                    n_vt_v = law[1] * (1 + warmer / (273.15 + 21))
                    volts = volts_by_roots(heard, law[0], n_vt_v, law[2] * 2 ** (warmer / 10))
                    pair.append(law[3] + volts)
                rows += f"{condition},{watts:.6f},{pair[0]:.7f},{pair[1]:.7f},{celsius}\n"
    rows += f"matched,0,{LAW_F[3]},{LAW_R[3]},21\n"
    content = fit(bench_points.parse(rows, "p.csv"), step_v=1e-6).content
    assert content.temperature_c == 21.0
    for port, law in ((content.forward, LAW_F), (content.reflected, LAW_R)):
        assert port.n_vt_v == pytest.approx(law[1], rel=0.03)
        assert port.r_is_v == pytest.approx(law[2], rel=0.1)
        if warms:
            assert port.r_is_per_c == pytest.approx(math.log(2) / 10, abs=0.01)
        else:
            assert port.r_is_per_c == 0
