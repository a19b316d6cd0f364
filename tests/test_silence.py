"""When a silent link is opened again, and when it is left in peace."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from drivers.silence import FIRST_S, FLOW_S, LONGEST_S, SilenceDetector


class Link:
    """A link in its own time, with the moments at which it was opened again."""

    def __init__(self) -> None:
        self.detector = SilenceDetector()
        self.now_s = 0.0
        self.opened: list[float] = []

    def flow(self, seconds: float) -> None:
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.now_s += 0.05
            self.detector.note_data(self.now_s)

    def silence(self, seconds: float, every_s: float = 0.1) -> None:
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.now_s += every_s
            if self.detector.silence_s(self.now_s) is not None:
                self.detector.note_attempt()
                self.opened.append(self.now_s)
                self.detector.note_opened(self.now_s)


def test_a_link_that_hangs_is_opened_again_soon_and_then_ever_more_rarely() -> None:
    link = Link()
    link.flow(10)
    begun_s = link.now_s
    link.silence(3600)
    waits = [after - before for before, after in pairwise([begun_s, *link.opened])]
    assert FIRST_S <= waits[0] < FIRST_S + 0.2
    assert all(later > 1.8 * earlier for earlier, later in pairwise(waits[:7]))
    assert len(link.opened) < 16
    assert max(waits) <= LONGEST_S + 0.2


def test_a_link_that_hangs_now_and_then_is_opened_soon_each_time() -> None:
    link = Link()
    for _ in range(5):
        link.flow(100)
        before = len(link.opened)
        link.silence(FIRST_S + 0.3)
        assert len(link.opened) == before + 1


def test_what_never_flowed_is_left_in_peace() -> None:
    link = Link()
    link.silence(1000)
    link.flow(0.9 * FLOW_S)
    link.silence(1000)
    for _ in range(100):  # a line every three seconds
        link.flow(0.01)
        link.silence(3)
    assert link.opened == []


def test_a_bridge_that_is_quiet_by_nature_is_soon_left_in_peace() -> None:
    link = Link()
    for _ in range(200):  # talks while keyed only
        link.flow(20)
        link.silence(30)
    assert len(link.opened) <= 4
    assert all(moment < 200 for moment in link.opened)


def test_a_bridge_that_greets_whoever_opens_is_not_reset_for_ever() -> None:
    link = Link()
    link.flow(10)
    for _ in range(3600):
        before = len(link.opened)
        link.silence(1)
        if len(link.opened) > before:
            link.flow(0.2)  # a header, as after any reset
    assert len(link.opened) < 16


@given(st.lists(st.tuples(st.booleans(), st.floats(0.1, 500)), max_size=20))
def test_openings_are_never_closer_than_the_first_wait(parts: list[tuple[bool, float]]) -> None:
    link = Link()
    for flows, seconds in parts:
        (link.flow if flows else link.silence)(seconds)
    gaps = [after - before for before, after in pairwise(link.opened)]
    assert all(gap >= FIRST_S for gap in gaps)
