"""Which joint is loose: the counts, the ranking, and the command as a person drives it."""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from logger.live.reading import LiveReading
from logger.store.sessions import Sessions
from logger.utc import format_ns
from logger.wiggle.ranking import Tally, fisher, ranking
from logger.wiggle.session import WiggleSession, new_state, restore
from logger.wiggle.words import remark, result
from tests.station import Running, mismatchd, pty, write_config
from tests.terminal_view import View
from tests.test_live import bridge
from tests.wiggle_sessions import JOINTS, played

SOUND = (2.0, 0.08)  # W forward and reflected: SWR 1.5
OPEN = (2.0, 1.2)
START_NS = 1_772_391_600_000_000_000
tallies = st.integers(0, 30).flatmap(
    lambda n: st.builds(Tally, st.just("x"), st.just(n), st.integers(0, n))
)


def flat(screen: str) -> str:
    return " ".join(screen.split())


def reading(tenths: int, swr: float | None = 1.5, keyed: bool = True) -> LiveReading:
    low, high = (None, None) if swr is None else (swr - 0.005, swr + 0.005)
    return LiveReading(
        time=format_ns(START_NS + tenths * 100_000_000),
        pairs=20,
        keyed=keyed,
        swr=swr,
        swr_noise_low=low,
        swr_noise_high=high,
    )


@given(tallies, tallies)
def test_the_chance_is_that_of_the_exact_test(one: Tally, other: Tally) -> None:
    table = [
        [one.departed, one.moments - one.departed],
        [other.departed, other.moments - other.departed],
    ]
    assert fisher(one, other) == pytest.approx(
        fisher_exact(table, alternative="greater").pvalue, abs=1e-9
    )


def test_the_best_of_several_by_chance_is_not_named() -> None:
    quiet = Tally("", 20, 2)
    luck = [
        Tally(name, 10, departed, moved=departed)
        for name, departed in zip("abcd", (3, 1, 1, 0), strict=True)
    ]
    assert not any(one.named for one in ranking(luck, quiet))
    real = [*luck[1:], Tally("e", 10, 9, moved=9)]
    assert [one.tally.name for one in ranking(real, quiet) if one.named] == ["e"]


def test_a_joint_that_departs_is_counted_where_it_is_moved() -> None:
    session = WiggleSession(new_state(["lead", "arrester"]), limit_s=30)
    for tenth in range(40):
        session.take(reading(tenth))
    session.go_on()
    heard = [
        session.take(reading(tenth, 3.0 if tenth % 5 == 0 else 1.5)) for tenth in range(40, 80)
    ]
    assert sum(each.began for each in heard) == session.state.joints[0].excursions == 8
    session.go_on()
    assert (session.present.name, session.is_over) == ("", False)
    assert session.state.hands_off.excursions == 0
    again = restore(msgspec.json.encode(session.state))
    assert again.state == session.state
    again.again()
    assert again.state.joints[0].excursions == 0


def test_a_key_that_stays_down_for_too_long_is_not_counted() -> None:
    session = WiggleSession(new_state(["lead"]), limit_s=5)
    told = [session.take(reading(tenth)) for tenth in range(80)]
    assert not told[49].too_long
    assert told[55].too_long
    assert session.state.hands_off.seconds == pytest.approx(5, abs=0.8)
    for tenth in range(80, 95):
        session.take(reading(tenth, None, keyed=False))
    assert session.key_down_s() == 0


def test_little_is_said_to_be_little() -> None:
    session = WiggleSession(new_state(["lead"]), limit_s=30)
    assert "no result" in "\n".join(result(session))
    assert remark(session) is None
    session.go_on()
    for tenth in range(20):
        session.take(reading(tenth))
    said = "\n".join(result(session))
    assert "too short to judge lead" in said
    assert "No joint moves the reflection more than chance would" in said
    assert remark(session) == "wiggled lead: none stands out"


@pytest.mark.nightly
@pytest.mark.parametrize("seed", [3, 4])
def test_the_loose_joint_of_six_comes_first(seed: int) -> None:
    planted = played(seed, loose=True)
    assert planted.loose is not None
    assert planted.session.ranking()[0].tally.name == JOINTS[planted.loose]


@pytest.mark.nightly
@pytest.mark.realtime
def test_a_person_finds_the_loose_joint_beside_the_daemon(tmp_path: Path) -> None:
    """Stopped by Ctrl-C in the middle, and resumed."""
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config)
        command = ("wiggle", "-c", str(config), "--format", "json", "lead", "arrester")
        views: list[View] = []

        def begun(rows: int = 40) -> View:
            views.append(View(*command, rows=rows))
            return views[-1]

        def quiet(seconds: float) -> None:
            with bridge(master, (seconds, SOUND)):
                until_s = time.monotonic() + seconds
                while time.monotonic() < until_s:
                    views[-1].look(0.1)

        try:
            with bridge(master, (1.0, (0, 0)), (60.0, (0, 0))):
                daemon.wait_reading(config)
                view = begun()
                screen = flat(view.until(lambda text: "lead (joint 1 of 2)" in flat(text)))
                for words in (
                    "RF burns",
                    "licence",
                    "power lines",
                    "own limits",
                    "daemon keeps running",
                ):
                    assert words in screen
            quiet(4.0)
            view.press(b"\r")
            quiet(6.0)
            screen = view.look()
            assert "moving lead: 0 excursions, SWR 1.5" in screen
            view.press(b"\r")
            quiet(0.5)
            view.press(b"\x03")
            quiet(0.5)
            assert view.ended() == 130
            assert "`mismatchd wiggle` continues" in view.look()
            view = begun()
            assert "1 of 2 joints moved" in view.until(lambda text: "Continue it?" in text)
            view.press(b"maybe\ryes\r")
            quiet(3.0)
            assert "move arrester (joint 2 of 2)" in flat(view.look())
            view.press(b"\r")
            with bridge(master, *[(0.7, SOUND), (0.08, OPEN)] * 12):
                view.until(lambda text: "moving arrester: 10 exc" in text)
            assert view.raw.count(b"\a") >= 10
            view.press(b"\r")
            with bridge(master, (5.0, (0, 0))):
                assert view.ended() == 0
            screen = view.look()
            assert "Loose: arrester" in screen
            assert "1. arrester:" in screen
            start = screen.index('{"joints"')
            found_ = json.loads("".join(screen[start:].split("\n")).strip())
            assert found_["joints"][0]["loose"]
            assert not found_["joints"][1]["loose"]
            assert (
                "wiggled arrester and lead: loose: arrester"
                in mismatchd("journal", "list", "-c", config).stdout
            )
            with closing(Sessions.editor(config.parent / "data/station.sqlite")) as sessions:
                assert [each.ended for each in sessions.sessions("wiggle")] == [True]
        finally:
            for each in views:
                each.close()
            daemon.kill()
