"""Raw pairs as Parquet, and what a station without the extra says."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.errors import RemoteError
from logger.fleet import pairs
from logger.store.archive import same
from logger.store.segments import decode, encode

ROOT = Path(__file__).parent.parent


def test_a_station_alone_installs_and_imports_nothing_of_the_extra() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]

    def names(requirements: list[str]) -> set[str]:
        return {re.split(r"[^\w.-]", each)[0] for each in requirements}

    extra = names(project["optional-dependencies"]["fleet"])
    assert extra >= {"distributed", "duckdb", "fsspec", "pyarrow", "s3fs"}
    assert not extra & names(project["dependencies"])
    for path in (ROOT / "logger").rglob("*.py"):
        if path.parent.name not in ("fleet", "learning") and path.name != "parquet.py":
            imported = set(re.findall(r"^(?:import|from) (\w+)", path.read_text(), re.MULTILINE))
            assert not imported & (extra | {"dask"}), path


@pytest.mark.realtime
def test_an_extra_that_is_missing_is_named(tmp_path: Path) -> None:
    config = tmp_path / "config.yaml"
    config.write_text("driver: {kind: simulated}\nstore: {remote: 's3://stations'}\n")
    code = (
        "import sys\nsys.modules['s3fs'] = None\nfrom logger.cli import main\nmain(sys.argv[1:])\n"
    )
    words = [sys.executable, "-c", code, "push", "-c", str(config)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=os.environ)
    assert done.returncode == 1
    assert done.stderr == (
        "mismatchd: `mismatchd push` needs s3fs, which is not installed:"
        " pip install 'mismatchd[fleet]'\n"
    )


def blocks() -> Iterator[SampleBlock]:
    rng = np.random.default_rng(4)
    n = 5000
    times = 1_772_323_200_000_000_000 + np.arange(n) * 5_000_000
    codes = np.rint(rng.normal([[1500.3], [300.2]], 1.0, (2, n)))
    step = 3.3 / 4096
    yield SampleBlock(times, *(codes * step), {}, (step, step), 4095 * step)
    yield SampleBlock(times, *(codes / 1000), {"channel": np.full(n, 20.0)}, (0.001, 0.001), None)
    temperature = np.where(np.arange(n) % 3, np.nan, 21.5)
    aux = {"temperature_c": temperature, "channel": np.full(n, 3.0)}
    yield SampleBlock(times + 17, *rng.normal(size=(2, n)), aux, (0.0, 0.0), None, True, True)
    volts = codes * step
    volts[1, 7] = -0.0
    volts[0, 9] = np.nan
    yield SampleBlock(times, *volts, {}, (step, step), None)


def test_pairs_of_every_kind_come_back(tmp_path: Path) -> None:
    rows = []
    for number, block in enumerate(blocks()):
        moved_ns = number * 100_000_000_000
        first_ns, last_ns = int(block.time_ns[0]), int(block.time_ns[-1])
        rows.append(
            pairs.Row(
                first_ns + moved_ns, last_ns + moved_ns, len(block), number % 2, encode(block)
            )
        )
    path = tmp_path / "pairs.parquet"
    assert pairs.write(rows, "digest", path) == 4 * 5000
    for row, back in zip(rows, pairs.read(path, path.name), strict=True):
        assert back == row
        assert same(decode(back.data), decode(row.data))


def test_a_damaged_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "pairs.parquet"
    block = next(blocks())
    first_ns, last_ns = int(block.time_ns[0]), int(block.time_ns[-1])
    pairs.write([pairs.Row(first_ns, last_ns, len(block), 1, encode(block))], "digest", path)
    content = bytearray(path.read_bytes())
    for place in range(100, 2100, 500):
        content[place] ^= 0x40
    path.write_bytes(content)
    with pytest.raises(RemoteError):
        pairs.check(path)


def test_a_pair_of_a_steady_carrier_costs_little(tmp_path: Path) -> None:
    n, step = 524_288, 3.3 / 4096
    noise = np.random.default_rng(5).normal(size=(2, n))
    volts = np.rint(np.array([[1500.3], [300.2]]) + noise) * step
    times = 1_790_000_000_000_000_000 + np.arange(n) * 5_000_000
    block = SampleBlock(times, *volts, {"channel": np.full(n, 20.0)}, (step, step), 4095 * step)
    path = tmp_path / "pairs.parquet"
    pairs.write([pairs.Row(int(times[0]), int(times[-1]), n, 1, encode(block))], "digest", path)
    assert path.stat().st_size / n < 0.6
