"""The weather by columns of the bridge: hours, whatever the blocks; and through to the store."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import SampleBlock
from logger.config.load import WeatherOptions
from logger.rows import WeatherRow
from logger.stages.weather_means import HOUR_NS, WeatherMeans
from logger.store.tables import WEATHER
from logger.store.writer import StoreWriter
from tests.station import mismatchd, write_config

T0 = 1_772_391_600_000_000_000 // HOUR_NS * HOUR_NS
OPTIONS = WeatherOptions(temperature_c="outdoor_c", rain_total_mm="gauge", wind_m_s="wind")


def block(minutes: np.ndarray) -> SampleBlock:
    """Pairs a minute: warmer by a degree an hour; a gauge of half a millimetre each ten minutes
    that begins anew after two hours; no wind known in the first hour."""
    volts = np.zeros(len(minutes))
    return SampleBlock(
        T0 + minutes * 60_000_000_000,
        volts,
        volts,
        {
            "outdoor_c": minutes / 60,
            "gauge": 0.5 * ((minutes % 120) // 10),
            "wind": np.where(minutes < 60, np.nan, 3.0),
        },
    )


@given(st.lists(st.integers(1, 299), unique=True, max_size=8).map(sorted))
def test_an_hour_is_an_hour_however_it_comes(cuts: list[int]) -> None:
    means = WeatherMeans(OPTIONS)
    edges = [0, *cuts, 300]
    rows = [
        row for begin, end in pairwise(edges) for row in means.update(block(np.arange(begin, end)))
    ]
    assert len(rows) == 4  # the fifth hour may go on
    rows += means.finish()
    assert [row.temperature_c for row in rows] == pytest.approx(
        [k + 0.49 for k in range(5)], abs=0.011
    )
    # Five steps of the gauge in the first hour and six in the second; the step back is none.
    assert [row.rain_mm for row in rows] == [2.5, 3.0, 2.5, 3.0, 2.5]
    assert [row.wind_m_s for row in rows] == [None, 3.0, 3.0, 3.0, 3.0]
    assert rows[0].time_ns == T0 + 59 * 60_000_000_000


def test_columns_that_are_not_there_say_nothing() -> None:
    means = WeatherMeans(WeatherOptions(temperature_c="indoor_c"))
    means.update(block(np.arange(100)))
    assert means.finish() == []


def test_what_the_bridge_tells_gets_into_the_store(tmp_path: Path) -> None:
    lines = ["time_s,forward_v,reflected_v,outdoor_c"]
    lines += [f"{1_772_391_600 + 60 * k},0.001,0.001,{-5 + k % 2}" for k in range(90)]
    (tmp_path / "pairs.csv").write_text("\n".join(lines) + "\n")
    config = write_config(
        tmp_path,
        "",
        driver="{kind: replay, path: pairs.csv}",
        weather="{temperature_c: outdoor_c}",
    )
    for _ in range(2):  # a replay lands on itself
        mismatchd("run", "-c", config)
    assert mismatchd("export", "weather", "-c", config).stdout.splitlines()[1:] == [
        "2026-03-01T19:59:00.000000Z,-4.5,,",
        "2026-03-01T20:29:00.000000Z,-4.5,,",
    ]


def test_a_row_that_knows_less_takes_nothing_away(tmp_path: Path) -> None:
    store = StoreWriter.open(tmp_path / "station.sqlite")
    store.write([WeatherRow(time_ns=T0, temperature_c=4.0), WeatherRow(time_ns=T0, rain_mm=1.0)])
    (row,) = store.records(WEATHER, T0, T0 + 1)
    assert list(row.columns.values())[1:] == [4.0, 1.0, None]
    store.close()
