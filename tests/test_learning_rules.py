"""Rules that learn over transmissions, through the whole pipeline: whatever the cut of the blocks,
from run to run, by the real daemon, and when rows are derived again."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from logger.calibration.simulated import calibration
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Memory, Row
from logger.store.writer import StoreWriter
from tests.deadlines import Deadline
from tests.examples import examples
from tests.station import Running, mismatchd
from tests.test_recompute_raw import Case, content_of, derive, dumped
from tests.test_watchdog import COUPLER, SIMULATED, Part, Settings, block, cut

QUIET: Part = (1.8, 0.0, 1.0)
USUAL: list[Part] = [(1.2, 4.0, 1.5), QUIET]
OTHER: list[Part] = [(1.2, 4.0, 2.4), QUIET]
HOT: list[Part] = [*((1.0, 4.0, 1.5 + 0.12 * k) for k in range(9)), QUIET]
PLAN = [QUIET, *USUAL * 9, *OTHER * 6, *USUAL * 6, *HOT * 6]
WHOLE = block(PLAN)
WANT = [
    ("baseline-shift", "raised"),
    ("baseline-shift", "cleared"),
    ("baseline-shift", "raised"),  # heat lifts the whole transmissions, too
    ("heating-joint", "raised"),
]


def played(
    parts: Sequence[SampleBlock], restarts: Sequence[int] = ()
) -> tuple[list[AlarmChange], dict[str, bytes]]:
    """Alarm changes and what was learned; a run begins with each part in `restarts`."""
    pipeline = Pipeline(Settings(), COUPLER)
    changes: list[AlarmChange] = []
    learned: dict[str, bytes] = {}
    standing: set[str] = set()

    def take(rows: Sequence[Row]) -> None:
        for row in rows:
            if isinstance(row, AlarmChange):
                changes.append(row)
                (standing.add if row.change == "raised" else standing.discard)(row.kind)
            elif isinstance(row, Memory):
                learned[row.rule] = row.content

    for number, part in enumerate(parts):
        if number in restarts:
            take(pipeline.finish())
            pipeline = Pipeline(Settings(), COUPLER, standing, learned)
        take(pipeline.process(part))
    return changes, learned


@examples(4)
@given(places=st.lists(st.integers(0, len(WHOLE)), max_size=20))
def test_the_cut_of_the_blocks_does_not_matter(places: list[int]) -> None:
    once = played([WHOLE])
    assert [(each.kind, each.change) for each in once[0]] == WANT
    assert played(cut(WHOLE, places)) == once


def test_nor_do_pairs_by_the_handful_or_restarts_between_transmissions() -> None:
    once = played([WHOLE])
    assert played(cut(WHOLE, range(0, len(WHOLE), 13))) == once
    begin = round(200 * 1.8)
    between = [begin + 600 * k - 20 for k in range(1, 21)]
    changes, learned = played(cut(WHOLE, between), range(1, 21))
    assert [(each.kind, each.change) for each in changes] == WANT
    assert [each.time_ns for each in changes] == [each.time_ns for each in once[0]]
    assert learned.keys() == once[1].keys()


@pytest.mark.parametrize("cuts_s", [(), (10.0, 28.5, 40.0, 60.0, 90.0)], ids=str)
def test_rows_derived_again_are_the_same(tmp_path: Path, cuts_s: tuple[float, ...]) -> None:
    case = Case(tmp_path)
    case.whole, case.right = WHOLE, calibration(SIMULATED.coupler, SIMULATED.adc)
    path = case.play(case.config, case.right, cuts_s)
    kinds = {alarm["kind"] for alarm in content_of(path)[2]}
    assert kinds == {"baseline-shift", "heating-joint"}
    before = dumped(path)
    derive(path, case.config, case.right)
    assert dumped(path) == before
    # Alarms that nobody raised are found in hindsight.
    store = StoreWriter.open(path)
    with store.database.transaction():
        for table in ("alarms", "alarm_changes", "memories"):
            store.database.execute(f"DELETE FROM {table}")
    store.close()
    derive(path, case.config, case.right)
    assert {alarm["kind"] for alarm in content_of(path)[2]} == kinds


STATION = """\
driver:
  kind: simulated
  pace: {pace}
  speed: 20
  seed: {seed}
  block_s: 0.2
  duration_s: {duration}
  start_utc: 2026-03-01T{hour}:00:00Z
  operator: {{transmissions: [{sendings}]}}
  faults: [{fault}]
store: {{path: data/station.sqlite}}
"""


def station(folder: Path, hour: int, count: int, fault: str, pace: str = "fast") -> Path:
    config = folder / "config.yaml"
    sendings = ", ".join(
        f"{{at_s: {3 + 3 * k}, duration_s: 1.2, mode: fm, channel: 20}}" for k in range(count)
    )
    config.write_text(
        STATION.format(
            hour=hour,
            seed=hour,
            pace=pace,
            duration=5 + 3 * count,
            sendings=sendings,
            fault=fault,
        )
    )
    return config


PLUG = "{kind: resistance, where: shack-plug, ohm: 60}"


def alarm_events(lines: Sequence[str]) -> list[tuple[str, str]]:
    events = [json.loads(line) for line in lines]
    return [(each["kind"], each["change"]) for each in events if each["event"] == "alarm"]


@pytest.mark.realtime
def test_the_daemon_remembers_and_hears_of_a_repair(tmp_path: Path) -> None:
    config = station(tmp_path, 10, 12, "")
    done = mismatchd("run", "--events", "-c", config)
    assert alarm_events(done.stdout.splitlines()) == []
    daemon = Running(station(tmp_path, 11, 60, PLUG, "realtime"))
    try:
        noted = False
        deadline = Deadline(30)
        while not deadline.has_passed():
            daemon.poll()
            found = [event for _, event in daemon.events if event.get("kind") == "baseline-shift"]
            if found and not noted:
                mismatchd(
                    "journal", "add", "new plug", "--kind", "repair", "-c", config,
                    "--time", found[0]["raised_utc"],
                )  # fmt: skip
                noted = True
            if len(found) > 1:
                break
            time.sleep(0.02)
        code, said = daemon.stop()
    finally:
        daemon.kill()
    assert code == 0, said
    assert [(each["kind"], each["change"]) for each in found] == [
        ("baseline-shift", "raised"),
        ("baseline-shift", "cleared"),
    ]
    ended = [event["end_utc"] for _, event in daemon.events if event["event"] == "transmission"]
    # Only the memory of the run before can know what was usual.
    assert sum(each < found[0]["raised_utc"] for each in ended) < 8
    store = StoreWriter.open(tmp_path / "data/station.sqlite")
    memory = json.loads(store.memories()["baseline-shift"])
    assert memory["work_ns"] > 0
    store.close()
    before = mismatchd("export", "alarms", "-c", config).stdout
    mismatchd("recompute", "-c", config)
    assert mismatchd("export", "alarms", "-c", config).stdout == before
