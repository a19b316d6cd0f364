"""Raw pairs in the store: nothing is lost or doubled by merging, playing again, damage or age."""

from __future__ import annotations

import itertools
import logging
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock, join
from logger.errors import StoreError
from logger.rows import Samples
from logger.store import archive_writer as module
from logger.store.archive import Archive, join_alike, same
from logger.store.database import Database
from logger.store.reader import Store
from logger.store.schema import current_version, migrate
from logger.store.segments import decode
from logger.store.tables import ALARMS, SECONDS, TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.examples import examples
from tests.old_stores import VERSIONS, old_store
from tests.test_store import ALWAYS, SECOND, T0, alarm, columns, second, transmission

STEP = 3.3 / 4096


def pairs(first: int, past: int, seed: int = 1, step_v: float = STEP) -> SampleBlock:
    """Pairs number `first` to before `past` of a stream at 200 a second."""
    index = np.arange(first, past)
    noise = np.random.default_rng(seed).normal(size=(past, 2))[first:].T
    volts = np.rint(np.array([[1500.3], [300.2]]) + noise) * step_v
    return SampleBlock(
        T0 + index * 5_000_000,
        volts[0],
        volts[1],
        {"channel": np.where(index % 1000 < 500, 20.0, np.nan)},
        (step_v, step_v),
        3.3,
    )


def cut(block: SampleBlock, places: Sequence[int]) -> list[SampleBlock]:
    edges = sorted({0, len(block), *places})
    return [block[a:b] for a, b in itertools.pairwise(edges)]


@pytest.fixture(autouse=True)
def _large_ones_are_small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MERGED_PAIRS", 2000)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StoreWriter]:
    opened = StoreWriter.open(tmp_path / "station.sqlite")
    yield opened
    opened.close()


def write(store: StoreWriter, blocks: Sequence[SampleBlock], *, merge: bool = True) -> None:
    """As the daemon does: a commit each, then a look at whether to merge."""
    for number, block in enumerate(blocks):
        store.write([Samples(block, begins=number == 0)])
        if merge:
            store.archive.merge()


def all_of(store: StoreWriter, since_ns: int = ALWAYS[0], until_ns: int = ALWAYS[1]) -> SampleBlock:
    return join(list(store.archive.blocks(since_ns, until_ns)))


def rows(store: StoreWriter) -> list[tuple[int, int, int, int]]:
    return store.database.query(
        "SELECT first_ns, last_ns, pairs, merged FROM segments ORDER BY first_ns"
    )


def assert_sound(store: StoreWriter) -> None:
    """Segments share no time, and say of themselves what they hold."""
    found = rows(store)
    for (_, last_ns, _, _), (first_ns, _, _, _) in itertools.pairwise(found):
        assert last_ns < first_ns
    for first_ns, last_ns, count, _ in found:
        held = [block for block in store.archive.blocks(first_ns, last_ns + 1) if count]
        assert [len(block) for block in held] == ([count] if count else [])
        for block in held:
            assert (int(block.time_ns[0]), int(block.time_ns[-1])) == (first_ns, last_ns)


def damage(store: StoreWriter, first_ns: int) -> None:
    (data,) = store.database.query_row("SELECT data FROM segments WHERE first_ns = ?", (first_ns,))
    garbage = (
        data[: len(data) // 2] + bytes([data[len(data) // 2] ^ 1]) + data[len(data) // 2 + 1 :]
    )
    store.database.execute("UPDATE segments SET data = ? WHERE first_ns = ?", (garbage, first_ns))


def test_what_is_appended_comes_back_and_is_merged(store: StoreWriter) -> None:
    whole = pairs(0, 5000)
    write(store, cut(whole, range(0, 5000, 200)))
    assert same(all_of(store), whole)
    assert [(count, merged) for *_, count, merged in rows(store)] == [
        (2000, 1),
        (2000, 1),
        *[(200, 0)] * 5,
    ]
    assert_sound(store)
    assert store.archive.pairs() == 5000
    assert store.archive.runs().tolist() == [T0]


def test_several_blocks_of_a_commit_are_one_segment(store: StoreWriter) -> None:
    whole = pairs(0, 600)
    store.write([Samples(block) for block in cut(whole, [100, 101])])
    assert [row[2:] for row in rows(store)] == [(600, 0)]
    assert same(all_of(store), whole)


def test_a_large_commit_is_cut(store: StoreWriter) -> None:
    whole = pairs(0, 4500)
    store.write([Samples(whole)])
    assert [row[2:] for row in rows(store)] == [(2000, 1), (2000, 1), (500, 0)]
    assert same(all_of(store), whole)


def test_what_lies_on_another_grid_is_a_segment_of_its_own(store: StoreWriter) -> None:
    first, *others = (
        pairs(0, 300),
        *(pairs(*part, step_v=1e-3) for part in ((300, 1800), (1800, 2100))),
    )
    store.write([Samples(first), *map(Samples, others)])
    assert [row[2:] for row in rows(store)] == [(300, 0), (1800, 0)]
    write(store, [pairs(2100, 2700, step_v=1e-3)])
    found = list(store.archive.blocks(*ALWAYS))
    assert [row[2:] for row in rows(store)] == [(300, 0), (2400, 1)]
    assert same(found[0], first)
    assert same(found[1], pairs(300, 2700, step_v=1e-3))
    assert_sound(store)


def test_a_store_opened_again_goes_on_merging(store: StoreWriter) -> None:
    whole = pairs(0, 4000)
    parts = cut(whole, range(0, 4000, 150))
    write(store, parts[:20])
    store.close()
    again = StoreWriter.open(store.path)
    write(again, parts[20:])
    assert [row[3] for row in rows(again)].count(1) == 1
    assert sum(row[2] for row in rows(again) if row[3]) == 2100
    assert same(all_of(again), whole)
    again.close()


def test_a_part_of_the_time(store: StoreWriter) -> None:
    whole = pairs(0, 5000)
    write(store, cut(whole, range(0, 5000, 170)))
    times = whole.time_ns
    for first, past in ((0, 5000), (1, 2), (1999, 2001), (700, 4321), (4999, 5000)):
        part = all_of(store, int(times[first]), int(times[past - 1]) + 1)
        assert same(part, whole[first:past])
    assert list(store.archive.blocks(T0 + 1, T0 + 5_000_000)) == []
    assert list(store.archive.blocks(ALWAYS[0], T0)) == []
    assert list(store.archive.blocks(int(times[-1]) + 1, ALWAYS[1])) == []


def test_a_reader_misses_nothing_while_segments_are_merged(store: StoreWriter) -> None:
    whole = pairs(0, 2100)
    parts = cut(whole, range(0, 2100, 100))
    write(store, parts[:-2])
    reader = Store.reader(store.path)
    blocks = reader.archive.blocks(*ALWAYS)
    got = [next(blocks) for _ in range(3)]
    write(store, parts[-2:])
    assert rows(store)[0][2:] == (2000, 1)
    got += blocks
    assert same(join(got), whole)
    reader.close()


# --- played again ---


@examples(10)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2500),
            st.integers(1, 2500),
            st.lists(st.integers(1, 2499), max_size=12),
            st.booleans(),
        ),
        min_size=1,
        max_size=5,
    ),
    st.booleans(),
)
def test_played_in_any_order_nothing_is_doubled(
    tmp_path_factory: pytest.TempPathFactory,
    plays: list[tuple[int, int, list[int], bool]],
    merge: bool,
) -> None:
    """Stretches of one stream, each by a run of its own or a process of its own."""
    path = tmp_path_factory.mktemp("plays") / "station.sqlite"
    store = StoreWriter.open(path)
    stream = pairs(0, 5000)
    there = np.zeros(5000, dtype=bool)
    for first, count, places, anew in plays:
        if anew:
            store.close()
            store = StoreWriter.open(path)
        part = stream[first : first + count]
        write(store, cut(part, [place for place in places if place < count]), merge=merge)
        there[first : first + count] = True
        assert same(all_of(store), stream[there])
        assert_sound(store)
    store.close()


def test_the_same_played_twice_changes_no_segment(store: StoreWriter) -> None:
    parts = cut(pairs(0, 5000), range(0, 5000, 130))
    write(store, parts)
    before = store.database.query("SELECT * FROM segments")
    write(store, parts)
    assert store.database.query("SELECT * FROM segments") == before
    assert store.archive.runs().tolist() == [T0]


def test_what_was_left_out_is_put_between(store: StoreWriter) -> None:
    stream = pairs(0, 3000)
    odd = np.arange(3000) % 2 == 1
    write(store, cut(stream[odd], range(0, 1500, 100)))
    write(store, cut(stream[~odd], range(0, 1500, 70)))
    assert same(all_of(store), stream)
    assert_sound(store)


def test_a_commit_taken_back_is_written_again(store: StoreWriter) -> None:
    whole = pairs(0, 600)
    first, then = cut(whole, [300])
    write(store, [first])
    broken = second(T0, start_ns=7)  # no transmission starts there
    with pytest.raises(StoreError, match="no transmission"):
        store.write([Samples(then), broken])
    assert store.archive.pairs() == 300
    store.write([Samples(then)])
    assert same(all_of(store), whole)
    store.write([Samples(pairs(600, 2100))])
    assert store.archive.merge() == 2100
    assert same(all_of(store), pairs(0, 2100))


# --- damage ---


def damaged(store: StoreWriter) -> list[tuple[int, int]]:
    """First and last time of segments that cannot be read."""
    return [(first, last) for first, last, times in store.archive.times() if times is None]


def test_a_damaged_segment_is_told_and_left_out(
    store: StoreWriter, caplog: pytest.LogCaptureFixture
) -> None:
    whole = pairs(0, 5000)
    write(store, cut(whole, range(0, 5000, 200)))
    assert damaged(store) == []
    doomed = rows(store)[1]
    damage(store, doomed[0])
    assert damaged(store) == [doomed[:2]]
    left = (whole.time_ns < doomed[0]) | (whole.time_ns > doomed[1])
    caplog.clear()
    with caplog.at_level(logging.ERROR):
        assert same(all_of(store), whole[left])
    (record,) = caplog.records
    assert str(doomed[0]) in record.getMessage()
    assert "damaged" in record.getMessage()
    assert same(all_of(store, doomed[1] + 1), whole[4000:])


def test_a_damaged_small_one_is_not_merged_over(store: StoreWriter) -> None:
    whole = pairs(0, 4400)
    parts = cut(whole, range(0, 4400, 200))
    write(store, parts[:9])
    damage(store, int(whole.time_ns[800]))
    write(store, parts[9:])
    left = (np.arange(4400) < 800) | (np.arange(4400) >= 1000)
    assert same(all_of(store), whole[left])
    assert damaged(store) == [(int(whole.time_ns[800]), int(whole.time_ns[999]))]
    assert same(all_of(store, int(whole.time_ns[1000])), whole[1000:])
    spans = [(row[0], row[1]) for row in rows(store)]
    assert all(last < first for (_, last), (first, _) in itertools.pairwise(spans))


def test_what_is_damaged_can_be_played_again(store: StoreWriter) -> None:
    """Of a segment played again in part the rest stays marked as missing."""
    whole = pairs(0, 5000)
    parts = cut(whole, range(0, 5000, 200))
    write(store, parts)
    first_ns, last_ns, *_ = rows(store)[1]
    damage(store, first_ns)
    again = StoreWriter.open(store.path)
    write(again, cut(whole[2400:3000], range(0, 600, 100)))
    left = (np.arange(5000) < 2000) | (np.arange(5000) >= 2400) & (np.arange(5000) < 3000)
    left |= np.arange(5000) >= 4000
    assert same(all_of(again), whole[left])
    assert damaged(again) == [
        (first_ns, int(whole.time_ns[2400]) - 1),
        (int(whole.time_ns[2999]) + 1, last_ns),
    ]
    again.close()
    once_more = StoreWriter.open(store.path)
    write(once_more, parts)
    assert damaged(once_more) == []
    assert same(all_of(once_more), whole)
    once_more.close()


# --- age and size ---


def test_the_oldest_go_by_age(store: StoreWriter) -> None:
    whole = pairs(0, 9000)
    write(store, cut(whole, range(0, 9000, 200)))
    store.write([transmission(), second(T0)])
    assert store.archive.expire(T0, None) == 0
    assert store.archive.expire(int(whole.time_ns[5000]), None) == 4000
    assert same(all_of(store), whole[4000:])
    assert len(columns(store)) == 1  # what was derived stays
    assert len(columns(store, SECONDS)) == 1
    write(store, cut(pairs(0, 9400)[9000:], [200]))
    assert same(all_of(store), pairs(0, 9400)[4000:])
    assert store.archive.expire(ALWAYS[1], None) == 5400
    assert list(store.archive.blocks(*ALWAYS)) == []
    write(store, [pairs(0, 9500)[9400:]])
    assert store.archive.pairs() == 100


def test_the_oldest_go_by_size(store: StoreWriter) -> None:
    whole = pairs(0, 9000)
    write(store, cut(whole, range(0, 9000, 200)))
    sizes = store.database.query("SELECT length(data) FROM segments ORDER BY first_ns DESC")
    newest = [size for (size,) in sizes]
    assert store.archive.expire(ALWAYS[0], sum(newest)) == 0
    assert store.archive.expire(ALWAYS[0], sum(newest) - 1) == 2000
    assert store.archive.expire(int(whole.time_ns[4500]), newest[0]) == 7000 - 200
    assert same(all_of(store), whole[8800:])


def test_free_pages_are_used_again(store: StoreWriter) -> None:
    """The file of a full archive does not grow."""
    sizes = []
    for turn in range(6):
        whole = pairs(turn * 20_000, (turn + 1) * 20_000)
        write(store, cut(whole, range(0, 20_000, 500)))
        store.archive.expire(int(whole.time_ns[0]), None)
        store.database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        sizes.append(store.path.stat().st_size)
    assert sizes[-1] <= sizes[1] * 1.05


# --- versions ---


def schema_of(path: Path) -> list[tuple[str, ...]]:
    connection = sqlite3.connect(path)
    found = [
        (name, *(str(column) for column in connection.execute(f"PRAGMA table_info({name})")))
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        )
    ]
    found += connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'index') ORDER BY name"
    ).fetchall()
    connection.close()
    return found


@pytest.mark.parametrize("version", VERSIONS)
def test_a_file_of_an_earlier_version_is_brought_up_to_date(tmp_path: Path, version: int) -> None:
    assert max(VERSIONS) == current_version() - 1
    path = old_store(tmp_path / "station.sqlite", version)
    with pytest.raises(StoreError, match="older version of this program"):
        Store.reader(path)
    store = StoreWriter.open(path)
    assert [row["energy_j"] for row in columns(store)] == [0, 1, 2]
    assert [len(columns(store, table)) for table in (TRANSMISSIONS, SECONDS, ALARMS)] == [3, 6, 3]
    there = store.archive.pairs()
    later = T0 + 1000 * SECOND
    store.write([Samples(pairs(0, 100), begins=True), transmission(later), alarm("raised", later)])
    assert store.archive.pairs() == 100 >= there  # those that were there are not doubled
    store.close()
    fresh = tmp_path / "fresh.sqlite"
    StoreWriter.open(fresh).close()
    assert schema_of(path) == schema_of(fresh)
    Store.reader(path).close()


def test_a_migration_cut_short_leaves_the_old_version(tmp_path: Path) -> None:
    path = old_store(tmp_path / "station.sqlite", 1)
    folder = tmp_path / "schema"
    (folder / "migrations").mkdir(parents=True)
    (folder / "migrations/002.sql").write_text("CREATE TABLE half (a);\nCREATE TABLE half (a);\n")
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, folder)
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert "half" not in {name for name, *_ in schema_of(path)}
    connection.close()


def test_the_archive_can_be_read_by_itself(store: StoreWriter) -> None:
    write(store, [pairs(0, 100)])
    other = Database.editor(store.path)
    assert Archive(other).pairs() == 100
    other.execute("DROP TABLE segments")
    with pytest.raises(StoreError, match=r"station\.sqlite"):
        store.archive.pairs()
    other.close()


# --- reading ---


def test_whole_segments_are_chosen_evenly(store: StoreWriter) -> None:
    """Of ten segments the middle ones of so many equal parts."""
    whole = pairs(0, 1000)
    parts = cut(whole, range(0, 1000, 100))
    write(store, parts, merge=False)
    firsts = [int(part.time_ns[0]) for part in parts]

    def chosen(most: int, since: int = 0, past: int = 10) -> list[int]:
        past_ns = firsts[past] if past < 10 else ALWAYS[1]
        found = list(store.archive.spread(firsts[since], past_ns, most))
        assert all(same(block, parts[firsts.index(int(block.time_ns[0]))]) for block in found)
        return [firsts.index(int(block.time_ns[0])) for block in found]

    assert chosen(1) == [5]
    assert chosen(2) == [2, 7]
    assert chosen(5) == [1, 3, 5, 7, 9]
    assert chosen(10) == chosen(99) == list(range(10))
    assert chosen(2, 2, 6) == [3, 5]
    assert chosen(3, 4, 4) == []
    damage(store, firsts[5])
    assert chosen(1) == []


def test_blocks_are_joined_up_to_a_number_of_pairs() -> None:
    parts = cut(pairs(0, 1000), range(0, 1000, 100))
    assert [len(block) for block in join_alike(parts)] == [1000]
    assert [len(block) for block in join_alike(parts, 250)] == [300, 300, 300, 100]
    assert [len(block) for block in join_alike(parts, 100)] == [100] * 10
    assert list(join_alike([])) == []
    gap = replace(parts[4], gap=True)
    assert [len(block) for block in join_alike([*parts[:4], gap, *parts[5:]])] == [400, 600]
    other = replace(parts[4], full_scale_v=5.0)
    assert [len(block) for block in join_alike([*parts[:4], other, *parts[5:]])] == [400, 100, 500]
    jumped = replace(parts[4], clock_step=True)
    assert [len(block) for block in join_alike([*parts[:4], jumped, *parts[5:]])] == [400, 100, 500]


def test_blocks_are_the_same_only_bit_for_bit() -> None:
    block = pairs(0, 50)
    assert same(block, pairs(0, 50))
    volts = block.forward_v.copy()
    volts[7] = np.nextafter(volts[7], 9.0)
    for changes in (
        {"forward_v": volts},
        {"reflected_v": volts},
        {"time_ns": block.time_ns + 1},
        {"gap": True},
        {"clock_step": True},
        {"full_scale_v": 5.0},
        {"step_v": (STEP, 0.0)},
        {"aux": {}},
        {"aux": {"channel": np.zeros(50)}},
        {"aux": {"frequency_khz": block.aux["channel"]}},
    ):
        assert not same(block, replace(block, **changes))  # type: ignore[arg-type]
        assert not same(replace(block, **changes), block)  # type: ignore[arg-type]
    assert not same(block, pairs(0, 49))


def test_rows_that_were_moved_take_their_pairs_along(store: StoreWriter) -> None:
    """The clock turned out to be wrong: times count from the row's own."""
    whole = pairs(0, 600)
    write(store, cut(whole, [300]), merge=False)
    by_ns = 7 * SECOND + 123
    store.database.execute(
        "UPDATE segments SET first_ns = first_ns + ?1, last_ns = last_ns + ?1", (by_ns,)
    )
    store.archive.reload()
    moved = replace(whole, time_ns=whole.time_ns + by_ns)
    assert same(all_of(store), moved)
    times = [found for _, _, found in store.archive.times()]
    assert np.concatenate(times).tolist() == moved.time_ns.tolist()  # type: ignore[arg-type]
    assert [(first, last) for first, last, _ in store.archive.times()] == [
        (int(moved.time_ns[0]), int(moved.time_ns[299])),
        (int(moved.time_ns[300]), int(moved.time_ns[599])),
    ]
    write(store, cut(replace(pairs(600, 2100), time_ns=pairs(600, 2100).time_ns + by_ns), [700]))
    assert store.archive.pairs() == 2100
    assert rows(store)[0][3] == 1  # merged
    assert same(all_of(store), replace(pairs(0, 2100), time_ns=pairs(0, 2100).time_ns + by_ns))


def test_segments_that_do_not_read_back_are_not_merged(
    store: StoreWriter, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    whole = pairs(0, 2100)
    write(store, cut(whole, range(0, 2100, 700)), merge=False)

    def spoil(data: bytes) -> SampleBlock:
        block = decode(data)
        if len(block) < 2000:
            return block
        volts = block.forward_v.copy()
        volts[9] += STEP
        return replace(block, forward_v=volts)

    monkeypatch.setattr(module, "decode", spoil)
    with caplog.at_level(logging.ERROR):
        assert store.archive.merge() == 0
    assert "cannot be merged" in caplog.text
    assert [row[2:] for row in rows(store)] == [(700, 0)] * 3
    monkeypatch.undo()
    assert same(all_of(store), whole)


def test_segments_with_another_between_are_not_merged(store: StoreWriter) -> None:
    """A large one, or one of another grid, parts those around it; one that is alone stays."""
    write(store, [pairs(0, 600)], merge=False)
    write(store, [pairs(600, 700, step_v=1e-3)], merge=False)
    write(store, cut(pairs(700, 2900), [900, 1200]), merge=False)
    assert store.archive.merge() == 2200
    assert [row[2:] for row in rows(store)] == [(600, 0), (100, 0), (2200, 1)]
    assert store.archive.merge() == 0


def test_what_is_merged_reaches_the_size_of_a_large_one(store: StoreWriter) -> None:
    whole = pairs(0, 4600)
    for number, part in enumerate(cut(whole, range(0, 4600, 300))):
        store.write([Samples(part, begins=number == 0)])
    assert store.archive.merge() == 4200
    assert [row[2:] for row in rows(store)] == [(2100, 1), (2100, 1), (300, 0), (100, 0)]
    assert same(all_of(store), whole)
    assert_sound(store)
