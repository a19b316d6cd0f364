"""Opens of a chattering contact, and stations whose converters hide their noise: fast subsets of
`tests/bench/chatter.py` and `tests/bench/foreign_noise.py`."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Excursion, Row
from logger.stages.usual_level import LEAST_QUARTERS, QUARTER_NS, UsualLevelMemory, UsualLevels
from tests.bench import chatter, foreign_noise
from tests.station_model import Open, Over, Record, Station, exact, random_station
from tests.station_model.detectors import Converter
from tests.station_model.pipeline import Settings, blocks
from tests.station_model.station import EPOCH_NS


def station() -> Station:
    return random_station(np.random.default_rng(3))


def rows_of(station: Station, record: Record) -> list[Row]:
    pipeline = Pipeline(Settings(), Coupler(exact(station.coupler)))
    rows = [row for block in blocks(station, record) for row in pipeline.process(block)]
    return rows + pipeline.finish()


def burst(start_s: float, lengths_s: list[float], gap_s: float) -> list[Open]:
    opens = []
    for length_s in lengths_s:
        opens.append(Open(start_s, start_s + length_s, 3000.0, 1.0))
        start_s += length_s + gap_s
    return opens


@pytest.mark.parametrize("gap_s", [0.021, 0.04, 0.2])
@pytest.mark.parametrize("start_s", [30.052, 34.0])
def test_a_burst_is_counted_and_timed_whatever_its_spacing(gap_s: float, start_s: float) -> None:
    """Six opens, most of a second and more, from key-down on too: the channel was used before."""
    own = burst(start_s, [0.2, 0.15, 0.2, 0.03, 0.18, 0.2], gap_s)
    overs = [Over(10.0, 20.0, "fm", 20, 4.0), Over(30.0, 42.0, "fm", 20, 4.0)]
    record = station().record(np.random.default_rng(1), overs, own, since_s=1.0, until_s=46.0)
    found = [row for row in rows_of(station(), record) if isinstance(row, Excursion)]
    assert len(found) == len(own)
    total_s = sum(row.duration_ms for row in found) / 1e3
    assert total_s == pytest.approx(sum(one.end_s - one.start_s for one in own), rel=0.1)
    for row, one in zip(found, own, strict=True):
        assert (row.time_ns - EPOCH_NS) / 1e9 == pytest.approx(one.start_s, abs=0.0051)


@pytest.mark.nightly
@pytest.mark.parametrize(("seed", "overs"), [(115, 16), (117, 11), (104, 20)])
def test_opens_of_a_foreign_station_are_found_like_an_ideal_detector_would(
    seed: int, overs: int
) -> None:
    """Opens drive both ports of one to full scale; another's silicon diodes hardly read 1 W; at the
    third, slow filters round a burst from key-down on, soon after another power."""
    tallies, false = chatter.run(seed, overs, 200.0, missed=False)
    total = tallies["all"]
    assert total.found >= 0.98 * total.ideal
    assert total.seen_s == pytest.approx(total.true_s, rel=0.1)
    assert not false


@pytest.mark.parametrize(("wander", "found"), [(0.0002, 1), (0.004, 0)])
def test_a_slight_departure_counts_in_calm_air_only(wander: float, found: int) -> None:
    """|Gamma| of 0.1 changes by 0.012 for 60 ms; the load wanders within half a second."""
    rng = np.random.default_rng(2)
    coupler, noise_v = Coupler(exact(station().coupler)), 4e-4
    count = 200 * 20
    rho = 0.1 * np.ones(count)
    sway, keep = 0.0, float(np.exp(-1 / (200 * 0.5)))
    for index in range(count):
        sway = keep * sway + wander * np.sqrt(1 - keep**2) * rng.standard_normal()
        rho[index] += sway
    rho[2000:2012] += 0.012
    keyed = np.arange(count) >= 200
    columns = [
        port.volts(np.where(keyed, watts, 0.0)) + noise_v * rng.standard_normal(count)
        for port, watts in (
            (coupler.forward, np.full(count, 4.0)),
            (coupler.reflected, 4.0 * rho**2),
        )
    ]
    time_ns = EPOCH_NS + np.arange(count) * 5_000_000
    pipeline = Pipeline(Settings(), coupler)
    rows = pipeline.process(SampleBlock(time_ns, *columns, {}, (0.0, 0.0), 3.3))
    rows += pipeline.finish()
    assert len([row for row in rows if isinstance(row, Excursion)]) == found


def test_a_step_that_stays_is_no_burst() -> None:
    """From one level to another and back after seconds."""
    own = [Open(14.0, 19.0, 3000.0, 1.0)]
    record = station().record(
        np.random.default_rng(1), [Over(10.0, 24.0, "fm", 20, 4.0)], own, since_s=1.0, until_s=28.0
    )
    assert not [row for row in rows_of(station(), record) if isinstance(row, Excursion)]


@pytest.mark.parametrize(("zero_lsb", "noise_lsb"), [(0.0, 0.7), (-1.0, 3.0), (0.3, 0.4)])
def test_hidden_noise_is_no_excursion(zero_lsb: float, noise_lsb: float) -> None:
    """A station with hardly any reflection whose zero lies at the converter's lower end."""
    rng = np.random.default_rng(5)
    coupler = Coupler(exact(station().coupler))
    step_v = Converter().step_v
    pipeline = Pipeline(Settings(), coupler)
    count = 200 * 120
    time_ns = EPOCH_NS + np.arange(count) * 5_000_000
    keyed = (np.arange(count) // 200) % 30 >= 10
    rows: list[Row] = []
    levels = [np.where(keyed, coupler.forward.volts(np.array([w]))[0], 0.0) for w in (4.0, 2e-4)]
    readings = [
        np.maximum(np.rint(level / step_v + zero_lsb + noise_lsb * rng.standard_normal(count)), 0.0)
        * step_v
        for level in levels
    ]

    for begin in range(0, count, 4000):
        part = slice(begin, begin + 4000)
        rows += pipeline.process(
            SampleBlock(
                time_ns[part], readings[0][part], readings[1][part], {}, (step_v, step_v), 3.3
            )
        )
    rows += pipeline.finish()
    assert not [row for row in rows if isinstance(row, Excursion | AlarmChange)]


@pytest.mark.nightly
@pytest.mark.parametrize("number", [0, 10])
def test_a_sound_foreign_station_with_hidden_noise_is_left_alone(number: int) -> None:
    """FM through 8 bits, SSB through 12 bits, by a calibration fitted from its own readings."""
    outcome = foreign_noise.run([foreign_noise.draw_cells(12, 1)[number]], 0.1)[0]
    assert not outcome.excursions
    assert not outcome.alarms


def feed(usual: UsualLevels, start: int, ratio: list[float], ended: list[int]) -> np.ndarray:
    number = np.arange(start, start + len(ratio))
    starts = np.full(len(ratio), start * QUARTER_NS)
    return usual.update(number, starts, np.full(len(ratio), "20"), np.array(ratio), ended)[0]


def test_the_usual_level_is_that_of_the_channel_until_the_transmission_has_its_own() -> None:
    usual = UsualLevels(UsualLevelMemory())
    first = feed(usual, 100, [0.04] * 40, [])
    assert np.isnan(first[0])
    assert first[-1] == 0.04
    usual.learn([140 * QUARTER_NS])
    again = feed(usual, 200, [0.9] * 5 + [0.04] * 5, [])
    assert again.tolist() == [0.04] * 10
    moved = UsualLevels(usual.memory)
    assert feed(moved, 300, [0.2] * 40, [])[-1] == 0.2


def test_what_is_learned_does_not_depend_on_when_the_end_is_told() -> None:
    memories = []
    for at_once in (True, False):
        usual = UsualLevels(UsualLevelMemory())
        first, second = [0.04] * 9 + [0.5], [0.06] * LEAST_QUARTERS + [0.5]
        ends = [109 * QUARTER_NS + 1, 200 * QUARTER_NS + LEAST_QUARTERS * QUARTER_NS + 1]
        if at_once:
            number = np.concatenate([np.arange(100, 110), np.arange(200, 201 + LEAST_QUARTERS)])
            starts = np.where(number < 200, 100, 200) * QUARTER_NS
            place = np.full(len(number), "20")
            levels = usual.update(number, starts, place, np.array(first + second), ends)[0]
            assert levels[10:].tolist() == [0.04] * 5
        else:
            feed(usual, 100, first[:-1], ends[:1])
            # The last quarter is over after its transmission.
            starts = np.array([100 * QUARTER_NS])
            usual.update(np.array([109]), starts, np.array(["20"]), np.array(first[-1:]))
            feed(usual, 200, second, ends[1:])
        memories.append(usual.memory)
    assert memories[0] == memories[1]
    assert memories[0].channels == {"20": [0.04, 0.06]}
