"""The parts of the fit of a coupler: against root finding, differences and dense linear algebra."""

from __future__ import annotations

import functools
import math

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


@functools.cache
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
    layout = Layout(3, by_band=by_band, by_temperature=by_temperature, marks=marks)
    numbers = np.concatenate([part.ravel() for part in layout.index])
    assert sorted(numbers.tolist()) == list(range(layout.size))
    derivatives = np.zeros((6, 2, layout.size))
    views = layout.view(derivatives[:, 1])
    views.leak2[4, 2, 0] = 7.0  # writes through, also to part of an array
    assert derivatives[4, 1, layout.index.leak2[2, 0]] == 7.0
    assert np.count_nonzero(derivatives) == 1
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


@functools.cache
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
    powers = np.geomspace(0.05, 12, 24).tolist()
    bend = 0.25 * np.sin(np.linspace(0, 2 * np.pi, 24))
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
