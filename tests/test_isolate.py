"""Elimination of a fault: the arithmetic, chains, trials and sessions."""

from __future__ import annotations

from pathlib import Path

import msgspec
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
    ChainFault,
    Hypotheses,
    Symptom,
    parse_chain,
    shows,
    single_faults,
)
from logger.isolate.elimination import best, by_part, entropy, gain, posterior
from logger.isolate.hints import newest, weights
from logger.isolate.reading import (
    SwrReading,
    least_of_open_end,
    load_reads,
    sound,
    too_high,
    too_low,
)
from logger.isolate.session import (
    CLEARED,
    LEAST_BITS,
    IsolationSession,
    IsolationState,
    TrialOutcome,
    restore,
)
from logger.isolate.trial import Chances, chances_of
from logger.isolate.trials import trials
from logger.isolate.usual import UNKNOWN_SWR, UsualSwr, usual_swr
from logger.physics.reflection import swr
from logger.store.writer import StoreWriter
from tests.foreign_chains import random_chain
from tests.foreign_isolate import Play, play
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
    typed = parse_chain("rig, patch coupler; connector, coax, connector, antenna".replace(";", ""))
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
        ("radio, lead, antenna", "'coupler' occurs 0 times"),
        ("radio, coupler, coupler, antenna", "'coupler' occurs 2 times"),
        ("radio, coupler, lien, antenna", "unknown part 'lien'"),
        ("coupler, radio, antenna", "in order"),
        ("antenna, line, coupler, radio", "in order"),
        ("radio, coupler, antenna, line", "only ground may follow the antenna"),
        ("radio, ground, coupler, antenna", "ground must be the last part"),
        ("", "'coupler' occurs 0 times"),
    ],
)
def test_chains_that_cannot_be(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        parse_chain(text)


@given(chains())
def test_priors_add_up_and_plugs_outdoors_are_the_first_suspects(chain: Chain) -> None:
    hypotheses = Hypotheses(chain)
    odds = hypotheses.prior
    assert hypotheses.all[-1] == ELSEWHERE
    assert len(hypotheses.all) == len(odds) == len(hypotheses.members)
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
    bare = parse_chain("coupler line antenna")
    assert [bare.takes_load(place) for place in range(3)] == [True, True, False]


# trials and sessions


@settings(max_examples=15, deadline=None)
@given(chains(), st.sampled_from(Symptom), st.sampled_from(["open", "closed", "unknown"]))
def test_every_trial_tells_its_outcomes(chain: Chain, symptom: Symptom, dc: str) -> None:
    every = trials(chain, symptom, dc)
    assert len({trial.key for trial in every}) == len(every)
    hypotheses = Hypotheses(chain)
    for trial in every:
        chances = chances_of(trial, hypotheses)
        for counts in ((0, 0), (1, 0), (2, 1)):
            outcomes = chances.next_outcome(*counts)
            assert outcomes.sum(axis=1) == pytest.approx(1)
            assert (outcomes > 0.01).all()  # nothing is ever quite impossible
        assert trial.minutes > 0


@given(st.floats(0.01, 0.99), st.integers(0, 4), st.integers(0, 4))
def test_reading_again_corrects_slips_and_nothing_else(bad: float, n: int, m: int) -> None:
    chances = Chances(np.array([bad]), np.array([0.0]), np.array([0.0]))
    # All sequences of outcomes by enumeration: the state lasts, one reading in twenty is a slip.
    expected = bad * 0.95**n * 0.05**m + (1 - bad) * 0.05**n * 0.95**m
    assert chances.likelihood(n, m) == pytest.approx(expected)
    many = chances.likelihood(40, 0) / sum(chances.likelihood(40 - k, k) for k in (0, 40))
    assert many == pytest.approx(bad, abs=1e-9)


def likeliest(chain: Chain, fault: ChainFault, symptom: Symptom, dc: str) -> IsolationSession:
    """Trials as proposed, each with its likeliest outcome."""
    session = IsolationSession(IsolationState(chain.names, direct_current=dc))
    session.begin(symptom)
    most = sum(trial.takes for trial in trials(chain, symptom, dc))
    while (step := session.next()) is not None:
        # A trial tells something new, or settles an outcome that cannot be read later.
        assert step.bits >= LEAST_BITS or step.trial == session.last_trial
        assert step.trial in session.offered()
        bad = step.trial.shows.get(fault.mode, 0.0) if fault.place in step.trial.within else 0.0
        session.take(TrialOutcome(step.trial.key, bad > 0.5))
        assert len(session.state.outcomes) <= most
    return session


@settings(max_examples=25, deadline=None)
@given(chains(), st.sampled_from(["open", "closed", "unknown"]), st.data())
def test_a_planted_fault_is_never_eliminated(chain: Chain, dc: str, data: st.DataObject) -> None:
    likely = [
        (fault, symptom)
        for fault in single_faults(chain)
        for symptom in Symptom
        if shows(chain, fault, symptom) >= 0.5
    ]
    fault, symptom = data.draw(st.sampled_from(likely))
    session = likeliest(chain, fault, symptom, dc)
    verdict = session.verdict()
    assert fault.place in [part.place for part, _ in verdict.suspects]
    assert verdict.faulty is None or verdict.faulty.place == fault.place
    assert all(part.place != fault.place for part in verdict.cleared)
    assert session.odds[fault.place] > CLEARED


def test_a_session_is_resumed_taken_back_and_spared_what_is_lacking() -> None:
    session = IsolationSession(IsolationState(DEFAULT))
    session.begin(Symptom.HIGH)
    first = session.next()
    assert first is not None
    assert first.trial.key == "load:2"
    session.take(TrialOutcome("load:2", bad=False, swr=1.05))
    again = restore(msgspec.json.encode(session.state))
    assert again.odds == pytest.approx(session.odds)
    assert again.next() == session.next()
    assert again.back() == TrialOutcome("load:2", bad=False, swr=1.05)
    assert again.back() is None
    again.lack(first.trial)
    proposed = []
    while (step := again.next()) is not None:
        proposed.append(step.trial)
        again.skip(step.trial)
    assert proposed
    assert all(trial.needs != "dummy load" for trial in proposed)


def session_after(
    symptom: Symptom, *outcomes: tuple[str, bool], dc: str = "unknown"
) -> IsolationSession:
    session = IsolationSession(IsolationState(DEFAULT, direct_current=dc))
    session.begin(symptom)
    for key, bad in outcomes:
        session.take(TrialOutcome(key, bad))
    return session


def test_two_faults_explain_what_one_does_not() -> None:
    # Bad with the coupler and the rest sound, and bad with the plug at the antenna renewed.
    verdict = session_after(
        Symptom.HIGH,
        *[("new-plug:3", True)] * 2,
        *[("new-plug:5", True)] * 2,
        *[("other-line:4", True)] * 2,
        *[("swap:6", True)] * 2,
        *[("swap:2", True)] * 2,
    ).verdict()
    assert verdict.several > 0.5
    assert verdict.faulty is None


def test_a_repair_that_reads_sound_is_read_again_and_ends_the_session() -> None:
    before = [("load:2", False), ("load:5", True), ("wiggle", False), ("look:3", False)]
    session = session_after(Symptom.HIGH, *before, ("new-plug:5", False))
    step = session.next()
    assert step is not None
    assert (step.trial.key, step.minutes) == ("new-plug:5", 3)
    while step is not None and step.trial.key == "new-plug:5":
        session.take(TrialOutcome("new-plug:5", False))
        step = session.next()
    assert step is None
    verdict = session.verdict()
    assert [part.place for part in verdict.repaired] == [5]
    assert verdict.faulty == verdict.repaired[0]
    assert session.cured
    # A new line ends it as well; where its plugs were renewed in vain, it was the line.
    renewed = [*[("new-plug:3", True)] * 2, *[("new-plug:5", True)] * 2]
    session = session_after(Symptom.HIGH, *before, *renewed, *[("other-line:4", False)] * 2)
    assert session.next() is None
    found = session.verdict().faulty
    assert found is not None
    assert found.kind.name == "line"


def test_sound_readings_say_little_of_a_fault_that_comes_and_goes() -> None:
    before = [("load:2", False), ("load:5", True), ("wiggle", False), ("look:3", False)]
    repair = [("new-plug:5", False)] * 3
    steady = session_after(Symptom.HIGH, *before, *[("as-is", True)] * 3, *repair)
    passing = session_after(
        Symptom.HIGH, *before, *[("as-is", False), ("as-is", True)] * 2, *repair
    )
    assert steady.next() is None
    assert steady.verdict().faulty == steady.chain.parts[5]
    assert passing.odds[5] < steady.odds[5]
    step = passing.next()
    assert step is not None
    assert step.trial.key == "new-plug:5"  # more readings tell
    more = session_after(
        Symptom.HIGH, *before, *[("as-is", False), ("as-is", True)] * 2, *repair * 3
    )
    assert more.odds[5] > passing.odds[5]


def test_what_was_renewed_in_vain_stays_new() -> None:
    one_by_one = session_after(
        Symptom.HIGH, *[("new-plug:3", True)] * 2, *[("new-plug:5", True)] * 2
    )
    # Two bad plugs would explain it only if the first had been put back.
    assert one_by_one.odds[3] + one_by_one.odds[5] < 0.15
    all_as_it_is = session_after(Symptom.HIGH, ("new-plug:5", True), *[("as-is", False)] * 4)
    assert all_as_it_is.odds[5] > session_after(Symptom.HIGH, ("new-plug:5", True)).odds[5]
    assert not all_as_it_is.verdict().cleared  # a sound reading as it is tests no part


def test_a_climb_is_read_again_only_while_it_is_in_doubt() -> None:
    session = session_after(Symptom.HIGH, ("load:2", False), ("load:5", True))
    step = session.next()
    assert step is not None
    assert step.trial.key == "load:5"
    session.take(TrialOutcome("load:5", True))
    step = session.next()
    assert step is not None
    assert step.trial.key != "load:5"


def test_only_a_repair_that_mostly_reads_sound_is_one() -> None:
    before = [*[("load:2", False)] * 3, *[("load:5", True)] * 4]
    before += [("look:3", False), ("look:5", True)]
    for readings in ("bad", "bad bad", "bad bad good"):
        renewed = [("new-plug:5", reading == "bad") for reading in readings.split()]
        session = session_after(Symptom.HIGH, *before, *renewed)
        assert session.odds[5] > 0.5
        assert session.verdict().repaired == ()
    slip = [("new-plug:5", bad) for bad in (False, False, False, True)]
    repaired = session_after(Symptom.HIGH, *before, *slip).verdict().repaired
    assert 5 in [part.place for part in repaired]


def test_nothing_before_the_coupler_is_replaced_for_its_swr() -> None:
    for symptom in Symptom:
        kinds = ("swap", "bypass", "new-plug")
        places = {t.place for t in trials(Chain(LONG), symptom, "open") if t.kind in kinds}
        before = {0, 1, 2, 3} & {place for place in places if place is not None}
        assert bool(before) == (symptom not in (Symptom.HIGH, Symptom.LOWER))


def test_nobody_climbs_or_works_long_for_the_same_trial_twice() -> None:
    session = session_after(Symptom.HIGH, ("load:5", True), ("look:3", False))
    assert "load:5" not in [trial.key for trial in session.offered()]
    session = session_after(Symptom.HIGH, ("look:3", False), ("load:5", True))
    assert "load:5" in [trial.key for trial in session.offered()]  # read again as it is
    session = session_after(Symptom.HIGH, ("new-plug:3", True), ("load:2", False))
    assert "new-plug:3" not in [trial.key for trial in session.offered()]


def test_only_what_was_tested_is_called_sound() -> None:
    session = session_after(Symptom.HIGH, *[("load:5", False)] * 2, *[("swap:2", True)] * 2)
    cleared = {part.kind.name for part in session.verdict().cleared}
    assert "coupler" in cleared  # the trouble stays with another in its place
    assert not cleared & {"radio", "lead"}  # the coupler cannot see them
    assert session.odds[0] < CLEARED
    far = session_after(Symptom.LOWER, *[("open-end", True)] * 3)
    assert not far.verdict().cleared  # it tests the coupler and the line, which are suspected
    assert 0 not in [part.place for part in session_after(Symptom.HIGH).verdict().cleared]
    assert not session_after(Symptom.HIGH, ("look:3", False)).verdict().cleared


def test_one_answer_alone_names_no_part() -> None:
    for symptom, outcome in (
        (Symptom.UPSTREAM, ("swap:1", False)),
        (Symptom.NONE, ("ohm-lead:1", True)),
    ):
        session = session_after(symptom, outcome)
        assert session.verdict().faulty is None
        assert session.next() is not None


def test_a_dead_detector_is_found_by_what_should_reflect_all() -> None:
    session = session_after(Symptom.LOWER)
    step = session.next()
    assert step is not None
    assert step.trial.key == "open-port:2"
    session.take(TrialOutcome("open-port:2", True))
    while (step := session.next()) is not None:
        assert len(session.state.outcomes) < 5
        session.take(TrialOutcome(step.trial.key, step.trial.key == "open-port:2"))
    found = session.verdict().faulty
    assert found is not None
    assert found.kind.name == "coupler"
    # By the far end: a wet line does that, too, until the port of the coupler reads well.
    end = session_after(Symptom.LOWER, ("open-end", True), ("open-end", True))
    likeliest_two = [part.kind.name for part, _ in end.verdict().odds[:2]]
    assert sorted(likeliest_two) == ["coupler", "line"]
    end.take(TrialOutcome("open-port:2", False))
    end.take(TrialOutcome("open-port:2", False))
    assert end.verdict().odds[0][0].kind.name == "line"


def test_nothing_takes_an_arrester_off() -> None:
    for trial in trials(Chain(LONG), Symptom.HIGH, "open"):
        if trial.place is not None and LONG[trial.place] == "arrester":
            assert trial.kind != "bypass"


def test_an_alarm_and_the_store_shape_what_is_likely(tmp_path: Path) -> None:
    assert weights({"coupler-fault": 0.5, "nothing": 0.5}) == {"false": 2.0, "dead": 2.0}
    plain, shaped = (
        IsolationSession(IsolationState(DEFAULT, symptom=Symptom.HIGH, weights=more)).odds
        for more in ({}, weights({"antenna-moved": 1.0}))
    )
    antenna = DEFAULT.index("antenna")
    assert plain[antenna] < shaped[antenna] < 3 * plain[antenna]
    store = StoreWriter.open(tmp_path / "store.sqlite")
    try:
        assert newest(store) is None
        now_ns = 1_772_391_600_000_000_000
        assert usual_swr(store, now_ns, 20) == (None, UNKNOWN_SWR)
        usual = [transmission(now_ns - n * 10**12, swr=1.2 if n > 8 else 4.0) for n in range(1, 25)]
        store.insert_calibration("abc", "")
        store.write(usual)
        assert 1.2 < usual_swr(store, now_ns, 20).highest < 1.4
        assert usual_swr(store, now_ns, 40) == UsualSwr(None, UNKNOWN_SWR)
        # Two levels, neither of which is usual: no reading is lower than that.
        levels = [
            transmission(now_ns - n * 10**12, swr=(1.1, 3.0)[n % 2], channel=9)
            for n in range(1, 25)
        ]
        store.write(levels)
        assert usual_swr(store, now_ns, 9).lowest is None
        assert usual_swr(store, now_ns, 9).highest < 1.3
    finally:
        store.close()


# stations


def test_what_a_reading_says() -> None:
    as_is = SwrReading(4.0, 3.6, 4.5)
    assert sound(SwrReading(1.1, 1.0, 1.25), 1.12, as_is) is True
    assert sound(SwrReading(3.5, 3.1, 4.0), 1.12, as_is) is False
    assert sound(SwrReading(1.9, 1.5, 2.5), 1.12, as_is) is None
    assert too_high(SwrReading(1.6, 1.55, 1.65), 1.5) is True
    assert too_high(SwrReading(1.6, 1.4, 1.8), 1.5) is None
    assert too_high(SwrReading(1.3, 1.2, 1.6), 1.5) is False
    assert too_low(SwrReading(1.1, 1.05, 1.15), 1.2)
    assert not too_low(SwrReading(1.1, 1.05, 1.25), 1.2)
    assert not too_low(SwrReading(1.1, 1.05, 1.25), None)
    low = SwrReading(1.05, 1.0, 1.08)
    assert sound(SwrReading(1.3, 1.27, 1.33), 1.3, low, lower=True) is True
    assert sound(SwrReading(1.06, 1.02, 1.1), 1.3, low, lower=True) is False


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
    for misread, least in ((0.0, 0.9), (MISREAD, 0.85)):
        found_, wrong = 0, 0
        for seed in range(12):
            rng = np.random.default_rng(seed)
            station = random_station(rng)
            one = played(Person(station, rng, misread))
            found_ += one.found == station.place
            wrong += one.found not in (None, station.place)
            if not misread:
                assert station.place in one.left
        assert found_ >= least * 12
        assert wrong == 0


def test_faulty_parts_of_independent_stations_are_named() -> None:
    plays = [play(seed) for seed in range(5000, 5016)]
    results = [one.result for one in plays]
    assert results.count("right") >= 14
    assert results.count("wrong") == 0
    assert not any(one.jobs_twice for one in plays)


def test_dead_detectors_of_independent_stations_are_found() -> None:
    plays = [dead_detector(seed) for seed in range(3)]
    assert [one.result for one in plays] == ["right"] * 3
    assert all(one.symptom == "lower" for one in plays)


def dead_detector(seed: int) -> Play:
    return play(seed, station=random_chain(seed, mode="reflected diode dead", two_faults=False))
