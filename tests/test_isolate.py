"""Elimination of a fault: the arithmetic, chains, trials and sessions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from logger.errors import UsageError
from logger.isolate.chain import (
    DEFAULT,
    ELSEWHERE,
    KINDS,
    Chain,
    Fault,
    Symptom,
    chain_of,
    faults,
    prior,
    shows,
)
from logger.isolate.elimination import best, by_part, entropy, gain, posterior
from logger.isolate.hints import newest, weights
from logger.isolate.reading import Seen, least_of_open_end, load_reads, sound, too_high
from logger.isolate.session import CLEARED, Session, State, Taken, decode_state, encode_state
from logger.isolate.trial import table
from logger.isolate.trials import trials
from logger.isolate.usual import UNKNOWN_SWR, usual_swr
from logger.reflection import swr
from logger.store.database import Store
from tests.isolate_stations import MISREAD, Person, played, random_station
from tests.test_store import transmission

LONG = (
    *("radio", "lead", "meter", "lead", "coupler", "tuner", "arrester", "plug", "line", "joint"),
    *("line", "plug", "antenna", "ground"),
)


def before() -> st.SearchStrategy[list[str]]:
    return st.lists(st.sampled_from(["lead", "meter", "plug", "arrester"]), max_size=3)


def behind() -> st.SearchStrategy[list[str]]:
    inline = ["lead", "meter", "tuner", "arrester", "plug", "joint", "line"]
    return st.lists(st.sampled_from(inline), max_size=6)


def chains() -> st.SearchStrategy[Chain]:
    return st.builds(
        lambda radio, one, two, ground: Chain(
            [*radio, *one, "coupler", *two, "antenna", *ground],
        ),
        st.sampled_from([["radio"], []]),
        before(),
        behind(),
        st.sampled_from([["ground"], []]),
    )


# arithmetic

ODDS = arrays.arrays(np.float64, 6, elements=st.floats(0.001, 1))
SHARES = arrays.arrays(np.float64, 6, elements=st.floats(0.01, 0.99))
PART = np.array([0, 0, 1, 2, 2, 3])


@given(ODDS, st.lists(SHARES, max_size=400))
def test_the_posterior_adds_up_to_one(odds: np.ndarray, seen: list[np.ndarray]) -> None:
    after = posterior(odds, seen)
    assert after.sum() == pytest.approx(1)
    assert by_part(after, PART).sum() == pytest.approx(1)
    if len(seen) == 1:  # Bayes by hand
        assert after == pytest.approx(odds * seen[0] / (odds @ seen[0]))


@given(ODDS, SHARES)
def test_information_is_not_negative_and_at_most_what_is_missing(
    odds: np.ndarray, bad: np.ndarray
) -> None:
    now = odds / odds.sum()
    bits = gain(now, np.stack([1 - bad, bad], axis=1), PART)
    assert 0 <= bits <= min(1.0, entropy(by_part(now, PART))) + 1e-9
    assert gain(now, np.tile([0.3, 0.7], (6, 1)), PART) == pytest.approx(0, abs=1e-12)


def test_information_of_a_clean_split_is_a_bit() -> None:
    even = np.full(4, 0.25)
    split = np.array([[1.0, 0], [1, 0], [0, 1], [0, 1]])
    assert gain(even, split, np.arange(4)) == pytest.approx(1)
    assert gain(even, split, np.array([0, 1, 0, 1])) == pytest.approx(0, abs=1e-12)
    # A channel that errs one time in ten: 1 - H(0.1) (Shannon 1948).
    noisy = np.where(split > 0, 0.9, 0.1)
    assert gain(even, noisy, np.arange(4)) == pytest.approx(1 - 0.4690, abs=1e-4)
    assert best([0.5, 0.4, 0.01], [10.0, 4.0, 0.1], 0.03) == 1
    assert best([0.01], [1.0], 0.03) is None


# chains


def test_chains_as_typed() -> None:
    typed = chain_of("rig, patch coupler; connector, coax, connector, antenna".replace(";", ""))
    assert typed.names == DEFAULT
    assert [part.title for part in typed.parts] == [
        *("radio", "lead", "coupler", "plug at the coupler", "line", "plug at the antenna"),
        "antenna",
    ]
    titles = [part.title for part in Chain(LONG).parts]
    assert len(set(titles)) == len(titles)
    assert titles[3] == "lead 2"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("radio, lead, antenna", "0 times 'coupler'"),
        ("radio, coupler, coupler, antenna", "2 times 'coupler'"),
        ("radio, coupler, lien, antenna", "no part 'lien'"),
        ("coupler, radio, antenna", "in order"),
        ("antenna, line, coupler, radio", "in order"),
        ("radio, coupler, antenna, line", "nothing but ground"),
        ("radio, ground, coupler, antenna", "ground belongs last"),
        ("", "0 times 'coupler'"),
    ],
)
def test_chains_that_cannot_be(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        chain_of(text)


@given(chains())
def test_priors_add_up_and_plugs_outdoors_are_the_first_suspects(chain: Chain) -> None:
    every, odds = faults(chain), prior(chain)
    assert every[-1] == ELSEWHERE
    assert odds.sum() == pytest.approx(1)
    assert (odds > 0).all()
    most = max(chain.parts, key=lambda part: part.weight)
    assert most.is_contact if any(p.is_contact and p.outdoors for p in chain.parts) else True
    for kind in KINDS.values():
        assert sum(kind.modes.values()) == pytest.approx(1)


def test_where_a_dummy_load_can_be_put() -> None:
    chain = Chain(DEFAULT)
    assert [p.title for p in chain.parts if chain.takes_load(p.place)] == [
        *("radio", "lead", "coupler", "plug at the antenna"),
    ]
    bare = chain_of("coupler line antenna")
    assert [bare.takes_load(place) for place in range(3)] == [True, True, False]


# trials and sessions


@given(chains(), st.sampled_from(Symptom), st.sampled_from(["open", "closed", "unknown"]))
def test_every_trial_tells_its_outcomes(chain: Chain, symptom: Symptom, dc: str) -> None:
    every = trials(chain, symptom, dc)
    assert len({trial.key for trial in every}) == len(every)
    for trial in every:
        chances = table(trial, faults(chain))
        assert chances.sum(axis=1) == pytest.approx(1)
        assert (chances > 0.01).all()  # nothing is ever quite impossible
        assert trial.minutes > 0
        again = table(trial, faults(chain), taken=1)
        assert (np.abs(again[:, 1] - 0.5) <= np.abs(chances[:, 1] - 0.5)).all()


def likeliest(chain: Chain, fault: Fault, symptom: Symptom, dc: str) -> Session:
    """Trials as proposed, each with its likeliest outcome."""
    session = Session(State(chain.names, direct_current=dc))
    session.begin(symptom)
    most = sum(trial.takes for trial in trials(chain, symptom, dc))
    while (step := session.next()) is not None:
        assert step.bits > 0
        bad = bool(table(step.trial, [fault])[0, 1] > 0.5)
        session.take(Taken(step.trial.key, bad))
        assert len(session.state.taken) <= most
        assert session.odds.sum() == pytest.approx(1)
    return session


@settings(max_examples=60, deadline=None)
@given(chains(), st.sampled_from(["open", "closed", "unknown"]), st.data())
def test_a_planted_fault_is_never_eliminated(chain: Chain, dc: str, data: st.DataObject) -> None:
    likely = [
        (fault, symptom)
        for fault in faults(chain)[:-1]
        for symptom in Symptom
        if shows(chain, fault, symptom) >= 0.5
    ]
    fault, symptom = data.draw(st.sampled_from(likely))
    session = likeliest(chain, fault, symptom, dc)
    verdict = session.verdict()
    assert fault.place in [part.place for part, _ in verdict.left]
    assert verdict.found is None or verdict.found.place == fault.place
    assert all(part.place != fault.place for part in verdict.cleared)
    assert session.odds[fault.place] > CLEARED


def test_a_session_is_resumed_taken_back_and_spared_what_is_lacking() -> None:
    session = Session(State(DEFAULT))
    session.begin(Symptom.HIGH)
    first = session.next()
    assert first is not None
    assert first.trial.key == "load:2"
    session.take(Taken("load:2", bad=False, swr=1.05))
    again = Session(decode_state(encode_state(session.state)))
    assert again.odds == pytest.approx(session.odds)
    assert again.next() == session.next()
    assert again.back() == Taken("load:2", bad=False, swr=1.05)
    assert again.back() is None
    again.lack(first.trial)
    proposed = []
    while (step := again.next()) is not None:
        proposed.append(step.trial)
        again.skip(step.trial)
    assert proposed
    assert all(trial.needs != "dummy load" for trial in proposed)


def test_outcomes_that_fit_no_single_fault_are_said() -> None:
    session = Session(State(DEFAULT))
    session.begin(Symptom.HIGH)
    # High with the load at the coupler, well with it at the far end: no single fault does that.
    for key, bad in (("load:2", True), ("load:5", False), ("load:2", True), ("load:5", False)):
        session.take(Taken(key, bad))
    verdict = session.verdict()
    assert verdict.found is None
    assert verdict.contradictory


def test_an_alarm_and_the_store_shape_what_is_likely(tmp_path: Path) -> None:
    assert weights({"coupler-fault": 0.5, "nothing": 0.5}) == {"false": 2.0, "dead": 2.0}
    plain, shaped = (
        Session(State(DEFAULT, symptom=Symptom.HIGH, weights=more)).odds
        for more in ({}, weights({"antenna-moved": 1.0}))
    )
    antenna = DEFAULT.index("antenna")
    assert plain[antenna] < shaped[antenna] < 3 * plain[antenna]
    store = Store.open(tmp_path / "store.sqlite")
    try:
        assert newest(store) is None
        now_ns = 1_772_391_600_000_000_000
        assert usual_swr(store, now_ns, 20) == UNKNOWN_SWR
        usual = [transmission(now_ns - n * 10**12, swr=1.2 if n > 8 else 4.0) for n in range(1, 25)]
        store.keep_calibration("abc", "")
        store.write(usual)
        assert 1.2 < usual_swr(store, now_ns, 20) < 1.4
        assert usual_swr(store, now_ns, 40) == UNKNOWN_SWR
    finally:
        store.close()


# stations


def test_what_a_reading_says() -> None:
    as_is = Seen(4.0, 3.6, 4.5)
    assert sound(Seen(1.1, 1.0, 1.25), 1.12, as_is) is True
    assert sound(Seen(3.5, 3.1, 4.0), 1.12, as_is) is False
    assert sound(Seen(1.9, 1.5, 2.5), 1.12, as_is) is None
    assert too_high(Seen(1.6, 1.55, 1.65), 1.5) is True
    assert too_high(Seen(1.6, 1.4, 1.8), 1.5) is None
    assert too_high(Seen(1.3, 1.2, 1.6), 1.5) is False


@pytest.mark.parametrize(("directivity_db", "reads"), [(20, 1.222), (30, 1.065), (40, 1.020)])
def test_a_dummy_load_reads_what_directivity_makes_of_it(
    directivity_db: float, reads: float
) -> None:
    # A perfect load at such a coupler: tests/references (directivity_error), about 1 + 2D.
    leak = 10 ** (-directivity_db / 20)
    assert float(swr(leak)) == pytest.approx(reads, abs=0.001)
    assert reads == pytest.approx(1 + 2 * leak, rel=0.02)
    # What is taken for a load has the load's own share besides.
    assert reads < load_reads(leak) == pytest.approx(reads * 1.1, rel=0.01)


@given(st.floats(0.1, 4))
def test_an_open_end_shows_twice_the_loss(loss_db: float) -> None:
    through_db = 1.3 * loss_db + 0.3
    rho = 10 ** (-2 * through_db / 20)
    assert least_of_open_end(loss_db) == pytest.approx((1 + rho) / (1 - rho))


def test_planted_faults_are_found() -> None:
    for misread, least in ((0.0, 0.9), (MISREAD, 0.75)):
        found_, wrong = 0, 0
        for seed in range(40):
            rng = np.random.default_rng(seed)
            station = random_station(rng)
            one = played(Person(station, rng, misread))
            found_ += one.found == station.place
            wrong += one.found not in (None, station.place)
            if not misread:
                assert station.place in one.left
        assert found_ >= least * 40
        assert wrong <= 2 * (misread > 0)
