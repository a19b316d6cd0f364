"""Export as Parquet: the same rows as CSV, with types that do not depend on them."""

from __future__ import annotations

import csv
import io
import sys
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from drivers.contract import SampleBlock
from logger.config.load import load
from logger.store import parquet
from logger.store.writer import StoreWriter
from tests.station import mismatchd

CONFIG = """\
driver:
  kind: simulated
  pace: fast
  duration_s: 20
  operator:
    transmissions:
      - {at_s: 2, duration_s: 3, mode: fm, channel: 20, power_w: 4}
      - {at_s: 9, duration_s: 4, mode: ssb, channel: 3, power_w: 4}
      - {at_s: 16, duration_s: 1, mode: fm, channel: 3, power_w: 0.01}
transmission: {min_forward_w: 0.005}
store: {path: s.sqlite}
"""


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("parquet") / "config.yaml"
    path.write_text(CONFIG)
    mismatchd("run", "-c", path)
    return path


def exported(config: Path, table: str, monkeypatch: pytest.MonkeyPatch, *more: str) -> pa.Table:
    """The table that the command writes to its standard output."""
    out = io.BytesIO()
    wrapped = io.TextIOWrapper(out)
    monkeypatch.setattr(sys, "stdout", wrapped)
    try:
        from logger.cli import command

        command.main(
            ["export", table, "--format", "parquet", *more, "-c", str(config)],
            standalone_mode=False,
        )
    finally:
        monkeypatch.undo()
    return pq.read_table(io.BytesIO(out.getvalue()))


def text(value: Any) -> str:
    """A value as CSV has it."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return str(value)


@pytest.mark.realtime
@pytest.mark.parametrize("table", ["transmissions", "seconds", "days", "samples"])
def test_rows_are_those_of_csv(config: Path, table: str, monkeypatch: pytest.MonkeyPatch) -> None:
    written = exported(config, table, monkeypatch)
    rows = list(csv.DictReader(io.StringIO(mismatchd("export", table, "-c", config).stdout)))
    assert len(rows) == written.num_rows >= 2
    assert written.column_names == list(rows[0])
    assert [{name: text(value) for name, value in row.items()} for row in written.to_pylist()] == [
        dict(row) for row in rows
    ]
    types = dict(zip(written.column_names, written.schema.types, strict=True))
    for name, kind in types.items():
        if name.endswith("_utc"):
            assert kind == pa.timestamp("us", "UTC")
    if table == "days":
        assert isinstance(written["date"][0].as_py(), date)
    if table == "transmissions":
        assert types["samples"] == types["channel"] == pa.int64()
        assert types["flags"] == types["calibration_id"] == pa.string()
        assert types["swr"] == types["duration_s"] == types["frequency_khz"] == pa.float64()
        since = rows[1]["start_utc"]
        assert exported(config, table, monkeypatch, "--since", since).num_rows == 2


def test_types_do_not_depend_on_the_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(CONFIG)
    with closing(StoreWriter.open(load(path).store.path)):
        pass
    for table in ("transmissions", "seconds", "days"):
        empty = exported(path, table, monkeypatch)
        assert empty.num_rows == 0
        assert pa.null() not in empty.schema.types


def test_volts_are_exact_and_absent_values_null_over_row_groups(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(parquet, "PAIRS", 5)
    volts = np.random.default_rng(3).uniform(0, 3, (4, 2, 3))
    blocks = [
        SampleBlock(
            np.arange(3) * 1_000_000 + 1_772_391_605_000_000_000 + 10**9 * number,
            *pair,
            aux={"mast_c": np.array([1.5, np.nan, -2.0])} if number % 2 else {},
        )
        for number, pair in enumerate(volts)
    ]
    out = io.BytesIO()
    parquet.write_samples(lambda: blocks, out)
    file = pq.ParquetFile(io.BytesIO(out.getvalue()))
    assert file.num_row_groups == 2
    table = file.read()
    assert table["forward_v"].to_pylist() == volts[:, 0].ravel().tolist()
    assert table["reflected_v"].to_pylist() == volts[:, 1].ravel().tolist()
    assert table["mast_c"].to_pylist() == [None] * 3 + [1.5, None, -2.0] + [None] * 3 + [
        *(1.5, None, -2.0)
    ]
    assert table["time_utc"][4].as_py().isoformat() == "2026-03-01T19:00:06.001000+00:00"


def test_other_tables_and_a_missing_library_are_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "config.yaml"
    path.write_text(CONFIG)
    with closing(StoreWriter.open(load(path).store.path)):
        pass
    wanted = ["--format", "parquet", "-c", path]
    done = mismatchd("export", "alarms", *wanted, check=False)
    assert done.returncode == 2
    assert done.stderr == (
        "mismatchd: parquet is not available for alarms, only for transmissions, seconds, days,"
        " samples\n"
    )
    import logger.store

    monkeypatch.delattr(logger.store, "parquet")
    monkeypatch.delitem(sys.modules, "logger.store.parquet")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    done = mismatchd("export", "transmissions", *wanted, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        "mismatchd: `mismatchd export` needs pyarrow, which is not installed:"
        " pip install 'mismatchd[parquet]'\n"
    )
