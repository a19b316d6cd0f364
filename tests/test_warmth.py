"""The coupler's temperature: its coefficient learned in the field, and taken out of the trends."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from logger.calibration import file
from logger.calibration.coupler import Coupler
from logger.cli.commands.calibrate_temperature import command
from logger.report.gather import report
from logger.report.words import sections
from logger.rows import Transmission
from logger.store.reader import Store
from logger.store.writer import StoreWriter
from logger.trend.gather import account, read_history
from logger.trend.model import TEMPERATURE, trend
from logger.trend.temperature import power_bins
from logger.utc import DAY_NS
from tests.bench.warmth import STORIES, learned, verdicts
from tests.foreign_warmth import Story, Years, render
from tests.station import write_config
from tests.test_store import ALWAYS, transmission
from tests.trends import days

WARMER = Story(days=400, later_c=8.0)


def rows_of(years: Years) -> list[Transmission]:
    """What the daemon stores of them."""
    name = Coupler(years.content).id
    swr = (1 + years.rho) / (1 - years.rho)
    return [
        transmission(
            round(day * DAY_NS),
            channel=int(channel),
            calibration_id=name,
            forward_w_mean=watts,
            swr=ratio,
            swr_noise_low=1 + (ratio - 1) * (1 - 2 * noise),
            swr_noise_high=1 + (ratio - 1) * (1 + 2 * noise),
            coupler_temperature_c=celsius,
        )
        for day, channel, watts, ratio, noise, celsius in zip(
            years.day.tolist(),
            years.channel.tolist(),
            years.forward_w.tolist(),
            swr.tolist(),
            years.noise.tolist(),
            years.celsius.tolist(),
            strict=True,
        )
    ]


@pytest.mark.parametrize(("seed", "coefficient"), [(2, 0.06), (8, 0.0), (14, 0.06)])
def test_two_powers_tell_the_coefficient(seed: int, coefficient: float) -> None:
    years = render(seed, Story(coefficient=coefficient, heated=10.0 * (seed % 4 > 0)))
    found = learned(years)
    assert found.is_learned
    assert abs(found.per_c - years.per_c) < 2.6 * found.u
    assert found.u < 0.01
    assert found.calibrated == coefficient


def test_one_power_does_not() -> None:
    """What is alike at all powers may be the antenna."""
    found = learned(render(3, Story(powers="one")))
    assert not found.is_learned
    assert found.per_c == pytest.approx(0.06, abs=0.03)
    assert not found.departs
    assert "do not determine it" in found.describe()


def test_a_loss_is_found_beside_a_colder_shack() -> None:
    story = STORIES["loss +1 dB a year, 8 °C colder"]._replace(days=420)
    assert [corrected for _, corrected in verdicts(render(2, story))] == [True] * 3


def test_a_step_within_the_doubt_of_the_coefficient_is_explained_by_it() -> None:
    values = days(420, amplitude=0.0, noise=0.004, step=(200, 0.05))
    doubt = np.where(values.day < values.day[0] + 200, 0.0, 0.03)
    plain, doubted = trend(values), trend(values, thermal_swr=doubt)
    assert [step.explained_by for step in plain.steps] == [None]
    assert [step.explained_by for step in doubted.steps] == [TEMPERATURE]
    assert (plain.verdict, doubted.verdict != "stepped") == ("stepped", True)
    small = trend(values, thermal_swr=doubt / 3)
    assert [step.explained_by for step in small.steps] == [None]


def test_powers_are_separated_by_gaps() -> None:
    watts = np.array([4.0, 0.5, 4.3, 3.7, 0.52, 3.9])
    assert power_bins(watts).tolist() == [1, 0, 1, 1, 0, 1]
    assert len(np.unique(power_bins(np.geomspace(0.1, 10, 400)))) > 10


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Years]:
    """A store with a shack that has become warmer, and its configuration."""
    folder = tmp_path_factory.mktemp("warm")
    years = render(2, WARMER)
    config = write_config(folder, "none")
    (folder / "coupler.yaml").write_text(file.dump(years.content))
    path = folder / "data/station.sqlite"
    path.parent.mkdir(exist_ok=True)
    with StoreWriter.open(path) as store:
        store.insert_calibration(Coupler(years.content).id, file.dump(years.content))
        store.write(rows_of(years))
    return config, years


def test_the_report_says_what_is_taken_out(station: tuple[Path, Years]) -> None:
    config, years = station
    now_ns = int((years.day[-1] + 1) * DAY_NS)
    with Store.reader(config.parent / "data/station.sqlite") as store:
        of_store = account(read_history(store, now_ns, ALWAYS), "harbour-workshop", 3.0)
        told = report(store, of_store).summary
    assert len(of_store.channels) == 3
    for channel in of_store.channels:
        assert channel.trend.verdict in ("steady", "undecided")
        assert channel.instrument is not None
        assert channel.instrument.slope_u > channel.instrument.thermal_slope_u > 0
    (coupler,) = (one for one in sections(told) if one.title == "Coupler")
    text = " ".join(coupler.lines)
    assert "R·Is of the detectors grows by" in text
    assert "taken out of the trends" in text
    assert "`mismatchd calibrate temperature`" in text


def test_the_coefficient_is_put_into_a_calibration_on_purpose(
    station: tuple[Path, Years], tmp_path: Path
) -> None:
    config, years = station
    before = file.load(config.parent / "coupler.yaml")
    output = tmp_path / "warm.yaml"
    done = CliRunner().invoke(command, ["-c", str(config), "-o", str(output)])
    assert done.exit_code == 0, done.output
    assert "the calibration does not correct it" in done.output
    changed = file.load(output)
    assert changed.forward.r_is_per_c == changed.reflected.r_is_per_c
    assert changed.reflected.r_is_per_c == pytest.approx(years.per_c, abs=0.02)
    assert file.load(config.parent / "coupler.yaml") == before
    again = CliRunner().invoke(command, ["-c", str(config)])
    assert again.exit_code == 0
    assert not (config.parent / "warm.yaml").exists()
