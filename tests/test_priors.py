"""Priors by cable and age: pooling beside published implementations, the file, its use."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from statsmodels.discrete.discrete_model import NegativeBinomial
from statsmodels.stats.meta_analysis import combine_effects

from logger.config.load import FeedlineOptions, load_sections
from logger.errors import ConfigError
from logger.fleet.learning.facts import Series, StationFacts, priors_of
from logger.fleet.learning.priors import (
    Class,
    fit_shape,
    learn_ageing,
    learn_rates,
    pool,
    shrink,
)
from logger.trend.model import trend
from logger.trend.outcome import Slope
from logger.trend.priors import (
    AgeingPrior,
    LinePriors,
    Priors,
    RatePrior,
    age_class,
    describe_rate,
    read,
    weigh,
    write,
)
from tests.drift_stations import drift_station

NOW_NS = 1_796_200_000_000_000_000  # 2026-12
RNG = np.random.default_rng(3)


def test_the_variance_between_stations_is_that_of_statsmodels() -> None:
    slope, variance = RNG.normal(0.02, 0.03, 25), RNG.uniform(0.001, 0.04, 25) ** 2
    reference = combine_effects(slope, variance, method_re="iterated")
    pooled = pool(slope, variance)
    assert pooled.between == pytest.approx(reference.tau2, rel=1e-3)
    assert pooled.mean == pytest.approx(reference.mean_effect_re, rel=1e-4)
    assert pooled.error == pytest.approx(reference.sd_eff_w_re, rel=1e-3)
    same = np.full(5, 0.1)
    assert pool(same, variance[:5]).between == 0.0


def test_the_shape_of_rates_is_that_of_statsmodels() -> None:
    hours = RNG.uniform(5, 60, 150)
    number = np.arange(150) % 2
    rate = RNG.gamma(1.5, np.where(number, 0.4, 1.2) / 1.5)
    count = RNG.poisson(rate * hours).astype(float)
    shape, means = fit_shape(count, hours, number)
    design = np.column_stack([number == 0, number == 1]).astype(float)
    fit = NegativeBinomial(count, design, exposure=hours).fit(disp=0, skip_hessian=True)
    assert shape == pytest.approx(1 / fit.params[-1], rel=1e-2)
    assert means == pytest.approx(np.exp(fit.params[:2]), rel=1e-3)


def test_a_small_class_is_near_the_fleet_and_a_large_one_is_itself() -> None:
    means = np.array([0.0, 0.1, 0.2, 0.1])
    mean, error = shrink(means, np.array([1e-6, 1e-6, 1e-6, 0.1]))
    assert mean[:3] == pytest.approx(means[:3], abs=1e-4)
    assert mean[3] == pytest.approx(0.1, abs=0.01)
    pulled, _ = shrink(means, np.array([0.1, 1e-6, 1e-6, 1e-6]))
    assert pulled[0] > 0.1
    assert (error > 0).all()


def test_partial_pooling_beats_none_and_full() -> None:
    classes = [Class("RG-58", age_class(n % 3 * 8)) for n in range(90)]
    centre = np.array([0.0, 0.05, 0.1])[np.arange(90) % 3]
    truth = centre + 0.02 * RNG.standard_normal(90)
    error = np.full(90, 0.04)
    slope = truth + error * RNG.standard_normal(90)
    file = Priors(
        made_utc="", stations=90, ageing=learn_ageing(slope, error, classes), excursions=()
    )
    inside, partial = 0, []
    for own, u, name, true in zip(slope, error, classes, truth, strict=True):
        prior = file.of_ageing(*name)
        assert prior is not None
        inside += abs(true - prior.mean) < 1.96 * prior.deviation
        partial.append(weigh(Slope(own, u, 1e6), prior).per_year)

    def loss(estimate: np.ndarray) -> float:
        return float(np.mean((estimate - truth) ** 2))

    assert loss(np.array(partial)) < 0.7 * min(loss(slope), loss(np.full(90, slope.mean())))
    assert inside >= 80


def test_classes_of_one_or_two_stations_are_left_out() -> None:
    classes = [Class("RG-58", "any")] * 6 + [Class("RG-213", "any")]
    ageing = learn_ageing(np.linspace(0, 0.1, 7), np.full(7, 0.02), classes)
    assert [(each.cable, each.stations) for each in ageing] == [("RG-58", 6), ("any", 7)]
    rates = learn_rates(np.arange(7.0), np.full(7, 10.0), classes)
    assert [(each.cable, each.excursions) for each in rates] == [("RG-58", 15), ("any", 21)]
    assert learn_ageing(np.zeros(4), np.ones(4), classes[:4]) == ()
    assert learn_rates(np.zeros(7), np.ones(7), classes) == ()


def facts(number: int) -> StationFacts:
    station = drift_station(np.random.default_rng(number), years=2, steps=0)
    days = station.days
    series = Series("channel 20", tuple(days.day.tolist()), tuple(days.swr.tolist()), 9)
    return StationFacts(
        place=None, cable="RG-58", age="any", excursions=number, keyed_hours=20.0,
        series=(series,), shifts_ns=(),
    )  # fmt: skip


def test_a_fleet_makes_a_file_and_a_station_uses_it(tmp_path: Path) -> None:
    path = tmp_path / "priors.yaml"
    made = priors_of([facts(number) for number in range(6)], NOW_NS)
    write(made, path)
    assert read(path) == made
    assert made.ageing[-1].cable == "any"
    assert made.excursions[-1].excursions == 15
    config = tmp_path / "config.yaml"
    config.write_text("driver: {kind: simulated}\npriors: priors.yaml\n")
    assert load_sections(config).priors == path
    path.write_text("ageing: 3\n")
    with pytest.raises(ConfigError, match="not a file of `fleet learn`"):
        read(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        read(tmp_path / "none")


def test_a_slope_is_weighed_by_precision_and_says_so() -> None:
    prior = AgeingPrior(cable="RG-58", age="up to 5 years", stations=23, mean=0.0, deviation=0.02)
    weighed = weigh(Slope(0.1, 0.02, 10.0), prior)
    assert weighed.per_year == pytest.approx(0.05)
    assert weighed.error == pytest.approx(0.02 / np.sqrt(2))
    assert weighed.freedom == pytest.approx(40)
    days = drift_station(np.random.default_rng(1), years=2, steps=0).days
    alone, shared = trend(days), trend(days, prior=prior)
    assert alone.slope is not None
    assert shared.slope == weigh(alone.slope, prior)
    (reason,) = set(shared.reasons) - set(alone.reasons)
    assert "with the prior of 23 stations (RG-58, up to 5 years)" in reason


def test_the_class_of_a_line_chooses_the_prior() -> None:
    def rate(cable: str, age: str) -> RatePrior:
        return RatePrior(
            cable=cable, age=age, stations=9, excursions=30, keyed_hours=60.0, mean=0.5, shape=2.0
        )

    old, fleet = rate("RG-58", "6 to 15 years"), rate("any", "any")
    priors = Priors(made_utc="", stations=9, ageing=(), excursions=(old, fleet))
    lines = {None: FeedlineOptions(cable="rg58", laid=2015)}
    assert LinePriors(priors, lines, NOW_NS).excursions() is old
    assert LinePriors(priors, {None: FeedlineOptions(cable="RG-58")}, NOW_NS).excursions() is fleet
    assert LinePriors(priors, lines, NOW_NS).ageing(None) is None
    assert "more than usual" in describe_rate(old, 500, 20.0)
    assert "fewer than usual" in describe_rate(old, 0, 1000.0)
    assert "20.0 keyed hours, usual" in describe_rate(old, 10, 20.0)
    low, high = old.interval()
    # Quantiles of a gamma distribution of shape 2 and scale 1: 0.2422, 5.5716.
    assert (low, high) == pytest.approx((0.2422 / 4, 5.5716 / 4), rel=1e-3)
