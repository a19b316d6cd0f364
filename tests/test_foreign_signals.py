"""Another transmitter is heard while ours is silent, on stations by other formulas (about 15 s)."""

from __future__ import annotations

import pytest

from logger.calibration.coupler import Coupler
from logger.calibration.file import load
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Row, Transmission
from tests.foreign_stations import (
    Converter,
    Intruder,
    Open,
    Over,
    Record,
    Station,
    blocks,
    fit_calibration,
    render,
)
from tests.foreign_stations import Coupler as ForeignCoupler
from tests.station_model.pipeline import Settings

STATION = Station(rate_hz=200.0, converter=Converter(bits=12))
OWN = [Over(5.0 + 30.0 * k, 10.0, power_w=4.0) for k in range(4)]  # the last ends at 105 s


@pytest.fixture(scope="module")
def coupler(tmp_path_factory: pytest.TempPathFactory) -> Coupler:
    return Coupler(load(fit_calibration(STATION, tmp_path_factory.mktemp("bench"))))


def rows_of(coupler: Coupler, record: Record, pairs: int = 1000) -> list[Row]:
    pipeline = Pipeline(Settings(), coupler)  # type: ignore[arg-type]
    rows = [row for block in blocks(STATION, record, pairs) for row in pipeline.process(block)]
    return rows + pipeline.finish()


def transmissions(rows: list[Row]) -> list[Transmission]:
    return [row for row in rows if isinstance(row, Transmission) and row.ended]


def raised(rows: list[Row]) -> list[AlarmChange]:
    return [row for row in rows if isinstance(row, AlarmChange) and row.change == "raised"]


@pytest.mark.parametrize("path", ["antenna", "reflected", "both"])
@pytest.mark.parametrize("mode", ["fm", "ssb"])
def test_foreign_signal_is_reported_once_and_is_no_transmission(
    coupler: Coupler, path: str, mode: str
) -> None:
    signals = [Intruder(610.0 + 20 * k, 8.0, 0.3, path, mode=mode) for k in range(12)]
    record = render(STATION, OWN, intruders=signals, span_s=(0.0, 900.0), idle_s=0, seed=1)
    rows = rows_of(coupler, record)
    assert len(transmissions(rows)) == len(OWN)
    assert {alarm.kind for alarm in raised(rows)} <= {"detector-fault"}
    assert len(raised(rows)) <= 1
    assert all("another transmitter" in alarm.detail for alarm in raised(rows))
    if mode == "fm":
        assert len(raised(rows)) == 1


def test_signal_that_overlaps_our_transmissions(coupler: Coupler) -> None:
    overs = [*OWN, Over(620.0, 10.0, power_w=4.0)]
    signals = [Intruder(615.0, 10.0, 0.3, "antenna"), Intruder(628.0, 8.0, 0.3, "antenna")]
    record = render(STATION, overs, intruders=signals, span_s=(0.0, 900.0), idle_s=0, seed=2)
    rows = rows_of(coupler, record)
    assert len(transmissions(rows)) == len(overs)
    last = transmissions(rows)[-1]
    assert abs(last.start_ns - record.ns(620.0)) < 50_000_000
    assert abs(last.end_ns - record.ns(630.0)) < 50_000_000
    # While both are on the air the reflection does change; nothing else may be raised.
    assert {alarm.kind for alarm in raised(rows)} <= {"detector-fault", "sudden-change"}


def test_open_at_low_power_is_still_ours(coupler: Coupler) -> None:
    """An open raises high-swr at once at the usual power, and below it once that power is usual."""
    low = [Over(620.0 + 30 * k, 10.0, power_w=0.6) for k in range(3)]
    overs = [*OWN, *low, Over(1300.0, 10.0, power_w=0.6), Over(1340.0, 10.0, power_w=4.0)]
    opens = [Open(1302.0, 60.0, ohm=1e6)]
    record = render(STATION, overs, opens, span_s=(0.0, 1400.0), idle_s=0, seed=3)
    rows = rows_of(coupler, record)
    assert len(transmissions(rows)) == len(overs)
    alarm = next(alarm for alarm in raised(rows) if alarm.kind == "high-swr")
    assert 0 <= alarm.time_ns - record.ns(1302.0) < 100_000_000


def test_forward_detector_dies(coupler: Coupler) -> None:
    overs = [*OWN, *(Over(620.0 + 30 * k, 10.0, power_w=4.0) for k in range(4))]
    station = Station(
        rate_hz=200.0, converter=Converter(bits=12), coupler=ForeignCoupler(leak_reflected=0.16)
    )
    record = render(station, overs, span_s=(0.0, 800.0), idle_s=0, seed=4)
    record.forward_v[record.time_ns > record.ns(610.0)] = 0.0
    rows = rows_of(coupler, record)
    assert "another transmitter" in raised(rows)[0].detail
    assert "forward detector has failed" in raised(rows)[-1].detail


@pytest.mark.parametrize("pairs", [7, 333, 65_536])
def test_results_do_not_depend_on_blocks(coupler: Coupler, pairs: int) -> None:
    signals = [Intruder(110.0, 8.0, 0.3, "antenna"), Intruder(130.0, 6.0, 0.5, "both")]
    record = render(STATION, OWN, intruders=signals, span_s=(0.0, 160.0), idle_s=0, seed=5)
    assert rows_key(rows_of(coupler, record, pairs)) == rows_key(rows_of(coupler, record))


def rows_key(rows: list[Row]) -> list[tuple[object, ...]]:
    """What must be equal; the last bits of sums depend on the cut."""
    return [
        *((row.start_ns, row.end_ns, row.settled_samples) for row in transmissions(rows)),
        *(
            (row.time_ns, row.kind, row.change, row.detail)
            for row in rows
            if isinstance(row, AlarmChange)
        ),
    ]
