"""What slow detectors hold: learned from the tails after key-up, set aside, estimated."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decay import LEAST_KEYED, DecayTracker, Memory, measure_decay
from logger.settling import FALL, MARGIN, RISE, Settled, Settling, held_power
from tests.bench import slow_detectors as bench

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
    tracker = DecayTracker(Memory(), ZEROS_V, HANG_NS)
    learn(
        tracker,
        2 * hold(steady, decay_s) + ZEROS_V[0],
        0.5 * hold(steady, 1.25 * decay_s) + ZEROS_V[1],
    )
    assert len(tracker.memory.forward_s) == 5
    assert tracker.memory.forward_s == pytest.approx([decay_s] * 5, rel=0.02)
    assert tracker.memory.reflected_s == pytest.approx([1.25 * decay_s] * 5, rel=0.02)


def test_a_detector_faster_than_the_pairs_has_an_upper_bound() -> None:
    tracker = DecayTracker(Memory(), ZEROS_V, HANG_NS)
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
    tracker = DecayTracker(Memory(), ZEROS_V, HANG_NS)
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
    memory = Memory() if constants_s is None else Memory([constants_s], [constants_s])
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


@settings(max_examples=30, deadline=None)
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
