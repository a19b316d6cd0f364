"""The dialogue of `isolate` where outcomes are odd, with answers and carriers that are given."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from logger.calibration.coupler import Coupler
from logger.cli.guides.carriers import Carriers, Instead, report_swr
from logger.cli.guides.isolate import IsolationGuide
from logger.cli.guides.isolate_symptom import find_symptom
from logger.cli.guides.terminal import Stop, Terminal
from logger.cli.station import calibration_of
from logger.config.load import load
from logger.isolate.chain import Symptom, parse_chain
from logger.isolate.instructions import explain_outcome
from logger.isolate.session import IsolationSession, IsolationState, TrialOutcome
from logger.isolate.usual import UsualSwr
from logger.isolate.words import conclusion
from logger.live.carrier import Carrier
from tests.station import write_config


class Typed(Terminal):
    """A terminal with answers typed beforehand; `said` is what it showed."""

    def __init__(self, *answers: str) -> None:
        super().__init__()
        self._answers = list(answers)
        self.text: list[str] = []

    def say(self, text: str) -> None:
        self.text.append(text)

    ask = say

    def line(self, timeout_s: float | None) -> str | None:
        if not self._answers:
            raise Stop
        return self._answers.pop(0)

    @property
    def said(self) -> str:
        return "\n".join(self.text)


class Keyed(Carriers):
    """Carriers of these SWRs, each with its interval; None is that nothing arrives."""

    of_daemon = False

    def __init__(self, config: Path, *swrs: tuple[float, float, float] | float | None) -> None:
        self.coupler = Coupler(calibration_of(load(config)))
        self._swrs = list(swrs)
        self.most_w: list[float] = []

    def wait(self, most_w: float = 10.0, instead: Mapping[str, str] = {}) -> Carrier:
        self.most_w.append(most_w)
        seen = self._swrs.pop(0)
        if seen is None:
            assert instead
            raise Instead("n")
        if isinstance(seen, float):
            seen = seen, 0.97 * seen, 1.03 * seen
        readable = seen[0] > 0
        return Carrier(
            id=None,
            end_ns=0,
            duration_s=1.0,
            forward_w=1.0 if readable else 0.02,
            swr=seen[0] if readable else None,
            swr_low=seen[1] if readable else None,
            swr_high=seen[2] if readable else None,
            channel=20,
            frequency_khz=27205.0,
            calibration_id="c",
            flags="",
        )


class Dialogue:
    """A session in a folder, up to its end or the last answer."""

    def __init__(self, folder: Path, chain: str, **state: Any) -> None:
        self.config = write_config(folder, "/dev/null", feedline="{cable: RG-58, length_m: 18}")
        self.session = IsolationSession(IsolationState(parse_chain(chain).names, **state))

    def go(self, terminal: Typed, *swrs: tuple[float, float, float] | float | None) -> Keyed:
        keyed = Keyed(self.config, *swrs)
        try:
            if self.session.state.symptom is None:
                find_symptom(terminal, keyed, self.session, lambda channel: UsualSwr(None, 1.4))
            for _ in IsolationGuide(load(self.config), keyed, terminal).steps(self.session):
                pass
        except Stop:
            pass
        return keyed


def test_what_is_wrong_is_asked_where_the_coupler_sees_nothing(tmp_path: Path) -> None:
    talk, terminal = Dialogue(tmp_path, "radio lead coupler line antenna"), Typed("9", "", "2")
    talk.go(terminal, 0.0, 1.2)
    assert "0.02 W is below" in terminal.said
    assert "no more than usual (usual: 1.40" in terminal.said
    assert talk.session.state.symptom is Symptom.UPSTREAM
    passing, terminal = Dialogue(tmp_path, "coupler line antenna"), Typed("1")
    passing.go(terminal, 1.2)
    assert "mismatchd wiggle" in terminal.said
    assert passing.session.state.symptom is None
    high, terminal = Dialogue(tmp_path, "coupler line antenna"), Typed("6")
    high.go(terminal, (1.45, 1.3, 1.6))
    assert "only slightly more than usual" in terminal.said
    assert high.session.state.symptom is Symptom.HIGH


def test_a_reading_between_is_taken_again_or_left_out(tmp_path: Path) -> None:
    talk = Dialogue(
        tmp_path,
        "coupler plug line plug antenna",
        skipped=["load:0", "wiggle", "glance:4", "look:1"],
    )
    terminal = Typed("", "", "", "b", "s", "q")
    talk.go(terminal, 3.0, (1.7, 1.4, 2.2), 0.0, 1.05)
    assert terminal.said.count("lies between sound and faulty") == 1
    assert "readable floor" in terminal.said
    assert (
        "The trouble is gone with a dummy load after the plug at the antenna (SWR 1.05)"
        in terminal.said
    )
    assert "The last outcome is undone" in terminal.said
    assert talk.session.state.outcomes == []
    assert talk.session.state.skipped == ["load:0", "wiggle", "glance:4", "look:1", "load:3"]


def test_the_far_end_is_read_at_low_power_by_the_cable(tmp_path: Path) -> None:
    talk = Dialogue(tmp_path, "coupler line antenna", symptom=Symptom.WEAK)
    proposed = []
    while (step := talk.session.next()) is not None and step.trial.kind != "open-end":
        proposed.append(step.trial.key)
        talk.session.skip(step.trial)
    terminal = Typed("", "q")
    keyed = talk.go(terminal, 2.0)
    assert keyed.most_w == [2.0]
    for words in ("1 W or less", "everybody out of reach", "power lines", "A sound line shows SWR"):
        assert words in terminal.said
    assert talk.session.state.outcomes == [TrialOutcome("open-end", True, 2.0, 1.94, 2.06)]
    assert "The line loses too much (SWR 2.00)" in terminal.said


def test_plugs_are_moved_with_the_reading_shown(tmp_path: Path) -> None:
    talk = Dialogue(tmp_path, "coupler plug line antenna", symptom=Symptom.HIGH)
    while (step := talk.session.next()) is not None and step.trial.kind != "wiggle":
        talk.session.skip(step.trial)
    assert step is not None
    terminal = Typed("", "", "y", "e")
    keyed = talk.go(terminal, 1.2, 1.2)
    assert len(keyed.most_w) == 2
    assert talk.session.state.outcomes[0] == TrialOutcome("wiggle", bad=True)


def test_power_that_comes_again_or_not(tmp_path: Path) -> None:
    talk = Dialogue(tmp_path, "radio lead coupler antenna", lacking=["ohmmeter", "dummy load"])
    talk.session.state.skipped.append("swap:2")  # another meter, which would be asked
    terminal = Typed("", "", "q")
    talk.go(terminal, None, None, 1.3)
    assert "no power arrives" in terminal.said
    assert "If the lead is at fault, power arrives" in terminal.said
    first, second = talk.session.state.outcomes
    assert (first.key, first.bad) == ("swap:1", True)
    assert (second.bad, second.swr) == (False, 1.3)


@pytest.mark.parametrize("answer", ["n", "y"])
def test_contradictions_are_said_once(tmp_path: Path, answer: str) -> None:
    state = {"symptom": Symptom.HIGH, "as_is": TrialOutcome("as-is", True, 4.0, 3.9, 4.1)}
    talk = Dialogue(tmp_path, "coupler plug line joint line plug antenna", **state)
    # The trouble stays with a new line and a load on it, and goes with the load at the coupler.
    bad = [*["other-line:2"] * 2, *["load:3"] * 2, "load:5"]
    for key, is_bad in (*((key, True) for key in bad), ("load:0", False)):
        talk.session.take(TrialOutcome(key, bad=is_bad))
    assert not talk.session.verdict().contradictory
    for key in ("load:5", "load:0", "swap:6", "swap:0", "swap:6", "swap:0"):
        talk.session.take(TrialOutcome(key, bad=key != "load:0"))
    terminal = Typed("s", "?", answer, "q")
    talk.go(terminal)
    assert terminal.said.count("fit neither one faulty part nor two") == 1
    assert talk.session.verdict().contradictory
    assert talk.session.verdict().faulty is None
    assert talk.session.verdict().cleared == ()


def test_a_carrier_is_told_as_it_is_read(tmp_path: Path) -> None:
    terminal = Typed()
    config = write_config(tmp_path, "/dev/null")
    assert report_swr(Keyed(config, (2.0, 1.9, 2.1)).wait(), terminal) == (2.0, 1.9, 2.1)
    assert terminal.text == ["SWR 2.00 (1.90 to 2.10)"]


def test_a_reading_lower_than_usual_is_a_symptom(tmp_path: Path) -> None:
    talk = Dialogue(tmp_path, "radio lead coupler plug line plug antenna")
    terminal = Typed("4", "x", "1.6", "", "q")
    keyed = talk.go(terminal, 1.05, 1.1)
    assert talk.session.state.symptom is Symptom.LOWER
    assert talk.session.state.lowest_usual_swr == 1.6
    assert "What SWR is usual on this channel? (a number above" in terminal.said
    for words in ("antenna port of the coupler", "1 W or less", "three seconds", "SWR 6.0"):
        assert words in terminal.said
    assert keyed.most_w == [10.0, 2.0]
    assert "The coupler reads far too little" in terminal.said
    assert talk.session.verdict().odds[0][0].kind.name == "coupler"


def test_a_new_plug_that_ends_a_low_reading_is_seen_by_the_coupler(tmp_path: Path) -> None:
    chain = "radio lead coupler plug line plug antenna"
    as_is = TrialOutcome("as-is", True, 1.05, 1.0, 1.1)
    state = {"symptom": Symptom.LOWER, "as_is": as_is, "lowest_usual_swr": 1.6}
    talk = Dialogue(tmp_path, chain, **state)
    while (step := talk.session.next()) is not None and step.trial.key != "new-plug:3":
        talk.session.skip(step.trial)
    terminal = Typed("", "", "e")
    talk.go(terminal, 1.65, 1.65)
    assert "the SWR is now 1.60 or more; if not, near 1.05 as before" in terminal.said
    assert "Once more, to be sure" in terminal.said
    assert [taken.bad for taken in talk.session.state.outcomes] == [False, False]


def test_all_as_it_is_is_read_once_more(tmp_path: Path) -> None:
    as_is = TrialOutcome("as-is", True, 4.0, 3.9, 4.1)
    talk = Dialogue(tmp_path, "coupler plug line antenna", symptom=Symptom.HIGH, as_is=as_is)
    # The plug stays new, and the outcome may have been misread.
    talk.session.take(TrialOutcome("new-plug:1", bad=True))
    while (step := talk.session.next()) is not None and step.trial.kind != "as-is":
        talk.session.skip(step.trial)
    assert step is not None
    terminal = Typed("", "e")
    talk.go(terminal, 4.0)
    assert "Connect everything as usual" in terminal.said
    assert "If the trouble is gone, the SWR is now 1.50 or less; if not, near 4.00 as before" in (
        terminal.said
    )
    assert "The trouble is still there (SWR 4.00)" in terminal.said
    assert talk.session.state.outcomes[-1].key == "as-is"
    gone = explain_outcome(TrialOutcome("as-is", False, 1.2), step.trial, talk.session.chain)
    assert gone == "The trouble is not there now (SWR 1.20)."
    said = " ".join(conclusion(talk.session.verdict(), any_tried=True, cured=False))
    assert "cannot single out one part; the likeliest: the" in said
    assert "%) or the" in said
