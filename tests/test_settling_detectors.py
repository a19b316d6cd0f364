"""What slow detectors hold: learned from the tails after key-up, set aside, estimated."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.blocks import QUICK
from logger.stages.decay import (
    LEAST_KEYED,
    DecayMemory,
    DecayTracker,
    choose_constants,
    measure_decay,
)
from logger.stages.settling import FALL, FAR, MARGIN, RISE, UNKNOWN, Settled, Settling, held_power
from tests.bench import slow_detectors as bench
from tests.examples import examples

RATE_HZ = 500.0
HANG_NS = 1_500_000_000
NOISE_V = (1e-3, 1e-3)
ZEROS_V = (0.01, 0.02)
Volts = np.ndarray


def times_of(count: int) -> np.ndarray:
    """Times of pairs at RATE_HZ."""
    return 1_770_000_000_000_000_000 + (np.arange(count) * 1e9 / RATE_HZ).astype(np.int64)


def hold(steady: Volts, decay_s: float) -> Volts:
    """A peak detector without attack time, by a loop."""
    keep = np.exp(-1 / (RATE_HZ * decay_s))
    out, volts = np.empty(len(steady)), 0.0
    for place, value in enumerate(steady.tolist()):
        volts = max(value, volts * keep)
        out[place] = volts
    return out


def overs(count: int, *, on_s: float = 0.5, off_s: float = 3.0) -> Volts:
    """Amplitudes of carriers of 1 with pauses."""
    on, off = round(on_s * RATE_HZ), round(off_s * RATE_HZ)
    return np.tile(np.concatenate([np.zeros(off), np.ones(on)]), count + 1)[:-on]


def learn(tracker: DecayTracker, forward_v: Volts, reflected_v: Volts) -> None:
    """Feed a tracker everything."""
    times, keyed = times_of(len(forward_v)), forward_v - ZEROS_V[0] > 0.3
    begin = 0
    while begin < len(times):
        rest = slice(begin, None)
        taken = tracker.update(
            times[rest], forward_v[rest], reflected_v[rest], keyed[rest], NOISE_V
        )
        begin = len(times) if taken is None else begin + taken


@pytest.mark.parametrize("decay_s", [0.01, 0.047, 0.2])
def test_time_constants_of_both_ports_are_learned(decay_s: float) -> None:
    steady = overs(5)
    tracker = DecayTracker(DecayMemory(), ZEROS_V, HANG_NS)
    learn(
        tracker,
        2 * hold(steady, decay_s) + ZEROS_V[0],
        0.5 * hold(steady, 1.25 * decay_s) + ZEROS_V[1],
    )
    assert len(tracker.memory.forward_s) == 5
    assert tracker.memory.forward_s == pytest.approx([decay_s] * 5, rel=0.02)
    assert tracker.memory.reflected_s == pytest.approx([1.25 * decay_s] * 5, rel=0.02)


def test_a_detector_faster_than_the_pairs_has_an_upper_bound() -> None:
    tracker = DecayTracker(DecayMemory(), ZEROS_V, HANG_NS)
    steady = overs(3)
    learn(tracker, 2 * steady + ZEROS_V[0], 0.003 * steady + ZEROS_V[1])
    assert max(tracker.memory.forward_s) < 1 / RATE_HZ
    assert tracker.memory.reflected_s == []  # too weak to tell
    assert tracker.constants_s is not None
    assert tracker.constants_s[1] == tracker.constants_s[0]


def test_a_tail_that_stays_teaches_nothing() -> None:
    times = times_of(500)
    assert measure_decay(times, np.full(500, 0.5), 0.006) is None
    assert measure_decay(times, np.linspace(0.02, 0.0, 500), 0.006) is None


def test_a_crackle_teaches_nothing() -> None:
    tracker = DecayTracker(DecayMemory(), ZEROS_V, HANG_NS)
    learn(
        tracker,
        2 * overs(3, on_s=(LEAST_KEYED - 1) / RATE_HZ) + ZEROS_V[0],
        np.zeros(len(overs(3, on_s=(LEAST_KEYED - 1) / RATE_HZ))),
    )
    assert tracker.constants_s is None


def judge(
    forward_v: Volts,
    reflected_v: Volts | None = None,
    *,
    constants_s: float | None = None,
    cuts: Sequence[int] = (),
    noise_v: tuple[float, float] = NOISE_V,
) -> Settled:
    """Judge readings above their zeros, cut into blocks."""
    reflected_v = 0.3 * forward_v if reflected_v is None else reflected_v
    memory = DecayMemory() if constants_s is None else DecayMemory([constants_s], [constants_s])
    stage = Settling(ZEROS_V, memory, HANG_NS)
    times, keyed = times_of(len(forward_v)), forward_v > 0.3
    edges = sorted({0, len(times), *(cut % len(times) for cut in cuts)})
    parts = [
        stage.update(
            times[a:b],
            forward_v[a:b] + ZEROS_V[0],
            reflected_v[a:b] + ZEROS_V[1],
            keyed[a:b],
            noise_v,
        )
        for a, b in itertools.pairwise(edges)
    ]
    return Settled(
        np.concatenate([part.settled for part in parts]),
        np.concatenate([part.below for part in parts]),
        np.concatenate([part.hidden for part in parts]),
    )


def test_noise_within_the_margin_unsettles_nothing() -> None:
    """A carrier whose readings scatter stays settled: a fall or rise counts beyond noise only."""
    rng = np.random.default_rng(3)
    sd_v = 0.02
    volts = 0.5 + sd_v * rng.standard_normal(5000)
    settled = judge(volts, constants_s=1e-3, noise_v=(sd_v, sd_v)).settled
    assert settled[20:].mean() > 0.98
    assert MARGIN * sd_v > (1 - FALL) * 0.5  # the margin is what decides here


def test_the_margin_is_no_wider_than_noise() -> None:
    volts = np.concatenate([np.ones(50), np.full(50, FALL - 5 * NOISE_V[0])])
    assert not judge(volts, constants_s=1e-3).settled[50:58].any()
    volts = np.concatenate([np.ones(50), np.full(50, FALL - 3 * NOISE_V[0])])
    assert judge(volts, constants_s=1e-3).settled[50:58].all()


def test_a_rise_unsettles_for_its_time() -> None:
    """A reading is compared with the one RISE_NS before: 2 pairs here, and the pair before it."""
    volts = np.concatenate([np.full(50, 0.5), np.full(50, 0.5 * RISE + 0.02)])
    settled = judge(volts).settled
    assert not settled[50:52].any()
    assert settled[53:].all()


@pytest.mark.parametrize("decay_s", [0.02, 0.047, 0.2])
def test_what_a_detector_holds_is_not_settled(decay_s: float) -> None:
    """After a fall the reading is an upper bound until it reaches the envelope again."""
    steady = np.concatenate([np.ones(250), np.full(1000, 0.4)])
    volts = hold(steady, decay_s)
    result = judge(volts, constants_s=decay_s)
    falls = (volts > 0.41) & (np.arange(len(volts)) > 250 + 0.1 * decay_s * RATE_HZ)
    assert falls.sum() > 5
    assert not result.settled[falls].any()
    assert result.settled[250 - 50 : 250].all()
    assert result.settled[-100:].all()
    assert result.hidden[falls].mean() > 0.4
    assert not result.hidden[:250].any()


def test_a_reflected_reading_that_still_holds_a_crest_is_not_settled() -> None:
    """The forward reading has reached a lower envelope; under square law the reflected one holds
    the crest for twice as long."""
    decay_s = 0.1
    steady = np.concatenate([np.ones(250), np.full(1000, 0.5)])
    forward, reflected = hold(steady, decay_s), 0.3 * hold(steady**2, decay_s)
    settled = judge(forward, reflected, constants_s=decay_s).settled
    holds = (reflected > 1.1 * 0.3 * steady**2) & (np.arange(len(steady)) > 265)
    assert not settled[holds].any()


def test_a_reflected_reading_ahead_of_a_moving_envelope_is_not_settled() -> None:
    forward = np.concatenate([np.ones(50), np.full(10, 0.6), np.ones(10), np.ones(60)])
    reflected = 0.3 * forward
    reflected[75] = 0.4
    settled = judge(forward, reflected, constants_s=1e-3).settled
    assert not settled[75]
    assert settled[80:].all()


def test_an_open_under_a_carrier_stays_settled() -> None:
    forward, reflected = np.ones(200), np.full(200, 0.1)
    reflected[100:110] = 0.6
    assert judge(forward, reflected, constants_s=0.1).settled[90:].all()


@examples(12)
@given(
    seed=st.integers(0, 10**6),
    decay_s=st.sampled_from([0.002, 0.02, 0.2]),
    cuts=st.lists(st.integers(1, 10**6), max_size=12),
)
def test_results_do_not_depend_on_blocks(seed: int, decay_s: float, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    steady = np.repeat(rng.uniform(0, 2, 120), rng.integers(1, 40, 120))
    gaps = np.concatenate([steady[:800], np.zeros(round(2 * RATE_HZ)), steady])
    volts = hold(gaps, decay_s) + 1e-3 * rng.standard_normal(len(gaps))
    whole, parts = judge(volts), judge(volts, cuts=cuts)
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-9)


@examples(25)
@given(
    seed=st.integers(0, 10**6),
    constant_s=st.sampled_from([None, 0.002, 0.015, 0.2]),
    noise_v=st.sampled_from([1e-4, 1e-3, 4e-3]),
)
def test_what_is_left_out_changes_nothing(
    seed: int, constant_s: float | None, noise_v: float
) -> None:
    """Long blocks are looked at in part; blocks of 900 pairs are too short for that."""
    rng = np.random.default_rng(seed)
    lengths = rng.choice([3, 40, 300, 1500], 24)
    steady = np.repeat(rng.choice([0.0, 0.5, 1.0, 1.006, 1.05, 2.0], 24), lengths)
    volts = hold(steady, constant_s or 0.002) + noise_v * rng.standard_normal(len(steady))
    jumps = np.repeat(rng.choice([0.3, 0.3, 0.3, 0.4], len(volts) // 7 + 1), 7)[: len(volts)]
    one, other = (
        judge(
            volts,
            np.where(volts > 1.02, 0.3, jumps) * volts,
            constants_s=constant_s,
            cuts=cuts,
            noise_v=(noise_v, noise_v),
        )
        for cuts in ((), range(900, len(volts), 900))
    )
    assert one.settled.tolist() == other.settled.tolist()
    np.testing.assert_allclose(one.below, other.below, atol=1e-9)
    np.testing.assert_allclose(one.hidden, other.hidden, atol=1e-9)


@pytest.mark.parametrize("ratio", [1e-3, 1e-2, 0.03, 0.1, 0.3, 1.0])
def test_held_power_balances_the_charge_of_two_tones_and_of_many(ratio: float) -> None:
    place = (np.arange(20_000) + 0.5) / 20_000
    powers = []
    for envelope in (np.sin(0.5 * np.pi * place), np.sqrt(-2 * np.log(place))):
        low, high = 1e-3, float(envelope.max())
        for _ in range(50):
            reading = 0.5 * (low + high)
            charge = np.maximum(envelope - reading, 0).mean()
            leak = ratio * reading * (envelope < reading).mean()
            low, high = (reading, high) if charge > leak else (low, reading)
        powers.append(float((envelope**2).mean()) / low**2)
    assert held_power(ratio, 1.0) == pytest.approx(np.sqrt(np.prod(powers)), rel=0.1)
    assert max(powers) / min(powers) < 1.6**2


def test_steady_readings_and_single_steps_hide_nothing() -> None:
    rng = np.random.default_rng(6)
    volts = np.repeat([1.0, 0.8, 1.1, 1.0], 300) + NOISE_V[0] * rng.standard_normal(1200)
    for constants_s in (None, 1e-3):
        assert not judge(volts, constants_s=constants_s).hidden.any()


@pytest.mark.parametrize("constants_s", [None, 0.047, 0.2])
def test_ripple_tells_an_envelope_that_is_faster_than_the_pairs(constants_s: float | None) -> None:
    """Two tones 733 Hz apart sink by 1.4 ms of discharge between crests, at most."""
    rng = np.random.default_rng(7)
    sink = 1.0 / 733 / (constants_s or 0.047)
    volts = np.concatenate([np.ones(200), 1 - sink * rng.uniform(0, 1, 800)])
    hidden = judge(volts, constants_s=constants_s, noise_v=(2e-4, 2e-4)).hidden
    assert not hidden[:200].any()
    assert (hidden[210:] > 0).mean() > 0.5
    assert hidden.max() < 0.7


@pytest.mark.nightly
@pytest.mark.parametrize(
    ("number", "mode", "decay_s"),
    [(20, "fm", 0.047), (17, "ssb", 0.047), (23, "two-tone", 0.047)],
)
def test_stations_with_slow_detectors(number: int, mode: str, decay_s: float) -> None:
    """The fast part of the bench: no false alarm, SWR within its bound, energy right or flagged."""
    outcome = bench.run(number, mode, decay_s, seed=1, span_s=40.0)
    assert not outcome.alarms
    assert all(outcome.within)
    assert max(map(abs, outcome.unflagged), default=0.0) < bench.MOST_ERROR
    assert (mode == "fm") == bool(outcome.unflagged)
    assert all(outcome.held)


def test_tail_that_does_not_fall_tells_no_decay() -> None:
    """A neighbour's signal over our key-up may hold the reading up or let it rise."""
    times = np.arange(40) * 20_000_000
    for seed in range(200):
        rng = np.random.default_rng(seed)
        volts = np.abs(rng.normal(0.3, 0.2, 40)) * (1.0 + rng.uniform(-0.03, 0.06) * np.arange(40))
        constant_s = measure_decay(times, np.append(volts[:-5], np.zeros(5)), 0.01)
        assert constant_s is None or 0 < constant_s <= 1.0
    rising = np.append(np.linspace(0.5, 1.0, 35), np.zeros(5))
    assert measure_decay(times, rising, 0.01) is None


# --- time constants of tails ---


def tail(decay_s: float, count: int = 400, *, rate_hz: float = RATE_HZ) -> tuple[Volts, Volts]:
    """Times and readings of a discharge from 1 V."""
    seconds = np.arange(count) / rate_hz
    return np.rint(seconds * 1e9).astype(np.int64), np.exp(-seconds / decay_s)


@pytest.mark.parametrize("pairs_a_constant", [0.5, 1.2, 1.8, 2.4, 3.0, 10.0, 60.0])
def test_a_discharge_gives_its_time_constant(pairs_a_constant: float) -> None:
    """By a line through the tail, or where it has few pairs by the first and the last of them."""
    decay_s = pairs_a_constant / RATE_HZ
    assert measure_decay(*tail(decay_s), 1e-9) == pytest.approx(decay_s, rel=1e-6)


def test_a_tail_down_to_noise_gives_an_upper_bound() -> None:
    """Gone at the first pair: it fell to half of what can be told from noise, at least."""
    times, _ = tail(1.0, 3)
    found = measure_decay(times, np.array([1.0, 0.0, 0.0]), 0.01)
    assert found == pytest.approx(1 / RATE_HZ / np.log(1 / 0.005))


def test_only_the_upper_part_of_a_tail_counts() -> None:
    """Below a fifth of the beginning a diode's discharge is no exponential any more."""
    times, volts = tail(0.1)
    bent = np.where(volts < 0.2, volts**2 / 0.2, volts)
    assert measure_decay(times, bent, 1e-9) == pytest.approx(0.1, rel=1e-3)
    bent = np.where(volts < 0.4, volts**2 / 0.4, volts)
    found = measure_decay(times, bent, 1e-9)
    assert found is not None
    assert found < 0.09


@pytest.mark.parametrize(("decay_s", "told"), [(0.9, True), (1.1, False)])
def test_a_tail_of_more_than_a_second_is_no_detectors(decay_s: float, told: bool) -> None:
    assert (measure_decay(*tail(decay_s, 2000), 1e-9) is not None) == told


def test_a_line_is_fitted_from_four_pairs_on() -> None:
    """Of three pairs and fewer the first and the last above a fifth tell; of more, all do."""
    for count, by_line in ((3, False), (4, True), (5, True)):
        times, volts = tail(1.0, count + 3)
        volts = np.append(np.linspace(1.0, 0.4, count), [0.1, 0.05, 0.0])
        bent = volts.copy()
        bent[1] *= 0.97
        plain, other = (measure_decay(times, each, 1e-9) for each in (volts, bent))
        assert (plain != other) == by_line


def test_noise_about_a_level_is_not_held() -> None:
    rng = np.random.default_rng(2)
    volts = 1.0 + 0.05 * rng.standard_normal(4000)
    hidden = judge(volts, constants_s=0.05, noise_v=(0.05, 0.05)).hidden
    assert hidden.mean() < 0.01


@pytest.mark.parametrize(("first_v", "told"), [(0.048, False), (0.052, True)])
def test_a_weak_tail_tells_nothing(first_v: float, told: bool) -> None:
    """It has to begin at five times what can be told from noise, to be seen down to a fifth."""
    times, volts = tail(0.02)
    assert (measure_decay(times, first_v * volts, 0.01) is not None) == told


def test_a_tail_that_rises_beyond_noise_is_another_signal() -> None:
    times, volts = tail(0.05)
    for up, told in ((0.009, True), (0.012, False)):
        other = volts.copy()
        other[10] = other[9] + up
        assert (measure_decay(times, other, 0.01) is not None) == told


def test_constants_are_a_low_quantile_of_the_latest_tails() -> None:
    """One in five lies below; rounded up by a tenth at most, so that they seldom change."""
    assert choose_constants(DecayMemory()) is None
    for count, rank in ((1, 0), (4, 0), (5, 1), (9, 1), (10, 2), (15, 3)):
        known = [0.01 * 1.5**place for place in range(count)]
        constants_s = choose_constants(DecayMemory(known[::-1], [2 * value for value in known]))
        assert constants_s is not None
        for constant_s, exact in zip(constants_s, (known[rank], 2 * known[rank]), strict=True):
            assert exact <= constant_s <= 1.106 * exact
    nearby = {choose_constants(DecayMemory([value])) for value in np.linspace(0.02, 0.02 * 1.1, 30)}
    assert len(nearby) == 2


def test_fifteen_tails_are_remembered_and_four_digits_of_each() -> None:
    tracker = DecayTracker(DecayMemory([0.5] * 14, [0.5] * 15), ZEROS_V, HANG_NS)
    volts = hold(overs(2), 0.0123)
    learn(tracker, 2 * volts + ZEROS_V[0], volts + ZEROS_V[1])
    assert tracker.memory.forward_s[:13] == [0.5] * 13
    for known in (tracker.memory.forward_s, tracker.memory.reflected_s):
        assert len(known) == 15
        assert known[-2:] == pytest.approx([0.0123] * 2, rel=1e-3)
        assert all(float(f"{value:.4g}") == value for value in known)


def test_a_key_up_without_pairs_after_the_hang_time_is_learned_from() -> None:
    """A bridge that sends nothing while the key is up: time passes by the clock alone."""
    volts = np.concatenate([np.ones(100), np.exp(-np.arange(1, 200) / (RATE_HZ * 0.03))])
    times = times_of(len(volts))
    tracker = DecayTracker(DecayMemory(), ZEROS_V, HANG_NS)
    readings = volts + ZEROS_V[0], 0.5 * volts + ZEROS_V[1]
    assert tracker.update(times, *readings, np.arange(len(volts)) < 100, NOISE_V) is None
    tracker.advance(int(times[99]) + HANG_NS, NOISE_V)
    assert tracker.memory.forward_s == []
    tracker.advance(int(times[99]) + HANG_NS + 1, NOISE_V)
    assert tracker.memory.forward_s == pytest.approx([0.03], rel=0.01)
    tracker.advance(int(times[99]) + 9 * HANG_NS, NOISE_V)
    assert len(tracker.memory.forward_s) == 1


@pytest.mark.parametrize(("pairs", "tails"), [(LEAST_KEYED - 1, 0), (LEAST_KEYED, 3)])
@pytest.mark.parametrize("block", [1, 5, 10_000])
def test_a_crackle_is_shorter_than_eight_pairs(pairs: int, tails: int, block: int) -> None:
    steady = overs(3, on_s=pairs / RATE_HZ)
    volts = hold(steady, 0.01) + ZEROS_V[0]
    tracker = DecayTracker(DecayMemory(), ZEROS_V, HANG_NS)
    times = times_of(len(volts))
    begin = 0
    while begin < len(volts):
        part = slice(begin, begin + block)
        taken = tracker.update(times[part], volts[part], volts[part], steady[part] > 0, NOISE_V)
        begin += min(block, len(volts) - begin) if taken is None else taken
    assert len(tracker.memory.forward_s) == tails


# --- what they hold ---


@pytest.mark.parametrize(
    ("constants_s", "hold_s"), [(None, 0.105), (1e-3, 0.06), (0.05, 0.15), (0.2, 0.6)]
)
@pytest.mark.parametrize("level", [0.4, 0.6])
def test_a_crest_is_held_for_three_time_constants(
    constants_s: float | None, hold_s: float, level: float
) -> None:
    """After a fall to a level a pair counts once the crest, decayed since at a third of the rate,
    is within FALL of it; before anything was measured 35 ms are assumed, and 20 ms at least."""
    count = round(1.5 * hold_s * RATE_HZ)
    volts = np.concatenate([np.ones(100), np.full(count, level)])
    settled = judge(volts, constants_s=constants_s, noise_v=(1e-9, 1e-9)).settled
    if constants_s is not None:  # the time constant is rounded up, by a tenth at most
        (known_s, _) = choose_constants(DecayMemory([constants_s])) or (0.0, 0.0)
        hold_s = max(3 * known_s, 0.06)
    waits_s = hold_s * np.log(FALL / level)
    expected = np.arange(1, count + 1) / RATE_HZ >= waits_s
    assert settled[20:100].all()
    wrong = np.flatnonzero(settled[100:] != expected)
    assert len(wrong) <= 1


def test_below_is_the_logarithm_of_the_decayed_crest() -> None:
    volts = np.concatenate([np.ones(100), np.full(200, 0.4), np.zeros(50)])
    below = judge(volts, constants_s=0.2).below
    (known_s, _) = choose_constants(DecayMemory([0.2])) or (0.0, 0.0)
    since_s = np.arange(1, 201) / RATE_HZ
    expected = np.maximum(np.log(1 / 0.4) - since_s / (3 * known_s), 0.0)
    np.testing.assert_allclose(below[:100], 0.0, atol=1e-9)
    np.testing.assert_allclose(below[100:300], expected, atol=1e-6)
    assert (below[300:] == FAR).all()


@pytest.mark.parametrize(("constants_s", "expected"), [(None, UNKNOWN), (0.001, QUICK)])
def test_below_of_quick_and_unknown_detectors(constants_s: float | None, expected: float) -> None:
    volts = np.concatenate([np.ones(50), np.full(50, 0.4), np.zeros(50)])
    assert (judge(volts, constants_s=constants_s).below == expected).all()


def test_detectors_that_hold_for_sixty_ms_are_quick() -> None:
    volts = np.concatenate([np.ones(50), np.full(50, 0.4)])
    assert judge(volts, constants_s=0.018).below.max() == QUICK  # 0.0183 with the rounding
    assert judge(volts, constants_s=0.0195).below.max() > 0.5


def test_what_is_held_is_hidden_by_its_age() -> None:
    """Of the power of a reading that has been held for 5 ms half is left, and so on."""
    decay_s = 0.05
    steady = np.concatenate([np.ones(250), np.full(300, 0.1)])
    hidden = judge(hold(steady, decay_s), constants_s=decay_s).hidden
    ages_ms = np.arange(5, 25) * 1e3 / RATE_HZ  # from the first pair of the fall on
    left = (1 - hidden[255:275]) * (ages_ms + 5) / 5
    np.testing.assert_allclose(left, left[0], rtol=1e-6)
    assert 0.2 < left[0] < 1.001
    assert not hidden[:250].any()
    assert not hidden[300:].any()


@pytest.mark.parametrize(("share", "least", "most"), [(0.6, 0.0, 0.6), (0.9, 0.85, 1.0)])
def test_a_fall_slower_than_the_discharge_hides_less(
    share: float, least: float, most: float
) -> None:
    """A detector that follows: the envelope falls at a share of the rate of discharge."""
    (known_s, _) = choose_constants(DecayMemory([0.1])) or (0.0, 0.0)
    falls = np.exp(-np.arange(50) * share / (RATE_HZ * known_s))
    hidden = judge(np.concatenate([np.ones(100), falls]), constants_s=0.1).hidden
    assert least <= hidden[120:150].min()
    assert hidden[120:150].max() <= most


@pytest.mark.parametrize(
    ("at", "factor", "settled"),
    [(70, 1.2, False), (86, 1.2, False), (93, 1.2, True), (70, 1.07, True)],
)
def test_a_jump_of_reflection_counts_once_the_envelope_rests(
    at: int, factor: float, settled: bool
) -> None:
    """60 ms after a fall; a smaller rise is not taken for one that is ahead."""
    forward = np.concatenate([np.ones(50), np.full(10, 0.6), np.ones(80)])
    reflected = 0.3 * forward
    reflected[at] *= factor
    found = judge(forward, reflected, constants_s=1e-3, noise_v=(1e-4, 1e-4)).settled
    assert found[at] == settled
    assert found[at - 1]


@pytest.mark.parametrize(("factor", "settled"), [(1.05, True), (1.15, False)])
def test_a_jump_is_told_from_the_zero(factor: float, settled: bool) -> None:
    """A weak reflection on a zero as large as itself: its own rise counts."""
    forward = np.concatenate([np.ones(50), np.full(10, 0.6), np.ones(80)])
    reflected = ZEROS_V[1] * forward
    reflected[70] *= factor
    found = judge(forward, reflected, constants_s=1e-3, noise_v=(1e-4, 1e-4)).settled
    assert found[70] == settled


def test_only_pairs_with_the_key_down_are_settled() -> None:
    volts = np.tile(np.concatenate([np.zeros(40), np.ones(60)]), 4)
    result = judge(volts, constants_s=0.1)
    assert not result.settled[volts == 0].any()
    assert (result.below[volts == 0] == FAR).all()
    assert not result.hidden[volts == 0].any()
    assert result.settled.reshape(4, 100)[:, 50:].all()


def test_a_slow_bridge_pair_by_pair_is_as_at_once() -> None:
    """At 20 pairs a second each pair looks back on the one before it alone."""
    rng = np.random.default_rng(6)
    forward = np.repeat(rng.uniform(0.5, 1.5, 60), 5)
    reflected = 0.3 * forward * np.where(rng.random(300) < 0.2, 1.4, 1.0)
    times = times_of(1)[0] + 50_000_000 * np.arange(300)
    keyed = np.ones(300, dtype=bool)
    whole = Settling(ZEROS_V, DecayMemory([0.05], [0.05]), HANG_NS)
    at_once = whole.update(times, forward, reflected, keyed, NOISE_V).settled
    single = Settling(ZEROS_V, DecayMemory([0.05], [0.05]), HANG_NS)
    one_by_one = [
        single.update(
            times[n : n + 1], forward[n : n + 1], reflected[n : n + 1], keyed[n : n + 1], NOISE_V
        ).settled[0]
        for n in range(300)
    ]
    assert one_by_one == at_once.tolist()
    assert 30 < at_once.sum() < 270
