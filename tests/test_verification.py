"""Checks of the coupler: charts against published examples, verdicts on invented stations (4 s)."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from logger.calibration.file import dump
from logger.daily import Days
from logger.notify import messages
from logger.store.days import DailyValues
from logger.store.reader import Store
from logger.store.tables import JOURNAL, VERIFICATIONS
from logger.store.verifications import Verifications
from logger.store.writer import StoreWriter
from logger.trend.instrument import WANDER_DB, Wander, separate, wanders
from logger.utc import DAY_NS
from logger.verification import words
from logger.verification.control_chart import LAMBDA, WIDTH, control_chart
from logger.verification.judgement import RECALIBRATE_DB, judge
from logger.verification.prediction import predict
from logger.verification.reading import (
    STEADIEST_DB,
    TRANSMITTER_DB,
    Keying,
    Verification,
    transmitter_spread_db,
)
from logger.verification.schedule import CalibrationDue, Schedule, reminder
from logger.verification.session import KeyedReading, VerificationState, progress, restore
from logger.verification.usual_power import MONTH_DB, add_usual_power
from tests.foreign_verifications import BEGIN_NS, MONTH_NS, Station
from tests.test_cusum_reference import rows
from tests.test_store import T0, transmission

DRIFT_DB = 0.5


def test_the_worked_example_of_the_average() -> None:
    table = rows("ewma_nist.csv")[1:]
    assert (LAMBDA, WIDTH) == (0.3, 3.0)
    value = np.array([float(row["x"]) for row in table])
    chart = control_chart(value - 50, np.full(len(value), 2.0539), 1e-6)
    assert chart.target == pytest.approx(0, abs=1e-6)
    assert chart.ewma + 50 == pytest.approx([float(row["exact_ewma"]) for row in table], abs=1e-3)
    limits = [float(row["exact_ucl_i"]) for row in table]
    assert chart.ewma_reach + 50 == pytest.approx(limits, abs=1e-3)
    assert not chart.is_out.any()


def test_the_first_readings_refine_the_target() -> None:
    value, u = np.array([0.3, 0.1, 0.2, 5.0]), np.full(4, 0.1)
    alone = control_chart(value, u, None)
    assert alone.target == pytest.approx(0.2)
    assert alone.target_u == pytest.approx(0.1 / math.sqrt(3))
    weighted = control_chart(value, u, 0.1)  # the prediction counts as one more reading
    assert weighted.target == pytest.approx(0.15)
    assert weighted.is_out.tolist() == [False, False, False, True]
    # Readings that contradict the prediction do not become the target.
    far = control_chart(np.array([1.0, 1.0]), np.full(2, 0.05), 0.1)
    assert far.target == 0
    assert far.is_out.all()


def checks(station: Station, course: list[tuple[float, float]]) -> list[Verification]:
    return [station.check(month, drift) for month, drift in enumerate(course)]


def test_a_sound_coupler_is_fine() -> None:
    for seed in range(6):
        station = Station(seed, has_open=seed % 2 == 0, has_meter=seed % 3 == 0)
        made = checks(station, [(0.0, 0.0)] * 12)
        for number in range(1, 13):
            assert judge(made[:number]).verdict == "fine"


@pytest.mark.parametrize(("port", "sign"), [("forward", 1), ("forward", -1), ("reflected", 1)])
def test_a_drifted_port_is_named(port: str, sign: int) -> None:
    size = sign * DRIFT_DB
    drift = (size, 0.0) if port == "forward" else (0.0, size)
    for seed in (1, 2, 4):
        station = Station(seed, has_open=True, has_meter=True)
        made = checks(station, [(0.0, 0.0)] * 5 + [drift] * 2)
        found = judge(made)
        assert (found.verdict, found.port) == ("drifting", port)
        assert found.drift_db == pytest.approx(size, abs=0.2)
        assert (found.after_ns, found.since_ns) == (made[4].time_ns, made[5].time_ns)
        text = " ".join(words.verdict(found))
        assert f"the {port} port reads 0." in text
        assert f"{'more' if sign > 0 else 'less'} than at the calibration" in text
        assert "between 2026-05-01 and 2026-05-31" in text


def test_a_large_drift_asks_for_a_calibration() -> None:
    station = Station(3, has_open=True, has_meter=True)
    made = checks(station, [(0.0, 0.0)] * 3 + [(1.6 * RECALIBRATE_DB, 0.0)])
    assert judge(made).verdict == "recalibrate"
    assert words.verdict(judge(made))[1] == words.RECALIBRATE


def test_without_a_meter_the_transmitter_is_a_suspect() -> None:
    station = Station(5, has_open=True)
    made = checks(station, [(0.0, 0.0)] * 5 + [(1.5, 1.5)] * 2)
    found = judge(made)
    assert (found.verdict, found.port) == ("drifting", "transmitter")
    assert "reference meter" in " ".join(words.verdict(found))


def test_a_worse_load_is_not_a_drift_of_the_ports() -> None:
    station = Station(6, has_open=True, has_meter=True)
    made = checks(station, [(0.0, 0.0)] * 4)
    station.load = station.load + 0.15  # a corroded plug
    made.append(station.check(4))
    found = judge(made)
    assert (found.verdict, found.port) == ("drifting", "load")
    assert "plugs" in " ".join(words.verdict(found))


def test_another_calibration_begins_anew() -> None:
    old, new = Station(1, has_open=False), Station(2, has_open=False)
    made = [*checks(old, [(0.0, 0.0)] * 3), new.check(3)]
    assert judge(made).verdict == "fine"
    (forward, *_) = words.figures(made)
    assert "compared with it" in forward


def test_bench_points_predict_the_load() -> None:
    station = Station(9)
    coupler = station.coupler
    near = predict(coupler, "matched", station.full_w, None)
    assert near.u_db is not None
    check = station.check(0)
    measured_db = 10 * math.log10(check.reflected_w / check.forward_w)
    assert abs(measured_db - near.db) < 3 * math.hypot(near.u_db, check.load_u_db)
    bare = msgspec.structs.replace(coupler.content, bench_points=[])
    blank = type(coupler)(bare)
    assert predict(blank, "matched", 4.0, None).u_db is None
    opened = predict(blank, "open", 1.0, None)
    assert opened.db == 0
    assert opened.u_db is not None
    assert 0.1 < opened.u_db < 3


def test_a_prediction_does_not_jump_with_the_power() -> None:
    """A thousandth more power leaves or reaches the range of a bench point as any other does."""
    coupler, powers = Station(1).coupler, np.geomspace(0.5, 30, 3000)
    made = [predict(coupler, "matched", float(watts), None) for watts in powers]
    known = [each for each in made if each.u_db is not None]
    assert len(known) > 2500
    assert np.ptp([each.db for each in known]) > 0.05  # otherwise nothing is shown
    assert np.abs(np.diff([each.db for each in known])).max() < 0.02
    assert np.abs(np.diff([each.u_db for each in known])).max() < 0.02


def test_a_reading_needs_some_seconds() -> None:
    assert Keying.of_seconds([(4.0, 0.01)] * 3) is None
    keying = Keying.of_seconds([(1.0, 0.5), *[(4.0, 0.01)] * 3, (2.0, 0.0)])
    assert keying is not None
    assert keying.forward_w == 4
    assert keying.reflected_w == pytest.approx(0.01)
    hidden = Keying.of_seconds([(4.0, -1e-5), (4.0, 2e-5), (4.0, -2e-5), (4.0, 1e-5)])
    assert hidden is not None
    assert hidden.reflected_w > 0
    assert hidden.u_db > 3


def test_the_usual_power_gives_the_repeatability() -> None:
    rng = np.random.default_rng(1)
    assert transmitter_spread_db(np.full(9, 4.0)) == TRANSMITTER_DB
    assert transmitter_spread_db(np.full(30, 4.0)) == STEADIEST_DB
    spread = transmitter_spread_db(4 * rng.lognormal(0, 0.035, 3000))
    assert spread == pytest.approx(0.035 * 4.343, rel=0.1)
    assert transmitter_spread_db(rng.uniform(1.0, 12.0, 50)) == TRANSMITTER_DB


def test_the_usual_power_tells_a_drift_of_the_forward_port() -> None:
    found = []
    for seed in range(5):
        station = Station(seed, has_open=False)
        made = checks(station, [(0.0, 0.0)] * 4 + [(-0.6, 0.0)] * 2)
        known = add_usual_power(made, station.daily())
        assert [check.usual_db for check in made] == [None] * 6
        assert judge(known[:4]).verdict == "fine"
        found.append(judge(known))
        assert found[-1].drift_db == pytest.approx(-0.6, abs=0.4) or "usual" not in (
            found[-1].figures
        )
    assert sum("usual" in judgement.figures for judgement in found) >= 4
    assert any("Usual power before the check" in text for text in words.figures(known))
    assert "reflected port from" in words.without_open(known)


def test_the_usual_power_is_that_at_the_setting_of_the_check() -> None:
    station = Station(3, has_open=False, has_habit=False)
    first, second = checks(station, [(0.0, 0.0)] * 2)
    days = daily(years=0.5, ids=(station.coupler.id,))
    number = days.day - second.time_ns // DAY_NS
    usual_w = 1.1 * second.forward_w
    low = number % 2 == 0
    days = replace(days, power_w=np.where(low, usual_w / 4, usual_w))
    known = add_usual_power([first, second], [days])[1]
    assert known.usual_db == pytest.approx(10 * math.log10(usual_w))
    assert known.usual_u_db == pytest.approx(MONTH_DB)
    # Not before the check before, by another calibration, or on another channel.
    for other in (
        replace(days, day=days.day + 365),
        replace(days, calibration_ids=("another",)),
        replace(days, channel=3),
    ):
        assert add_usual_power([first, second], [other])[1] == second


def test_a_session_is_restored() -> None:
    state = VerificationState(KeyedReading(Keying(4.0, 0.01, 0.02), T0, 20, 27205.0, 7), True, 3.9)
    session = restore(msgspec.json.encode(state))
    assert session.state == state
    assert "dummy load is read" in progress(session)


def test_store(tmp_path: Path) -> None:
    station = Station(2)
    with StoreWriter.open(tmp_path / "station.sqlite") as store:
        store.write([transmission(T0 + n * 60 * 10**9, channel=20) for n in range(3)])
        usual = {"channel": 20, "calibration_id": station.coupler.id, "forward_w_mean": 4.0}
        store.write([transmission(BEGIN_NS - n * DAY_NS, **usual) for n in range(9, 1, -1)])
        store.insert_calibration(station.coupler.id, dump(station.coupler.content))
    path = tmp_path / "station.sqlite"
    check = msgspec.structs.replace(
        station.check(0), forward_w=3.9, verdict="fine", transmission_id=2
    )
    with DailyValues.editor(path) as days:
        assert days.days(T0 - DAY_NS, 1 << 62)[0].transmissions.tolist() == [3]
    with Verifications.editor(path) as checked:
        assert checked.last_ns() is None
        number = checked.insert(check, "coupler verified")
        (stored,) = checked.all()
        assert stored.load_db == pytest.approx(check.load_db, abs=1e-4)
        assert stored.usual_db == pytest.approx(10 * math.log10(4.0))
        assert checked.all(check.time_ns - 1) == []
        assert checked.last_ns() == check.time_ns
        (record,) = Store(checked.database).select(VERIFICATIONS, "r.id = ?", number)
        assert record.columns["verdict"] == "fine"
        (entry,) = Store(checked.database).select(JOURNAL, "TRUE")
        assert entry.columns["kind"] == "remark"
    with DailyValues.editor(path) as days:  # the check is no reading of the antenna
        assert days.days(T0 - DAY_NS, 1 << 62)[0].transmissions.tolist() == [2]


def test_when_a_check_is_due() -> None:
    never = Schedule.of(CalibrationDue(None, 31), None)
    assert never.due_ns is None
    assert never.describe(T0) == "date unknown"
    made = Schedule.of(CalibrationDue("2026-01-01", 31), None)
    assert made.due_ns is not None
    assert not made.is_overdue(made.due_ns - 1)
    assert made.is_overdue(made.due_ns + 1)
    checked = Schedule.of(CalibrationDue("2026-01-01T00:00:00Z", 31), BEGIN_NS + 40 * DAY_NS)
    assert checked.describe(BEGIN_NS + 41 * DAY_NS) == (
        "made 2026-01-01, 41 days ago; verified 2026-02-10; verification due 2026-03-13"
    )
    assert checked.columns()["due_utc"] == "2026-03-13T00:00:00.000000Z"
    due = reminder(made.due_ns)
    message = messages.daily("quay", T0, None, (), 0, due=[due])
    assert message["due"] == [due]
    assert message["text"].endswith(f"; {due}")
    assert due == "check of the coupler overdue since 2026-02-01: `mismatchd verify`"


# The trend.


def daily(swr: float = 1.5, years: float = 2.0, ids: tuple[str, ...] = ("abc",)) -> Days:
    day = BEGIN_NS // DAY_NS + np.arange(0, round(365.25 * years), 3)
    blank = np.zeros(len(day))
    ones = np.ones(len(day), dtype=np.int64)
    return Days(20, None, day, np.full(len(day), swr), blank, ones, 4.0 * ones, 0 * ones, ids)


def test_without_checks_all_of_the_walk_is_left() -> None:
    days = daily()
    same, instrument = separate(days, {})
    assert same is days
    # The variance of a straight line's slope through a random walk is 6 / (5 T) of its own.
    expected_db = WANDER_DB * math.sqrt(6 / 5 / 2.0)
    assert instrument.balance_slope_u_db == pytest.approx(expected_db, rel=0.05)
    assert instrument.slope_u == pytest.approx(expected_db * (1.5**2 - 1) / 2 * 0.1151, rel=0.05)
    assert instrument.checks == 0


def test_a_drift_found_by_checks_is_taken_out() -> None:
    station = Station(8, has_open=True)
    course = [(0.0, 0.05 * month) for month in range(25)]
    made = checks(station, course)
    name = station.coupler.id
    days = daily(ids=(name,))
    month = (days.day * DAY_NS - BEGIN_NS) / MONTH_NS
    read = np.minimum(0.2 * 10 ** (0.05 * month / 20), 0.9)
    days = replace(days, swr=(1 + read) / (1 - read))
    sound, instrument = separate(days, wanders(made, {name: BEGIN_NS}))
    assert sound.swr == pytest.approx(np.full(len(read), 1.5), abs=0.01)
    assert instrument.checks == 25
    assert instrument.balance_db == pytest.approx(0.05 * month[-1], abs=0.1)
    assert instrument.slope_u < 0.3 * separate(days, {})[1].slope_u


def test_one_observation_of_the_walk() -> None:
    origin, at = 100.0, 100.0 + 365.25
    wander = Wander(origin, np.array([at]), np.array([0.8]), np.array([[0.25]]))
    mean, covariance = wander.at(np.array([at, at + 365.25, origin, origin - 50]))
    share = 1.0 / 1.25
    assert mean == pytest.approx([0.8 * share, 0.8 * share, 0, 0])
    assert covariance[0, 0] == pytest.approx(1 - share)
    assert covariance[1, 1] == pytest.approx(2 - share)
    assert covariance[2, 2] == 0
    assert wander.mean(np.array([at])) == pytest.approx(mean[:1])
