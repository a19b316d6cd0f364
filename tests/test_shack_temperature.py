"""A shack whose temperature changes, as a rival cause of a change of the reflection (5 s)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.diagnosis.evidence import gather
from logger.diagnosis.findings import findings
from logger.diagnosis.history import YEAR_AGO, read
from logger.diagnosis.rules import NOTHING, SHACK
from logger.diagnosis.scoring import Diagnosis, diagnose
from logger.diagnosis.temperature import ThermalFit, fit_temperature, ln_rho_per_c, power_classes
from logger.store.writer import StoreWriter
from logger.trend.season_by_power import season_by_power
from tests.bench.foreign_causes import MOST_LINE_BLAME, line_blame
from tests.foreign_shacks import (
    BEFORE,
    BENCH_C,
    DAY_NS,
    DIODES,
    EPOCH_NS,
    Diode,
    calibrate,
    render,
)  # fmt: skip
from tests.test_diagnosis import seen, three
from tests.test_store import T0, transmission

POWERS_W = np.array([0.05, 0.2, 1.0, 4.0])
GAIN = 0.8  # volts of the peak at 1 W
SCHOTTKY = Diode(*DIODES["schottky"], load_ohm=47e3, doubling_c=11.5)


def read_rho(diode: Diode, watts: np.ndarray, rho: float, celsius: float) -> np.ndarray:
    """Reflection coefficient read with the calibration of 21 °C."""
    coupler = Coupler(calibrate(diode, GAIN))
    at = np.full(len(watts), celsius)
    reflected_w, forward_w = (
        law.watts(diode.volts(GAIN * np.sqrt(watts) * part, at))
        for law, part in ((coupler.reflected, rho), (coupler.forward, 1.0))
    )
    return np.asarray(np.sqrt(reflected_w / forward_w))


@pytest.mark.parametrize("kind", DIODES)
def test_the_effect_is_that_of_the_published_law(kind: str) -> None:
    diode = Diode(*DIODES[kind], load_ohm=47e3, doubling_c=np.log(2) / 0.06)
    colder, warmer = (read_rho(diode, POWERS_W, 0.15, BENCH_C + step) for step in (-2.0, 2.0))
    per_c = ln_rho_per_c(Coupler(calibrate(diode, GAIN)), POWERS_W, np.full(4, 0.15))
    assert per_c == pytest.approx(np.log(warmer / colder) / 4, rel=0.02, abs=2e-4)


def test_the_effect_is_strong_at_low_power_only() -> None:
    coupler = Coupler(calibrate(SCHOTTKY, GAIN))
    low, high = ln_rho_per_c(coupler, np.array([0.2, 400.0]), np.full(2, 0.15))
    assert low > 0.008
    assert 0 < high < low / 8


def test_a_corrected_reading_does_not_depend_on_temperature() -> None:
    content = calibrate(SCHOTTKY, GAIN)
    ports = {
        side: msgspec.structs.replace(getattr(content, side), r_is_per_c=0.06)
        for side in ("forward", "reflected")
    }
    coupler = Coupler(msgspec.structs.replace(content, temperature_c=21.0, **ports))
    rho = np.full(4, 0.15)
    assert (ln_rho_per_c(coupler, POWERS_W, rho, is_corrected=True) == 0).all()
    assert (ln_rho_per_c(coupler, POWERS_W, rho) > 0).all()
    # Without a coefficient the temperature of the pairs changes nothing.
    plain = Coupler(content)
    assert (ln_rho_per_c(plain, POWERS_W, rho, is_corrected=True) > 0).all()


def test_powers_in_use_are_told_apart() -> None:
    watts = np.array([4.0, 1.0, 4.1, 0.98, 3.9, 0.1])
    assert power_classes(watts).tolist() == [2, 1, 2, 1, 2, 0]
    assert not power_classes(np.linspace(1, 5, 100)).any()


def test_one_temperature_for_all_powers_or_one_load() -> None:
    per_c, before, sd = np.array([0.002, 0.02, 0.04]), np.full(3, 0.2), np.full(3, 0.003)
    channel = np.zeros(3)
    shack = fit_temperature(before, 0.2 * np.expm1(-9 * per_c), sd, per_c, channel)
    assert shack.warmer_c == pytest.approx(-9, abs=3)
    assert shack.lift > 2
    assert shack.is_uneven
    load = fit_temperature(before, np.full(3, -0.05), sd, per_c, channel)
    assert load.lift < -10
    # At one power a changed load looks the same, unless no shack changes so much.
    alone = fit_temperature(before[:1], np.array([-0.02]), sd[:1], per_c[1:2], channel[:1])
    assert alone.lift > 0
    assert not alone.is_uneven
    large = fit_temperature(before[:1], np.array([-0.13]), sd[:1], per_c[1:2], channel[:1])
    assert large.lift < -3


def two_years(
    seed: int, warm_c: float, antenna: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, watts and SWR of a station at two powers; its shack and its antenna have a season."""
    rng = np.random.default_rng([33, seed])
    # Germanium hardly changes at these powers.
    kind = ("schottky", "silicon")[seed % 2]
    diode = Diode(*DIODES[kind], load_ohm=47e3, doubling_c=11.0)
    day = np.sort(rng.uniform(0, 730, 1500))
    wave = np.sin(2 * np.pi * (day / 365.25 + rng.random()))
    weather = np.repeat(rng.normal(0, 1, 74), 10)[day.astype(int)]
    watts = rng.choice([0.4, 4.0], len(day)) * rng.lognormal(0, 0.03, len(day))
    rho = 0.18 * (1 + antenna * wave + 0.03 * weather) + rng.normal(0, 0.003, len(day))
    celsius = BENCH_C + warm_c * wave + rng.normal(0, 2, len(day))
    coupler = Coupler(calibrate(diode, GAIN))
    noise_v = rng.normal(0, 5e-5, (2, len(day)))
    forward_w, reflected_w = (
        law.watts(diode.volts(GAIN * np.sqrt(watts) * part, celsius) + noise)
        for law, part, noise in zip(
            (coupler.forward, coupler.reflected), (1.0, rho), noise_v, strict=True
        )
    )
    read = np.sqrt(np.maximum(reflected_w, 0) / forward_w)
    return (EPOCH_NS + day * DAY_NS).astype(np.int64), forward_w, (1 + read) / (1 - read)


def test_a_season_of_the_detectors_is_told_from_one_of_the_antenna() -> None:
    found = [season_by_power(*two_years(seed, 8.0, 0.1)) for seed in range(12)]
    for season in found:
        assert season is not None
        assert (season.low_w, season.high_w) == pytest.approx((0.4, 4.0), rel=0.3)
        assert 0.005 < season.amplitude < 0.1
        assert "not the antenna" in season.describe()
    assert [season_by_power(*two_years(seed, 0.0, 0.15)) for seed in range(12)] == [None] * 12
    # One power, or less than a year, do not tell.
    time_ns, watts, swr = two_years(1, 8.0, 0.0)
    high = watts > 1
    assert season_by_power(time_ns[high], watts[high], swr[high]) is None
    assert season_by_power(time_ns[:600], watts[:600], swr[:600]) is None


def diagnosis(**changes: float) -> list[Diagnosis]:
    about_ns = EPOCH_NS + (BEFORE + 4) * DAY_NS
    return [diagnose(gather(render(seed, **changes), about_ns)) for seed in range(8)]


def first_causes(found: list[Diagnosis]) -> list[str]:
    return [one.causes[0].name for one in found]


@pytest.mark.parametrize("warmer_c", [-12.0, 12.0])
def test_a_shack_is_no_fault_of_the_line(warmer_c: float) -> None:
    found = diagnosis(warmer_c=warmer_c)
    assert set(first_causes(found)) <= {NOTHING, SHACK}
    assert SHACK in first_causes(found)
    assert max(line_blame(one.odds) for one in found) <= MOST_LINE_BLAME


def test_a_change_larger_than_that_of_a_shack_is_one_of_the_line() -> None:
    found = diagnosis(loss_db=4.0)
    assert first_causes(found).count("wet-line") >= 7
    found = diagnosis(load=0.1)
    assert SHACK not in first_causes(found)
    assert sum(line_blame(one.odds) > 0.5 for one in found) >= 7


def test_a_season_that_repeats_is_taken_out_beside_a_drift() -> None:
    about_ns = EPOCH_NS + (BEFORE + 4) * DAY_NS
    for loss_db, blamed in ((3.0, False), (0.0, True)):  # a year before
        found = []
        for seed in range(6):
            now, then = render(seed, loss_db=3.0), render(seed, loss_db=loss_db)
            year_ago = {name: then.transmissions[name] for name in (*YEAR_AGO, "channel")}
            found.append(diagnose(gather(replace(now, year_ago=year_ago), about_ns)))
        assert sum(line_blame(one.odds) > MOST_LINE_BLAME for one in found) >= 5 * blamed
        assert blamed or max(line_blame(one.odds) for one in found) <= MOST_LINE_BLAME


def test_the_shack_is_described() -> None:
    shack = ThermalFit(warmer_c=-9.0, lift=3.0, is_uneven=True)
    evidence = seen(channels=three(0.18, 0.16, 0.2, days=18.0), slow=20.0, thermal=shack)
    found = diagnose(evidence)
    assert found.causes[0].name == SHACK
    assert "a shack 9 °C colder" in found.causes[0].for_[0]
    assert "most at low power" in found.causes[0].for_[0]
    assert any("dummy load" in check.text for check in found.checks)
    unknown = findings(msgspec.structs.replace(evidence, thermal=None))["thermal"]
    assert unknown.degree is None
    sudden = diagnose(msgspec.structs.replace(evidence, slow=-60.0))
    assert sudden.odds[SHACK] < 0.05


def test_the_stored_calibration_gives_the_effect(tmp_path: Path) -> None:
    content = calibrate(SCHOTTKY, GAIN)
    rows = [transmission(T0 + n * DAY_NS, channel=20) for n in (-365, 0, 1, 2)]
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        store.write(rows)
        (calibration_id,) = store.calibrations()
        unknown = read(store, T0 + 2 * DAY_NS)
        assert unknown.per_c is not None
        assert np.isnan(unknown.per_c).all()
        assert gather(unknown).thermal is None
        store.insert_calibration(calibration_id, dump(content))
        history = read(store, T0 + 2 * DAY_NS)
    assert history.per_c is not None
    assert (history.per_c > 0).all()
    assert history.year_ago is not None
    assert history.year_ago["start_ns"].tolist() == [T0]
    assert history.year_ago["channel"].tolist() == [20]
