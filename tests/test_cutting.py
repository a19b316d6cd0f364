"""Cutting an antenna: how much may go, what is said when too much went, foreign antennas."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from logger.errors import UsageError
from logger.page.adjusting import parse_adjustment
from logger.physics.antenna import rho
from logger.physics.reflection import swr
from logger.tune.advice import settable
from logger.tune.cutting import FIRST_CUT, GROWTH, MARGIN, cut_change
from logger.tune.estimate import estimate, interval
from logger.tune.positions import Adjustment, ChannelReading, Position
from logger.tune.session import TuningSession, TuningState, decode_state
from logger.tune.words import findings
from tests.foreign_tune_sessions import cut_session, slide_session

KHZ = (26_965.0, 27_185.0, 27_405.0)
CUT = Adjustment("mm", length_mm=2600.0, cut=True)


def position(setting: float, resonance_khz: float, advised: float | None = None) -> Position:
    size = rho(np.array(KHZ), resonance_khz, 40.0, 14.0, 0.4)
    readings = [
        ChannelReading(khz, value, max(1.0, value - 0.05), value + 0.05)
        for khz, value in zip(KHZ, (float(each) for each in swr(size)), strict=True)
    ]
    return Position(setting, readings, advised)


def said(*positions: Position) -> str:
    session = TuningSession(TuningState(CUT, KHZ[1], None, list(positions)))
    return " ".join(findings(session.state, session.advice()))


def test_the_first_cut_is_small_whatever_is_known() -> None:
    need = np.random.default_rng(1).normal(-200.0, 5.0, 4000)
    change = cut_change(CUT, [position(2600, 26_000)], need)
    assert change == pytest.approx(-FIRST_CUT * 2600)


def test_a_cut_is_not_much_longer_than_the_longest_before_it() -> None:
    need = np.random.default_rng(1).normal(-200.0, 5.0, 4000)
    change = cut_change(CUT, [position(2600, 26_500), position(2590, 26_600)], need)
    assert change == pytest.approx(-GROWTH * 10)


def test_no_cut_ends_beyond_the_mark_by_its_interval() -> None:
    positions = [position(2600, 26_500), position(2560, 26_800)]
    for spread in (1.0, 5.0, 20.0, 40.0):
        need = np.random.default_rng(1).normal(-50.0, spread, 4000)
        change = cut_change(CUT, positions, need)
        assert change == 0.0 or np.quantile(need - change, 0.975) <= MARGIN["mm"]
        to = settable(CUT, 2560.0, change)
        assert 0 <= 2560.0 - to <= -change  # rounded to the safe side
    assert cut_change(CUT, positions, np.linspace(-100, 10, 1000)) == 0.0


def test_a_cut_that_lowered_nothing_is_the_last() -> None:
    need = np.random.default_rng(1).normal(-50.0, 5.0, 4000)
    assert cut_change(CUT, [position(2600, 26_700), position(2593, 26_700)], need) == 0.0
    assert cut_change(CUT, [position(2600, 26_700), position(2593, 26_770)], need) < 0.0


def test_the_whole_length_is_believed_however_short() -> None:
    short = Adjustment("mm", length_mm=1100.0, cut=True)
    sensitivity = estimate(short, [position(1100, 26_700)]).sensitivity
    middle, low, high = interval(sensitivity)
    assert low < 0.4 / 1100  # a loaded whip
    assert high > 1.5 / 1100  # a tip above a coil
    assert 0.6 / 1100 < middle < 1.0 / 1100


def test_advice_that_went_too_far_is_admitted() -> None:
    text = said(position(2600, 26_700), position(2560, 27_800, advised=2560))
    assert "The last cut, from 2600 mm to 2560 mm, went too far: by about" in text
    assert "The advice to cut to 2560 mm was wrong: it went too far." in text
    assert "a longer tip" in text
    assert "end of its travel" not in text
    text = said(position(2600, 26_700), position(2500, 27_800, advised=2560))
    assert "It was cut 60 mm further than advised (2560 mm)." in text
    assert "was wrong" not in text
    text = said(position(2600, 27_800))
    assert "went too far" not in text
    assert "a longer tip" in text


def test_every_cut_comes_with_its_cautions() -> None:
    text = said(position(2600, 26_600))
    assert "This first cut is small" in text
    assert "A cut cannot be undone" in text
    assert text.endswith("nobody may touch a keyed antenna.")


def test_a_session_of_before_is_read_and_advice_is_noted() -> None:
    session = TuningSession(TuningState(CUT, KHZ[1], None, [position(2600, 26_700)]))
    session.set(2590.0, 2592.0)
    again = decode_state(msgspec.json.encode(session.state))
    assert again.positions[-1].advised == 2592.0
    old = (
        msgspec.json.encode(session.state)
        .replace(b',"advised":null', b"")
        .replace(b',"advised":2592.0', b"")
    )
    assert decode_state(old).positions[-1].advised is None


def test_the_page_asks_for_the_whole_length_and_takes_no_less_than_the_setting() -> None:
    fields = {"unit": "mm", "cut": "yes"}
    assert parse_adjustment(fields, 400.0) == Adjustment("mm", length_mm=400.0, cut=True)
    fields["length"] = "1100"
    assert parse_adjustment(fields, 400.0).length_mm == 1100.0
    for at in (1200.0, 0.0, -5.0):
        with pytest.raises(UsageError, match="whole element"):
            parse_adjustment(fields, at)
    assert parse_adjustment({"unit": "turns"}, 0.0) == Adjustment("turns")


CASES = [("dipole", 5), ("base_loaded", 2), ("top_loaded", 3), ("hairpin", 1), ("trap", 2)]


@pytest.mark.parametrize(("kind", "seed"), [*CASES, ("two_resonances", 2), ("gamma", 4)])
def test_foreign_antennas_are_not_cut_too_far(kind: str, seed: int) -> None:
    """The bench `foreign_tune` has many of them."""
    outcome = cut_session(seed, kind)
    assert not outcome.overcut
    assert outcome.worst <= outcome.started + 0.02


def test_a_coupler_of_known_directivity_lets_cuts_end_nearer_to_the_mark() -> None:
    poor, own = (cut_session(101, "whip", is_leak_known=known) for known in (False, True))
    assert not own.overcut
    assert poor.beyond_mm < own.beyond_mm
    assert own.worst < poor.worst


def test_foreign_antennas_are_adjusted() -> None:
    outcomes = [slide_session(seed, kind) for kind, seed in CASES]
    assert sum(one.reached for one in outcomes) >= len(CASES) - 1
