"""Departures of given size, length and spacing on a carrier: which of them are excursions."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.calibration.coupler import Coupler
from logger.calibration.detector import DetectorLaw
from logger.physics.reflection import swr
from logger.pipeline import Pipeline
from logger.rows import Excursion
from tests.station_model import exact, random_station
from tests.station_model.pipeline import Settings
from tests.station_model.station import EPOCH_NS

RATE_HZ = 200
STEP_MS = 1e3 / RATE_HZ
KEYED = slice(600, 3000)  # pairs
COUPLER = Coupler(exact(random_station(np.random.default_rng(3)).coupler))
RHO, WATTS = 0.2, 4.0


def block_of(
    rho: np.ndarray,
    watts: np.ndarray | float = WATTS,
    *,
    noise_v: float = 1e-4,
    keyed_noise_v: float | None = None,
    seed: int = 1,
    rate_hz: int = RATE_HZ,
    channel: np.ndarray | None = None,
) -> SampleBlock:
    """A transmission with a reflection coefficient and a power for each pair.

    `keyed_noise_v` is the noise during the transmission, if it differs.
    """
    rng = np.random.default_rng(seed)
    count = KEYED.start + len(rho) + 800
    keyed = slice(KEYED.start, KEYED.start + len(rho))
    forward_w, reflected_w = np.zeros(count), np.zeros(count)
    forward_w[keyed] = watts
    reflected_w[keyed] = watts * rho**2
    noise = np.full(count, noise_v)
    if keyed_noise_v is not None:
        noise[keyed] = keyed_noise_v
    aux = {}
    if channel is not None:
        aux["channel"] = np.pad(channel.astype(float), (KEYED.start, 800), mode="edge")
    forward_v, reflected_v = (
        port.volts(power_w) + noise * rng.standard_normal(count)
        for port, power_w in ((COUPLER.forward, forward_w), (COUPLER.reflected, reflected_w))
    )
    time_ns = EPOCH_NS + np.arange(count) * (10**9 // rate_hz)
    return SampleBlock(time_ns, forward_v, reflected_v, aux, (0.0, 0.0), 3.3)


def excursions(
    rho: np.ndarray, watts: np.ndarray | float = WATTS, **details: Any
) -> list[Excursion]:
    """Excursions of such a transmission."""
    pipeline = Pipeline(Settings(), COUPLER)
    rows = pipeline.process(block_of(rho, watts, **details))
    return [row for row in [*rows, *pipeline.finish()] if isinstance(row, Excursion)]


def level(count: int = 2400) -> np.ndarray:
    return np.full(count, RHO)


def begin_ns(place: int) -> int:
    """The time of a pair of the transmission."""
    return EPOCH_NS + (KEYED.start + place) * (10**9 // RATE_HZ)


@pytest.mark.parametrize("pairs", [1, 2, 4, 20, 100, 190])
@pytest.mark.parametrize("away", [0.3, 0.8, 0.1])
def test_a_departure_has_its_time_length_and_size(pairs: int, away: float) -> None:
    rho = level()
    rho[1001 : 1001 + pairs] = away
    (row,) = excursions(rho)
    assert row.time_ns == begin_ns(1001)
    assert row.duration_ms == pytest.approx(pairs * STEP_MS)
    assert row.swr_peak == pytest.approx(float(swr(away)), rel=0.01)
    assert row.swr_beside == pytest.approx(1.5, rel=0.002)


def test_the_peak_is_the_furthest_pair() -> None:
    rho = level()
    rho[1000:1010] = 0.58
    rho[1004] = 0.6
    (row,) = excursions(rho)
    assert row.swr_peak == pytest.approx(4.0, rel=0.01)


def test_the_furthest_pair_of_a_fall_is_the_lowest() -> None:
    rho = level()
    rho[1000:1010] = 0.07
    rho[1004] = 0.05
    (row,) = excursions(rho)
    assert row.swr_peak == pytest.approx(float(swr(0.05)), rel=0.005)


@pytest.mark.parametrize(("away", "count"), [(0.202, 0), (0.205, 1), (0.198, 0), (0.195, 1)])
def test_some_thousandths_are_a_departure_of_a_steady_carrier(away: float, count: int) -> None:
    rho = level()
    rho[1000:1010] = away
    assert len(excursions(rho, noise_v=1e-5)) == count


@pytest.mark.parametrize(("length_s", "count"), [(0.97, 1), (1.005, 1), (1.01, 0), (3.0, 0)])
def test_what_lasts_longer_than_a_second_is_none(length_s: float, count: int) -> None:
    rho = level()
    rho[1000 : 1000 + round(length_s * RATE_HZ)] = 0.5
    assert len(excursions(rho)) == count


def test_a_step_that_stays_is_none() -> None:
    rho = level()
    rho[1200:] = 0.5
    assert excursions(rho) == []


@pytest.mark.parametrize(("back", "count"), [(1, 1), (3, 2), (4, 2), (8, 2), (60, 2)])
def test_departures_apart_by_pairs_at_the_level_are_two(back: int, count: int) -> None:
    """Two pairs in a row that are back at the level end a departure, if 15 ms have passed."""
    rho = level()
    rho[1000:1008] = 0.6
    rho[1008 + back : 1014 + back] = 0.6
    found = excursions(rho)
    assert len(found) == count
    if count == 1:
        assert found[0].duration_ms == pytest.approx((14 + back) * STEP_MS)
    else:
        assert [row.duration_ms for row in found] == pytest.approx([40.0, 30.0])
        assert found[1].time_ns == begin_ns(1008 + back)


@pytest.mark.parametrize("place", [0, 1, 2398, 2399])
def test_edges_of_a_transmission_are_none(place: int) -> None:
    """Fewer than two pairs before or after say nothing of where the reflection came from."""
    rho = level()
    rho[place] = 0.6
    assert excursions(rho) == []


@pytest.mark.parametrize(("place", "count"), [(4, 1), (2390, 1)])
def test_a_departure_near_an_edge_is_one(place: int, count: int) -> None:
    rho = level()
    rho[place : place + 3] = 0.6
    assert len(excursions(rho)) == count


def test_levels_on_either_side_must_agree_that_it_went_away() -> None:
    """Up to one level, up again to another: not away and back."""
    rho = level()
    rho[1000:1010] = 0.3
    rho[1010:] = 0.4
    assert excursions(rho) == []
    rho[1010:] = 0.22  # and back, nearly
    (row,) = excursions(rho)
    assert row.duration_ms == pytest.approx(50.0)


@pytest.mark.parametrize(("scatter", "count"), [(0.01, 1), (0.06, 0)])
def test_scatter_beside_it_hides_a_departure(scatter: float, count: int) -> None:
    """Wind or hum: pairs beside that scatter by a third of the departure's size say nothing."""
    rng = np.random.default_rng(2)
    rho = level() + scatter * rng.uniform(-1, 1, 2400)
    rho[1000:1010] = 0.35
    assert len(excursions(rho)) == count


@pytest.mark.parametrize(("away", "count"), [(0.27, 0), (0.33, 1)])
def test_where_power_moves_a_departure_must_be_larger(away: float, count: int) -> None:
    """Each detector follows in its own way: less than a tenth is none beside moving power."""
    rho = level()
    rho[1000:1006] = away
    watts = WATTS * (1 + 0.15 * np.sin(np.arange(2400) * 2 * np.pi / 40))
    assert len(excursions(rho, watts, noise_v=1e-5)) == count
    assert len(excursions(rho, noise_v=1e-5)) == 1  # of a steady carrier


def test_noise_of_the_converter_hides_what_one_pair_cannot_tell() -> None:
    """Weak carrier, reflected readings of a few noise deviations: a short departure is lost in
    noise, and a long one of the same size is not."""
    counts = []
    for pairs in (1, 40):
        rho = level()
        rho[1000 : 1000 + pairs] = 0.27
        counts.append(sum(len(excursions(rho, 0.6, noise_v=1e-3, seed=seed)) for seed in range(3)))
    assert counts[0] <= 1
    assert counts[1] == 3


def test_noise_alone_is_none() -> None:
    for seed in range(4):
        assert excursions(level(), 0.6, noise_v=4e-3, seed=seed) == []
        assert excursions(level(), noise_v=1e-2, seed=seed) == []


def test_a_missing_pair_ends_a_departure_at_the_next() -> None:
    """Its end is that of the first pair after it, within two steps of its last."""
    rho = level()
    rho[1000:1010] = 0.6
    (whole,) = excursions(rho)
    assert whole.time_ns + round(whole.duration_ms * 1e6) == begin_ns(1010)


@pytest.mark.parametrize("shift", [0, 7, 23, 49])
def test_the_place_in_a_quarter_is_no_matter(shift: int) -> None:
    rho = level()
    rho[1000 + shift : 1010 + shift] = 0.4
    (row,) = excursions(rho)
    assert row.time_ns == begin_ns(1000 + shift)
    assert row.duration_ms == pytest.approx(50.0)


def test_many_departures_are_as_many_excursions() -> None:
    rho = level()
    starts = np.arange(300, 2200, 70)
    for start in starts:
        rho[start : start + 6] = 0.5
    found = excursions(rho)
    assert [row.time_ns for row in found] == [begin_ns(start) for start in starts]
    assert {round(row.duration_ms) for row in found} == {30}


# --- limits that the stages state ---


def watts_deviation(port: DetectorLaw, watts: float, noise_v: float) -> float:
    """Standard deviation of a power from noise of its reading, by differences."""
    volts = port.volts(np.array([watts]))
    low_w, high_w = (float(port.watts(volts + off)[0]) for off in (-1e-6, 1e-6))
    return noise_v * (high_w - low_w) / 2e-6


@pytest.mark.parametrize("pairs", [1, 2, 4, 7])
@pytest.mark.parametrize("sign", [1, -1])
def test_six_deviations_of_the_noise_of_the_mean(pairs: int, sign: int) -> None:
    """Beyond the 0.003 of a steady carrier in calm air; pairs within an eighth of a quarter.

    Of the slopes of the detector at both reflections the steeper one counts.
    """
    usual, least = RHO**2, (RHO + sign * 0.003) ** 2
    for share, count in ((0.88, 0), (1.2, 1)):
        ratio = least
        for _ in range(30):
            steeper = max(watts_deviation(COUPLER.reflected, w, 6e-4) for w in (usual, ratio))
            sd = np.hypot(steeper, usual * watts_deviation(COUPLER.forward, 1.0, 6e-4))
            ratio = least + sign * share * 6 / np.sqrt(pairs) * sd
        rho = level(500)
        rho[200 : 200 + pairs] = np.sqrt(ratio)
        assert len(excursions(rho, 1.0, noise_v=6e-4, keyed_noise_v=1e-6)) == count


@pytest.mark.parametrize(
    ("pairs", "moves", "deviations"),
    [(1, False, 6.0), (2, False, 6 / np.sqrt(2)), (20, False, 3.0), (4, True, 5.0)],
)
def test_deviations_of_the_scatter_beside_it(pairs: int, moves: bool, deviations: float) -> None:
    """Hum: pairs alternate about the level. Three deviations, five beside power that moves, and
    six of the mean."""
    at = np.arange(500)
    scatter = 8e-3 if moves else 8e-4
    watts = WATTS * (1 + 0.15 * moves * np.sin(at * 2 * np.pi / 40))
    for share, count in ((0.9, 0), (1.1, 1)):
        ratio = RHO**2 + scatter * (-1.0) ** at
        ratio[200 : 200 + pairs] = RHO**2 + share * deviations * 1.4826 * scatter
        assert len(excursions(np.sqrt(ratio), watts, noise_v=1e-7)) == count


@pytest.mark.parametrize(("late", "count"), [(3, 0), (5, 0), (6, 1)])
def test_reflection_may_follow_a_rise_of_power_five_milliseconds_late(
    late: int, count: int
) -> None:
    """A reading from 1 W of what is now 4 W is no departure."""
    at = np.arange(1200)
    watts = np.where(at < 600, 1.0, 4.0)
    behind_w = np.where(at < 600 + late, 1.0, 4.0)
    found = excursions(np.sqrt(0.0625 * behind_w / watts), watts, noise_v=1e-6, rate_hz=1000)
    assert len(found) == count


@pytest.mark.parametrize("late", [2, 15])
def test_reflection_may_follow_a_fall_of_power_late(late: int) -> None:
    at = np.arange(1200)
    watts = np.where(at < 600, 4.0, 1.0)
    behind_w = np.where(at < 600 + late, 4.0, 1.0)
    rho = np.sqrt(0.04 * behind_w / watts)
    assert excursions(rho, watts, noise_v=1e-6, rate_hz=1000) == []


@pytest.mark.parametrize("pairs", [1, 8, 40])
@pytest.mark.parametrize(("size", "count"), [(0.02, 0), (0.03, 1)])
def test_what_wind_hides_from_the_level_is_between_two_jumps(
    pairs: int, size: float, count: int
) -> None:
    """At the crest of a sway a fall leads to near the level of the seconds around it."""
    rho = RHO + 0.03 * np.sin(2 * np.pi * 0.25 * np.arange(1500) / RATE_HZ)
    rho[1000 : 1000 + pairs] -= size
    found = excursions(rho, 12.0, noise_v=1e-6)
    assert [(row.time_ns, round(row.duration_ms)) for row in found] == [
        (begin_ns(1000), 5 * pairs)
    ] * count


def test_two_pairs_back_before_a_long_open_part_two() -> None:
    """10 ms a pair; the second open begins with a quarter second, and reflects a little less."""
    for back, count in ((1, 1), (2, 2), (3, 2)):
        rho = np.full(600, RHO)
        rho[294 - back : 300 - back] = 0.5
        rho[300:340] = 0.42
        found = excursions(rho, noise_v=1e-6, rate_hz=100)
        assert len(found) == count
        if count == 2:
            assert [row.swr_beside for row in found] == pytest.approx([1.5, 1.5], rel=0.01)


@pytest.mark.parametrize(("up", "found"), [(9, True), (10, False)])
def test_departures_to_both_sides_are_noise(up: int, found: bool) -> None:
    """Of 40 in the second before, a quarter to the other side."""
    rho = level(700)
    places = 200 + 5 * np.arange(40)
    rho[places] = 0.16
    rho[places[np.linspace(1, 38, up).astype(int)]] = 0.24
    rho[405:408] = 0.16
    starts = [row.time_ns for row in excursions(rho, noise_v=1e-6)]
    assert (begin_ns(405) in starts) == found


# --- what a level is compared with ---


def falls_from_new_level(
    to: float, near: float = RHO, pairs: int = 3, sway: float = 0.0, *, moves_on: bool = False
) -> bool:
    """True if so many pairs near RHO, 1.5 s after a step from it, are an excursion.

    They are none if the usual level still holds. With `moves_on` another channel follows.
    """
    rho = RHO + sway * (-1.0) ** (np.arange(2400) // RATE_HZ)
    rho[1600:] = to
    rho[1900 : 1900 + pairs] = near
    channel = np.full(2400, 20)
    if moves_on:
        channel[1950:], rho[1950:] = 1, RHO
    starts = [row.time_ns for row in excursions(rho, noise_v=1e-6, channel=channel)]
    return begin_ns(1900) in starts


@pytest.mark.parametrize(
    ("near", "pairs", "falls"),
    [(RHO, 1, True), (RHO, 2, True), (RHO, 3, False), (0.27, 3, False), (0.28, 3, True)],
)
def test_three_pairs_back_at_the_usual_level_show_that_it_still_holds(
    near: float, pairs: int, falls: bool
) -> None:
    """Within a quarter of the distance to the new level."""
    assert falls_from_new_level(0.5, near, pairs) == falls


def test_the_usual_level_of_another_channel_is_none_to_come_back_to() -> None:
    assert falls_from_new_level(0.5, pairs=2, moves_on=True)


@pytest.mark.parametrize(("to", "falls"), [(0.29, True), (0.32, False)])
def test_a_level_is_far_from_the_usual_one_beyond_its_usual_variation(
    to: float, falls: bool
) -> None:
    """A sway between 0.18 and 0.22 from second to second: 0.02, and twice 0.04."""
    assert falls_from_new_level(to, sway=0.02) == falls


@pytest.mark.parametrize("sway", ["none", "before", "around", "power", "less power"])
def test_a_slight_departure_shows_in_calm_air_and_on_steady_power_only(sway: str) -> None:
    """0.012 above 0.2; a sway of 0.004 in the seconds before, or in the quarters around; power
    that steps in the same quarter by more than 1.12."""
    at = np.arange(2200)
    rho = level(2200)
    if sway == "before":
        rho += np.where(at < 1700, 0.002 * (-1.0) ** (at // 200), 0.0)
    if sway == "around":
        rho += np.where(at >= 1700, 0.002 * (-1.0) ** (at // 50), 0.0)
    watts = WATTS * np.where(at < 2035, 1.0, {"power": 1.15, "less power": 1.09}.get(sway, 1.0))
    rho[2005:2015] += 0.012
    calm = sway in ("none", "less power")
    assert len(excursions(rho, watts, noise_v=1e-6)) == calm


@pytest.mark.parametrize(("quarters", "count"), [(4, 0), (6, 1)])
def test_calm_air_shows_in_five_quarters(quarters: int, count: int) -> None:
    rho = level(50 * quarters)
    rho[75:85] += 0.012
    assert len(excursions(rho, noise_v=1e-6)) == count
    rho[75:85] += 0.02
    assert len(excursions(rho, noise_v=1e-6)) == 1


def cut(block: SampleBlock, places: Sequence[int]) -> list[SampleBlock]:
    """Parts of a block without further columns."""
    return [
        SampleBlock(
            block.time_ns[begin:end],
            block.forward_v[begin:end],
            block.reflected_v[begin:end],
            {},
            block.step_v,
            block.full_scale_v,
        )
        for begin, end in itertools.pairwise(places)
    ]


@pytest.mark.parametrize("pause", [200, 260, 420])
def test_a_pause_between_transmissions_and_the_cut_of_blocks(pause: int) -> None:
    """Of one to two seconds, so that both are looked at together."""
    rho, watts = level(640 + pause), np.full(640 + pause, WATTS)
    watts[300 : 300 + pause] = 0.0
    for place in (100, 285, 310 + pause, 500 + pause):
        rho[place : place + 4] = 0.5
    block = block_of(rho, watts, noise_v=1e-6)
    results = []
    for size in (len(block), 50, 33):
        pipeline = Pipeline(Settings(), COUPLER)
        rows = [
            row
            for part in cut(block, [*range(0, len(block), size), len(block)])
            for row in pipeline.process(part)
        ]
        results.append([row for row in [*rows, *pipeline.finish()] if isinstance(row, Excursion)])
    assert [row.time_ns for row in results[0]] == [
        begin_ns(place) for place in (100, 285, 310 + pause, 500 + pause)
    ]
    assert results[0] == results[1] == results[2]


@pytest.mark.parametrize("late", [1, 4, 20])
def test_pairs_that_come_after_a_silence_may_belong_to_a_quarter_already_measured(
    late: int,
) -> None:
    """The silence is an idle read; the pairs that it delayed have the times of before."""
    rho = level(1000)
    rho[500:510] = 0.5
    block, pipeline = block_of(rho, noise_v=1e-6), Pipeline(Settings(), COUPLER)
    end = KEYED.start + 300 - late
    first, rest = cut(block, [0, end, len(block)])
    rows = [*pipeline.process(first), *pipeline.tick(int(first.time_ns[-1]) + 260_000_000)]
    rows += [*pipeline.process(rest), *pipeline.finish()]
    assert [row.time_ns for row in rows if isinstance(row, Excursion)] == [begin_ns(500)]


@pytest.mark.parametrize("place", [202, 243, 247])
def test_an_excursion_is_told_within_five_quarters(place: int) -> None:
    """After 25 ms, in which it may go on."""
    rho = level(700)
    rho[place - 1 : place + 1] = 0.6
    block, pipeline = block_of(rho, noise_v=1e-6), Pipeline(Settings(), COUPLER)
    cuts = [0, *range(KEYED.start + place + 150, KEYED.start + 600, 10)]
    for part in cut(block, cuts):
        if any(isinstance(row, Excursion) for row in pipeline.process(part)):
            quarters = (int(part.time_ns[-1]) - begin_ns(place) - 25_000_000) / 0.25e9
            assert 4 <= quarters <= 5.2
            return
    pytest.fail("not told")


@pytest.mark.parametrize(("power", "count"), [(1.05, 2), (1.3, 1)])
def test_pairs_back_at_another_power_part_no_departure(power: float, count: int) -> None:
    """Of a carrier they do; where power moves both are one departure within 25 ms."""
    rho, watts = level(500), np.full(500, WATTS)
    rho[200:212] = 0.6
    rho[206:209] = RHO
    watts[206:209] *= power
    found = excursions(rho, watts, noise_v=1e-6)
    assert [row.time_ns for row in found] == [begin_ns(200), begin_ns(209)][:count]
