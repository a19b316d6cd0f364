"""Sessions are kept beside the daemon, resumed, and ended with an entry in the journal."""

from __future__ import annotations

from pathlib import Path

from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.store.writer import StoreWriter


def test_a_session_is_resumed_until_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    StoreWriter.open(path).close()
    store = Sessions.editor(path)
    assert store.unfinished("tune") is None
    first = store.begin("tune", 1, b"{}")
    other = store.begin("wiggle", 2, b"[]")
    store.update(first, 3, b'{"positions": 1}')
    found = store.unfinished("tune")
    assert found is not None
    assert (found.id, found.begun_ns, found.changed_ns) == (first, 1, 3)
    assert found.content == b'{"positions": 1}'
    second = store.begin("tune", 4, b"{}")
    assert (found := store.unfinished("tune")) is not None
    assert found.id == second
    store.end(second, 5, b"{}", "cut to 2610 mm")
    assert store.unfinished("tune") is None
    assert [each.ended for each in store.sessions("tune")] == [True, True]
    assert (found := store.unfinished("wiggle")) is not None
    assert found.id == other
    store.close()
    entry = next(iter(Store.reader(path).database.query("SELECT time_ns, kind, text FROM journal")))
    assert entry == (5, "adjustment", "cut to 2610 mm")
