"""A disk whose operations fail: nothing is lost that was promised, and the daemon says so once."""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.deadlines import wait_until
from tests.disk import READ, SHORT, SYNC, TRUNCATE, WRITE, Disk
from tests.station import Running, pty, write_config
from tests.test_end_to_end import QUIET, play, play_until_read
from tests.test_store_faults import (
    BAD,
    GOOD,
    alarms_told,
    assert_all_pairs_are_there,
    config_on,
    of_limits,
    rows,
    sound,
    wait_stored,
)

pytestmark = pytest.mark.realtime

MEMORY = "/dev/shm"  # where a sync takes no time
SAID = "alarms are still delivered, the newest pairs are kept"


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory, if the system has one."""
    if not os.access(MEMORY, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


def trials(folder: Path, numbers: list[int]) -> list[dict[str, Any]]:
    """Outcomes of `tests.failing_store` for every n-th of these numbers."""
    (folder / "disk").mkdir()
    disk = Disk(folder, folder / "disk")
    done = subprocess.run(
        [sys.executable, "-m", "tests.failing_store", folder / "disk", *map(str, numbers)],
        env={**os.environ, **disk.environ},
        stdout=subprocess.PIPE,
        check=True,
    )
    return [json.loads(text) for text in done.stdout.splitlines()]


def test_whatever_fails_all_rows_are_stored_and_reported_once(folder: Path) -> None:
    outcomes = trials(folder, [1, 2, 3, 7, 12])
    assert [outcome for outcome in outcomes if outcome["wrong"]] == []
    for outcome in outcomes:  # once what failed, once that it is over
        assert len(outcome["lines"]) in (0, 2), outcome
    failed = [outcome for outcome in outcomes if outcome["lines"]]
    assert len(failed) > 0.5 * len(outcomes)
    assert {SAID in outcome["lines"][0] for outcome in failed} == {True}
    assert {outcome["lines"][1] for outcome in failed} == {"the store accepts rows again"}


@pytest.mark.nightly
@pytest.mark.parametrize(
    ("error", "kinds", "every"),
    [
        (errno.EIO, (READ, WRITE, SYNC, TRUNCATE), 1),
        (errno.ENOSPC, (WRITE,), 2),
        (SHORT, (WRITE,), 1),
    ],
)
def test_the_daemon_goes_on_when_the_disk_is_well(
    tmp_path: Path, error: int, kinds: tuple[int, ...], every: int
) -> None:
    (tmp_path / "data").mkdir()
    disk = Disk(tmp_path, tmp_path / "data")
    path = tmp_path / "data/station.sqlite"
    with pty() as (master, name):
        config = config_on(tmp_path, name)
        daemon = Running(config, **disk.environ)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.3, QUIET), (1.2, GOOD), (0.7, QUIET)])
            disk.fail(error, *kinds, every=every)
            play(master, 200, [(1.2, GOOD), (0.4, BAD), (1.3, GOOD), (0.7, QUIET)])
            assert wait_until(lambda: len(alarms_told(daemon)) >= 2)
            daemon.wait_status(config, lambda status: status.commits_failed)
            assert disk.heal() > 0
            wait_stored(config, 20)
            play(master, 200, [(1.0, GOOD), (0.7, QUIET)])
            daemon.wait_events(3, event="transmission")
            code, said = daemon.stop()
        finally:
            disk.heal()
            daemon.kill()
    assert code == 0, said
    assert said.count(SAID) == 1, said
    assert said.count("the store accepts rows again") == 1
    assert "Traceback" not in said
    told = alarms_told(daemon)
    assert len(told) == len(set(told)), "told twice"
    assert {(row["kind"], "raised") for row in of_limits(path)} <= set(told)
    assert len(rows(path, "transmissions")) == 3
    assert sound(path)
    assert not list(path.parent.glob("*.damaged*"))
    assert_all_pairs_are_there(path)


def test_what_a_failing_disk_costs_at_the_end_is_said(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    disk = Disk(tmp_path, tmp_path / "data")
    with pty() as (master, name):
        config = write_config(tmp_path, name)
        daemon = Running(config, **disk.environ)
        try:
            play_until_read(daemon, config, master)
            play(master, 200, [(0.3, QUIET)])
            disk.fail(errno.EIO, WRITE, SYNC)
            play(master, 200, [(0.6, GOOD)])
            code, said = daemon.stop()
        finally:
            daemon.kill()
    assert code == 1, said
    (loss,) = re.findall(r"lost \d+ rows? and (\d+) raw pairs?", said)
    assert int(loss) >= 100
    assert "Traceback" not in said
