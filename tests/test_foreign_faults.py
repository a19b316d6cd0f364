"""The foreign histories of faults obey the physics and the truth they state."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.foreign_faults import (
    CAUSES,
    History,
    MeasuredOver,
    one_cause,
    repaired,
    sound,
    two_causes,
)
from tests.foreign_faults.causes import DetectorLoss, LoosePlug, Unplugged, WindContact
from tests.foreign_faults.draws import DAY_S
from tests.foreign_faults.sets import draw_outcome
from tests.foreign_faults.station import Feedline, Station, contact_ohm, coupler_reflection, read

KINDS = list(CAUSES)
YEAR = cache(sound)
ONE = cache(one_cause)
TWO = cache(two_causes)
REPAIRED = cache(repaired)


def seed_of(kind: str, turn: int = 0) -> int:
    """Seed of a history of one cause of this kind."""
    return KINDS.index(kind) + len(KINDS) * turn


def seconds_of(history: History, over: MeasuredOver) -> float:
    """Seconds from the start of a history to a key-down."""
    return (over.start_ns - history.start_ns) / 1e9


def reading_limit(history: History, over: MeasuredOver) -> float:
    """Highest |Gamma| that the instrument can read of a passive load, but for noise."""
    leaks = [abs(leak) for leak in history.station.leaks]
    gain_db = over.gain_db[1] - over.gain_db[0]
    return (1 + leaks[1]) / (1 - leaks[0]) * 10 ** (gain_db / 20)


def make_station() -> Station:
    """Station whose antenna is 50 ohm at resonance, with a lossless line and a perfect coupler."""
    station = Station.draw(np.random.default_rng(1))
    return replace(
        station, antenna_ohm=50.0, line_db=0.0, leaks=(0j, 0j), source=0j, folds_back=False
    )


def make_feedline(station: Station, n: int = 3) -> Feedline:
    """Sound feedline at resonance, at n moments."""
    khz, zero = np.full(n, station.resonance_khz), np.zeros(n)
    wave = zero.astype(np.complex128)
    return Feedline(khz, khz, zero, zero, wave, wave, zero, zero)


def test_series_resistance_of_50_ohm_at_a_matched_antenna_reflects_a_third() -> None:
    station = make_station()
    line = make_feedline(station).add(mast_ohm=50.0 + 0j)
    assert np.abs(coupler_reflection(station, line)) == pytest.approx(1 / 3)


@pytest.mark.parametrize("place", ["mast_ohm", "radio_ohm"])
def test_open_contact_reflects_nearly_all(place: str) -> None:
    station = make_station()
    line = make_feedline(station)
    ohm = contact_ohm(np.full(3, np.inf), line.khz)
    rho = np.abs(coupler_reflection(station, line.add(**{place: ohm})))
    assert np.all((rho > 0.99) & (rho < 1))


def test_line_loss_counts_there_and_back() -> None:
    station = replace(make_station(), line_db=1.5)
    line = make_feedline(station).add(mast_ohm=1e9 + 0j, wet_db=0.5)
    loss_db = 1.5 * np.sqrt(line.khz / 27_205.0) + 0.5
    assert np.abs(coupler_reflection(station, line)) == pytest.approx(10 ** (-2 * loss_db / 20))


def test_lossless_water_and_length_leave_a_full_reflection_full() -> None:
    station = make_station()
    line = make_feedline(station).add(mast_ohm=1e12 + 0j, water=0.4)
    assert np.abs(coupler_reflection(station, line)) == pytest.approx(1.0)


def test_matched_load_reads_as_the_ghost_of_the_coupler() -> None:
    station = replace(make_station(), leaks=(0.02 + 0j, 0.03j))
    reading = read(station, make_feedline(station), np.full(3, 4.0))
    assert reading.true_rho == pytest.approx(0.0, abs=1e-9)
    assert reading.rho == pytest.approx(station.directivity)
    assert reading.forward_w == pytest.approx(4.0)


@pytest.mark.parametrize("seed", range(7))
def test_readings_are_bounded_by_a_passive_load(seed: int) -> None:
    history = ONE(seed)
    for over in history.overs:
        limit = reading_limit(history, over)
        assert 0 <= over.true_rho < 1
        assert abs(over.antenna_reflection) < 1
        # A neighbour's carrier adds power that is no reflection.
        if over.quarters is None or over.excursions:
            assert 0 < over.rho < limit + 5 * over.quarter_noise_rho + 3 * over.sway_rho
        for excursion in over.excursions:
            assert 0 <= excursion.rho_peak < limit + 5 * over.pair_noise_rho


@pytest.mark.parametrize(("draw", "cached"), [(two_causes, TWO), (repaired, REPAIRED)])
def test_histories_are_reproducible(
    draw: Callable[[int], History], cached: Callable[[int], History]
) -> None:
    first, second = cached(0), draw(0)
    assert first.causes == second.causes
    assert first.journal == second.journal
    assert len(first.overs) == len(second.overs)
    for left, right in zip(first.overs[-100:], second.overs[-100:], strict=True):
        assert replace(left, quarters=None) == replace(right, quarters=None)
        assert np.array_equal(left.measure_quarters().rho, right.measure_quarters().rho)
    assert first.overs[-1].rho != cached(1).overs[-1].rho


@pytest.mark.parametrize("seed", [0, 3])
def test_means_of_seconds_and_quarters_are_those_of_the_transmission(seed: int) -> None:
    for over in ONE(seed).overs[-200:]:
        quarters, seconds = over.measure_quarters(), over.seconds()
        assert quarters.mean() == pytest.approx((over.forward_w_mean, over.rho))
        assert seconds.length_s.sum() == pytest.approx(over.duration_s)
        energy = seconds.length_s @ seconds.forward_w
        assert energy == pytest.approx(over.forward_w_mean * over.duration_s)
        assert seconds.length_s @ seconds.reflected_w == pytest.approx(energy * over.rho**2)
        assert seconds.time_ns[0] == over.start_ns
        assert np.all(seconds.time_ns[1:] % 1_000_000_000 == 0)
        assert over.rho <= over.held_rho
        assert 0.05 <= over.held_at_s <= over.duration_s


def test_people_transmit_in_evenings_and_at_weekends_and_pause_for_weeks() -> None:
    longest_pauses = []
    for seed in range(2):
        overs = YEAR(seed).overs
        start = np.array([seconds_of(YEAR(seed), over) for over in overs])
        duration = np.array([over.duration_s for over in overs])
        assert np.all(np.diff(start) > duration[:-1] + 1)
        assert np.all((duration >= 3) & (duration <= 90) | [over.is_cut for over in overs])
        day, count = np.unique(start // DAY_S, return_counts=True)
        assert count.min() >= 4
        assert count.max() <= 80
        assert count[day % 7 >= 5].mean() > 1.3 * count[day % 7 < 5].mean()
        hour = start % DAY_S / 3600
        assert np.mean(hour > 16) > 0.5
        longest_pauses.append(np.diff(day).max())
    assert max(longest_pauses) >= 7


def test_sound_year_has_a_reset_a_crash_and_carriers_and_no_cause() -> None:
    for seed in range(2):
        history = YEAR(seed)
        assert not history.causes
        assert [gap.reason for gap in history.gaps] == ["reset"]
        assert sum(len(over.excursions) for over in history.overs) <= 1
        assert len(history.carriers) > 20


def test_carrier_raises_the_reflected_power_of_key_downs_that_it_covers() -> None:
    history = YEAR(1)
    start = np.array([seconds_of(history, over) for over in history.overs])
    covered = []
    for carrier in history.carriers:
        over = history.overs[max(int(np.searchsorted(start, carrier.begin_s)) - 1, 0)]
        inside_s = carrier.begin_s - seconds_of(history, over)
        if over.mode == "fm" and 0.5 < inside_s < over.duration_s - 1:
            covered.append((carrier.reflected_w, over))
    watts, over = max(covered, key=lambda pair: pair[0])
    quarters = over.measure_quarters()
    rise = np.ptp(quarters.forward_w * quarters.rho**2)
    unrest = np.hypot(over.quarter_noise_rho, over.sway_rho)
    noise_w = 2 * over.rho * unrest * over.forward_w_mean
    assert watts > 10 * noise_w
    assert rise == pytest.approx(watts, abs=8 * noise_w)


def test_loose_plug_opens_more_and_more_often() -> None:
    counts = np.zeros((3, 2))  # third of its time; openings, keyed seconds
    for turn in range(3):
        history = ONE(seed_of("loose-plug", turn))
        cause = history.causes[0]
        assert isinstance(cause, LoosePlug)
        third_s = (history.days * DAY_S - cause.onset_s) / 3
        for over in history.overs:
            since = seconds_of(history, over) - cause.onset_s
            if since > 0:
                counts[int(since // third_s)] += len(over.excursions), over.duration_s
    rates = counts[:, 0] / counts[:, 1]
    assert rates[2] > 2 * rates[0]


def test_wind_contact_chatters_in_gusts_and_never_in_calm() -> None:
    for turn in range(2):
        history = ONE(seed_of("wind-contact", turn))
        cause = history.causes[0]
        assert isinstance(cause, WindContact)
        gusts: dict[bool, list[float]] = {True: [], False: []}
        for over in history.overs:
            time_s = np.array([seconds_of(history, over)])
            gust = float(history.weather.interpolate(history.weather.gust_m_s, time_s)[0])
            if 0 in over.active:
                gusts[0 in over.visible].append(gust)
            assert all(excursion.duration_ms < 100 for excursion in over.excursions)
        assert min(gusts[True]) > cause.calm_m_s
        assert np.mean(gusts[True]) > np.mean(gusts[False]) + 1


def test_water_adds_loss_that_never_dries() -> None:
    history = ONE(seed_of("water"))
    onset_s = history.causes[0].onset_s
    time_s = np.array([seconds_of(history, over) for over in history.overs])
    loss = np.array([over.line_db for over in history.overs])
    late = loss[time_s > history.days * DAY_S - 3 * DAY_S].min()
    assert late > loss[time_s < onset_s].max() + 0.2
    wet = loss[time_s > onset_s]
    assert np.all(np.maximum.accumulate(wet) - wet < 0.15)  # but for insulators
    assert 0 not in history.overs[0].active


def test_hot_joint_moves_the_reflection_during_key_downs_and_cools_at_rest() -> None:
    history = ONE(seed_of("hot-joint"))
    moves: dict[bool, list[float]] = {True: [], False: []}  # by whether it was active
    for over in history.overs:
        if over.duration_s > 15 and over.mode == "fm":
            rho = over.measure_quarters().rho
            moves[0 in over.active].append(abs(float(rho[-8:].mean() - rho[:4].mean())))
    assert np.median(moves[True]) > 5 * np.median(moves[False])
    # After an hour of rest the level at key-down is the sound one again.
    rested = [
        later
        for earlier, later in zip(history.overs, history.overs[1:], strict=False)
        if later.start_ns - earlier.end_ns > 3600e9 and 0 in later.active
    ]
    sound_rho = np.mean([over.true_rho for over in history.overs if not over.active])
    assert all(abs(over.true_rho - sound_rho) < 0.04 for over in rested)


def test_detuned_antenna_steps_at_its_onset_and_stays() -> None:
    for turn in range(2):
        history = ONE(seed_of("detuned", turn))
        onset_s = history.causes[0].onset_s
        sizes: tuple[list[float], list[float]] = ([], [])
        for over in history.overs:
            is_late = seconds_of(history, over) > onset_s
            sizes[is_late].append(abs(over.antenna_reflection))
            assert not is_late or over.active == (0,)
        assert abs(np.median(sizes[1]) - np.median(sizes[0])) > 0.03


def test_step_within_a_key_down_shows_in_its_quarters() -> None:
    moves = []
    for turn in range(5):
        history = ONE(seed_of("detuned", turn))
        for over in history.overs:
            inside_s = history.causes[0].onset_s - seconds_of(history, over)
            if 0 < inside_s < over.duration_s:
                rho, number = over.measure_quarters().rho, int(inside_s / 0.25)
                noise = np.hypot(over.quarter_noise_rho, over.sway_rho)
                moves.append(abs(rho[number + 1 :].mean() - rho[: number or 1].mean()) / noise)
    assert moves
    assert max(moves) > 5


def test_detector_loss_changes_readings_but_not_the_reflection() -> None:
    for turn in range(3):
        history = ONE(seed_of("detector", turn))
        cause = history.causes[0]
        assert isinstance(cause, DetectorLoss)
        assert cause.family == "instrument"
        sound_db, late_db = (
            np.median([over.gain_db for over in part], axis=0)
            for part in (
                [over for over in history.overs if not over.active],
                [over for over in history.overs if over.active][-50:],
            )
        )
        port = ["forward", "reflected"].index(cause.port)
        change_db = late_db - sound_db
        assert abs(change_db[1 - port]) < 0.3
        assert np.sign(change_db[port]) == np.sign(cause.change_db)
        true = [over.true_rho for over in history.overs]
        onset = sum(not over.active for over in history.overs)
        assert np.median(true[onset:]) == pytest.approx(np.median(true[:onset]), abs=0.05)


def test_unplugged_bridge_sees_nothing() -> None:
    unseen, spans = 0, []
    for turn in range(4):
        history = ONE(seed_of("unplugged", turn))
        assert isinstance(history.causes[0], Unplugged)
        spans.append(len(history.gaps))
        unseen += history.unseen
        assert history.first_sign_ns[0] == history.time_ns(history.gaps[0].begin_s)
        for gap in history.gaps:
            for over in history.overs:
                start_s = seconds_of(history, over)
                assert start_s >= gap.end_s or start_s + over.duration_s <= gap.begin_s + 1e-6
    assert unseen > 10
    assert set(spans) == {1, 2}


@pytest.mark.parametrize("seed", range(6))
def test_truth_after_work_agrees_with_its_outcome(seed: int) -> None:
    history = REPAIRED(seed)
    (work,) = history.journal
    earlier = [over for over in history.overs if over.start_ns < work.time_ns]
    later = history.overs[len(earlier) :]
    assert 100 <= len(later) <= 400
    assert sum(0 in over.plain for over in earlier) >= 6
    if work.outcome == "fixed":
        assert not any(over.active or over.visible for over in later)
        assert not any(excursion.cause == 0 for over in later for excursion in over.excursions)
    else:
        assert all(over.active == (0,) for over in later)
        assert sum(0 in over.plain for over in later) >= 3


def test_half_of_the_works_fix_the_cause() -> None:
    outcomes = [draw_outcome(seed) for seed in range(400)]
    assert outcomes.count("fixed") == pytest.approx(200, abs=40)
    assert outcomes.count("not fixed") > outcomes.count("other thing") > 30
    assert [REPAIRED(seed).journal[0].outcome for seed in range(6)] == outcomes[:6]


@pytest.mark.parametrize("seed", range(9))
def test_two_causes_are_different_and_lie_in_time_as_stated(seed: int) -> None:
    history = TWO(seed)
    first, second = history.causes
    assert first.kind != second.kind
    assert (first.family == second.family) == (seed % 3 == 0)
    assert all(sign is not None for sign in history.first_sign_ns)
    days = (second.onset_s - first.onset_s) / DAY_S
    if history.relation == "together":
        assert days < 1.1 or second.kind == "detuned"
    elif history.relation == "apart":
        assert second.onset_s > first.end_s + 2 * DAY_S
    else:
        assert days >= 2
        assert first.end_s > second.onset_s or isinstance(first, Unplugged)
