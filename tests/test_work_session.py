"""A session of guided work: stored after each step, resumed, ended, and left alone if foreign."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import count
from pathlib import Path

import msgspec
import pytest

from logger.errors import StoreInUseError, UsageError
from logger.store.reader import Store
from logger.store.tables import JOURNAL
from logger.store.work_session import WorkSession
from logger.store.writer import StoreWriter

ALL_TIME = (-(1 << 63), (1 << 63) - 1)


class Count(msgspec.Struct):
    steps: int


class CountSession:
    def __init__(self, state: Count) -> None:
        self.state = state


def restore(content: bytes) -> CountSession:
    session = CountSession(msgspec.json.decode(content, type=Count))
    if session.state.steps < 0:
        raise UsageError("steps below 0")
    return session


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "store.sqlite"
    StoreWriter.open(path).close()
    return path


def work_of(path: Path, kind: str = "tune", start_ns: int = 1) -> WorkSession[CountSession]:
    return WorkSession(path, kind, restore, count(start_ns).__next__)


def test_a_saved_session_is_resumed_by_another_process(path: Path) -> None:
    work = work_of(path)
    assert work.unfinished() is None
    work.save()  # nothing to save yet
    session = work.begin(CountSession(Count(0)))
    session.state.steps = 3
    work.save()
    other = work_of(path)
    assert work_of(path, "wiggle").unfinished() is None
    with pytest.raises(StoreInUseError, match="`tune` is in progress"):
        other.reserve()
    work.close()
    unfinished = other.unfinished()
    assert unfinished is not None
    assert (unfinished.id, unfinished.changed_ns) == (work.id, 2)
    assert other.session is None  # not before it is resumed
    other.resume(unfinished)
    assert (other.id, other.session) == (work.id, unfinished.session)
    assert unfinished.session.state == Count(3)


def test_a_new_session_ends_the_one_before(path: Path) -> None:
    work = work_of(path)
    work.begin(CountSession(Count(1)))
    work.pause()
    latest = work_of(path)
    latest.begin(CountSession(Count(2)))
    unfinished = latest.unfinished()
    assert unfinished is not None
    assert (unfinished.id, unfinished.session.state) == (latest.id, Count(2))


def test_an_ended_session_is_in_the_journal_and_not_resumed(path: Path) -> None:
    work = work_of(path)
    work.begin(CountSession(Count(1)))
    work.end("cut to 2610 mm")
    assert (work.session, work.unfinished()) == (None, None)
    work.end("again")  # there is no session any more
    work.begin(CountSession(Count(1)))
    work.end()
    store = Store.reader(path)
    entries = [record.columns for record in store.records(JOURNAL, *ALL_TIME)]
    store.close()
    assert [(entry["kind"], entry["text"]) for entry in entries] == [
        ("adjustment", "cut to 2610 mm")
    ]


@pytest.mark.parametrize("content", [b'{"steps": "many"}', b'{"steps": -1}', b"{}"])
def test_a_state_of_another_version_is_not_resumed(path: Path, content: bytes) -> None:
    class Foreign:
        state = msgspec.json.decode(content)

    work = WorkSession(path, "tune", lambda _: Foreign(), lambda: 1)
    work.begin(Foreign())
    work.close()
    assert work_of(path).unfinished() is None


def test_any_thread_may_save(path: Path) -> None:
    work = work_of(path)
    with ThreadPoolExecutor(1) as thread:
        session = thread.submit(work.begin, CountSession(Count(0))).result()
        session.state.steps = 1
        work.save()
        session.state.steps = 2
        thread.submit(work.save).result()
    unfinished = work_of(path).unfinished()
    assert unfinished is not None
    assert unfinished.session.state == Count(2)
