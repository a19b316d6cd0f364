"""The tracker of faults: what opens, joins, worsens, is quiet, repaired, returns and closes."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import pairwise

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import FaultsOptions
from logger.faults import KIND, FaultTracker, evidence, redate, repair
from logger.faults.memory import FaultMemory, Level, Session
from logger.faults.recurrence import join, ln_probability, share
from logger.faults.signature import is_weak
from logger.rows import (
    AlarmChange,
    AlarmKind,
    ChangeKind,
    Excursion,
    FaultChange,
    FaultChangeKind,
    FaultFamily,
    FaultState,
    Memory,
    Row,
    SecondRows,
    Severity,
    Shift,
    Transmission,
    WeatherRow,
)
from logger.utc import DAY_NS
from logger.watchdog import detector_fault, high_reflected_power, high_swr
from logger.watchdog.detector_fault import level
from tests.examples import examples
from tests.test_store import SECOND, T0, second, transmission

HOUR = 3600 * SECOND
GAP = 20 * 60 * SECOND  # between transmissions
CRITICAL = (high_swr.KIND, high_reflected_power.KIND)


def alarm(kind: str, time_ns: int, change: str = "raised", **fields: object) -> AlarmChange:
    is_critical = AlarmKind(kind) in CRITICAL
    row = AlarmChange(
        kind=AlarmKind(kind),
        change=ChangeKind(change),
        time_ns=time_ns,
        severity=Severity.CRITICAL if is_critical else Severity.WARNING,
        value=5.0,
        limit=3.0,
        start_ns=None,
        detail=f"{kind} {change}",
    )
    return msgspec.structs.replace(row, **fields)


def excursion(time_ns: int, swr_peak: float = 5.0) -> Excursion:
    return Excursion(time_ns=time_ns, duration_ms=20.0, swr_peak=swr_peak, swr_beside=1.2)


def start_of(number: int) -> int:
    return T0 + number * GAP


def over(number: int, swr: float = 1.21) -> Transmission:
    """Transmission number `number`, of three seconds."""
    return transmission(start_of(number), swr=swr)


def spell(first: int, past: int, every: int = 0, swr: float = 1.21) -> list[Row]:
    """Transmissions with an excursion in each `every`-th."""
    rows: list[Row] = []
    for number in range(first, past):
        if every and number % every == 0:
            rows.append(excursion(start_of(number) + SECOND))
        rows.append(over(number, swr))
    return rows


def broken(number: int, swr: float = 1.21) -> list[Row]:
    """A transmission with a brief high SWR."""
    start_ns = start_of(number)
    return [
        alarm("high-swr", start_ns + SECOND, start_ns=start_ns),
        alarm("high-swr", start_ns + 2 * SECOND, "cleared"),
        over(number, swr),
    ]


def time_of(row: Row) -> int:
    if isinstance(row, Transmission):
        return row.end_ns
    if isinstance(row, SecondRows):
        return int(row.time_ns[-1])
    assert isinstance(row, AlarmChange | Excursion | WeatherRow)
    return row.time_ns


class Station:
    """A tracker, fed with one row after the other, and all that it has returned."""

    def __init__(self, work_ns: Sequence[int] = (), days: int = 90) -> None:
        self.options = FaultsOptions(close_after_days=days)
        self.tracker = FaultTracker(self.options)
        self.tracker.know_work(work_ns)
        self.rows: list[Row] = []

    def feed(self, rows: Sequence[Row]) -> Station:
        for row in rows:
            self.rows += self.tracker.update([row], time_of(row))
        return self

    def wait(self, now_ns: int) -> Station:
        self.rows += self.tracker.update([], now_ns)
        return self

    @property
    def changes(self) -> list[FaultChange]:
        return [row for row in self.rows if isinstance(row, FaultChange)]

    @property
    def story(self) -> list[str]:
        return [str(row.change) for row in self.changes]


def test_a_fault_opens_by_an_alarm_and_names_its_signs() -> None:
    station = Station().feed([*spell(0, 3), *broken(3), *spell(4, 6, every=1)])
    (opened,) = station.changes
    assert opened.change == FaultChangeKind.OPENED
    assert opened.opened_ns == opened.time_ns == start_of(3) + SECOND
    assert opened.first_ns == start_of(3)  # excursions of that transmission are signs
    assert (opened.family, opened.state) == (FaultFamily.FEEDLINE, FaultState.OPEN)
    assert opened.severity == Severity.CRITICAL
    assert opened.summary == "Feedline or antenna: high-swr raised"
    signs = [row for row in station.rows if isinstance(row, AlarmChange | Excursion)]
    assert {row.fault_ns for row in signs} == {opened.opened_ns}
    place = station.rows.index(opened)
    assert isinstance(station.rows[place + 1], AlarmChange)  # which refers to it


def test_excursions_alone_open_nothing_but_are_the_first_sign() -> None:
    station = Station().feed(spell(0, 40, every=10))
    assert station.changes == []
    station.feed([alarm("intermittent-contact", start_of(40))])
    (opened,) = station.changes
    assert opened.first_ns == SECOND + start_of(0)
    assert "4 excursions before" in opened.summary


def test_excursions_of_last_month_are_no_sign() -> None:
    month = round(30 * DAY_NS / GAP)
    station = Station().feed([*spell(0, 1, every=1), *spell(month, month + 3, every=3)])
    station.feed(broken(month + 3))
    assert station.changes[0].first_ns >= start_of(month)


def test_all_alarms_of_a_loose_plug_are_one_fault() -> None:
    rows: list[Row] = []
    for number in range(300):
        rows += broken(number) if number % 3 == 0 else spell(number, number + 1, every=2)
        if number in (10, 200):
            rows.append(alarm("intermittent-contact", start_of(number) + 5 * SECOND))
        if number == 280:
            rows.append(alarm("baseline-shift", start_of(number) + 5 * SECOND))
    station = Station().feed(rows)
    assert station.story == ["opened"]


def test_a_rash_of_excursions_is_not_the_water_of_last_week() -> None:
    week = round(7 * DAY_NS / GAP)
    station = Station().feed([*spell(0, 50), alarm("baseline-shift", start_of(50) - HOUR // 10)])
    station.feed([*spell(50, 50 + week, swr=1.6), *spell(50 + week, 80 + week, every=2, swr=1.6)])
    station.feed([alarm("intermittent-contact", start_of(80 + week))])
    assert station.story == ["opened", "opened"]
    standing, passing = station.changes
    marks = [row.fault_ns for row in station.rows if isinstance(row, Excursion)]
    assert set(marks) == {None}  # the store attaches them to the second
    assert passing.first_ns >= start_of(50 + week) > standing.opened_ns
    assert "15 excursions before" in passing.summary


def test_high_swr_belongs_to_the_shift_of_last_week() -> None:
    week = round(7 * DAY_NS / GAP)
    station = Station().feed([*spell(0, 50), alarm("baseline-shift", start_of(50) - HOUR // 10)])
    station.feed([*spell(50, 50 + week, swr=1.6), *broken(50 + week, swr=1.7)])
    assert station.story == ["opened", "worsened"]
    assert station.changes[-1].summary.startswith("Critical now: high-swr raised; 2 alarms since")


def test_severity_rises_once() -> None:
    station = Station().feed([alarm("intermittent-contact", T0 + SECOND)])
    station.feed([*broken(1), *broken(2)])
    assert station.story == ["opened", "worsened"]
    assert station.changes[-1].severity == Severity.CRITICAL


def test_the_instrument_and_the_line_are_different_troubles() -> None:
    station = Station().feed(
        [alarm("high-swr", T0), alarm("detector-fault", T0 + 1000), alarm("no-data", T0 + 2000)]
    )
    assert [row.family for row in station.changes] == ["feedline", "instrument", "no-data"]


# --- warnings that need a second sign ---

POWER = "incident power reads 0.25 times what it was, at the same reflection; check it"


def warning(time_ns: int, kind: str = "sudden-change", detail: str = "SWR 1.2 before") -> list[Row]:
    return [
        alarm(kind, time_ns, detail=detail),
        alarm(kind, time_ns + SECOND, "cleared", detail=""),
    ]


def test_a_sudden_change_that_goes_again_is_no_fault() -> None:
    station = Station().feed([*spell(0, 20), *warning(start_of(20) + SECOND), *spell(20, 60)])
    assert station.changes == []
    assert {row.fault_ns for row in station.rows if isinstance(row, AlarmChange)} == {None}
    later = start_of(60) + 8 * DAY_NS
    station.feed([*warning(later), alarm("high-swr", later + 8 * DAY_NS)])
    (opened,) = station.changes
    assert opened.first_ns == opened.opened_ns == later + 8 * DAY_NS  # too late for a first sign


def test_sudden_changes_on_two_days_are_a_fault() -> None:
    station = Station().feed([*warning(T0), *warning(T0 + HOUR), *warning(T0 + 2 * HOUR)])
    assert station.changes == []
    station.feed(warning(T0 + 2 * DAY_NS))
    (opened,) = station.changes
    assert (opened.first_ns, opened.opened_ns) == (T0, T0 + 2 * DAY_NS)
    power = Station().feed(warning(T0, "detector-fault", POWER))
    assert power.feed(warning(T0 + 2 * DAY_NS, "detector-fault", POWER)).changes == []


def test_the_level_of_one_fault_does_not_confirm_another() -> None:
    station = Station().feed([*spell(0, 50), alarm("baseline-shift", start_of(50) - HOUR // 10)])
    station.feed(spell(50, 1200, swr=1.6))  # for 16 days
    station.feed([*warning(start_of(1200), "detector-fault", POWER), *spell(1200, 1300, swr=1.6)])
    assert station.story == ["opened"]


def test_a_second_alarm_opens_the_fault_with_both_as_signs() -> None:
    station = Station().feed([*spell(0, 20), *warning(start_of(20) + SECOND), *spell(20, 30)])
    station.feed([alarm("intermittent-contact", start_of(30))])
    (opened,) = station.changes
    assert opened.first_ns == start_of(20) + SECOND
    assert opened.opened_ns == start_of(30)
    assert opened.summary == "Feedline or antenna: intermittent-contact raised"
    (fault,) = station.tracker.memory.faults
    assert fault.kinds == [AlarmKind.SUDDEN_CHANGE, AlarmKind.INTERMITTENT_CONTACT]
    assert fault.alarms == 2
    assert station.tracker.memory.suspects == []


def test_a_level_that_stays_is_a_second_sign() -> None:
    station = Station().feed([*spell(0, 20), *warning(start_of(20) + SECOND)])
    station.feed(spell(20, 29, swr=1.5))
    assert station.changes == []
    station.feed(spell(29, 40, swr=1.5))
    (opened,) = station.changes
    assert opened.opened_ns == over(29).end_ns
    assert opened.first_ns == start_of(20) + SECOND
    assert opened.summary == (
        "Feedline or antenna: SWR 1.2 before; unchanged 10 transmissions later"
    )


def test_the_level_after_work_is_no_second_sign() -> None:
    station = Station(work_ns=[start_of(21)]).feed([*spell(0, 20), *warning(start_of(20) + SECOND)])
    assert station.feed(spell(20, 60, swr=1.5)).changes == []


def test_another_power_is_no_fault_of_the_instrument() -> None:
    station = Station().feed([*spell(0, 20), alarm("detector-fault", start_of(20), detail=POWER)])
    station.feed(spell(20, 400))
    assert station.changes == []
    station.feed([alarm("baseline-shift", start_of(400))])
    (opened,) = station.changes
    assert (opened.family, opened.first_ns) == (FaultFamily.INSTRUMENT, start_of(20))
    stuck = Station().feed([alarm("detector-fault", T0, detail="the reading never moves")])
    assert stuck.story == ["opened"]


# --- one cause or two ---

STEADY = 9 * 72  # transmissions in nine days
KNOWN = 15 * 72  # likewise, after which the level of a week ago is known


def test_a_level_that_stays_off_is_a_fault_without_an_alarm() -> None:
    station = Station().feed([*spell(0, 2 * STEADY), *spell(2 * STEADY, 2 * STEADY + 72, swr=1.4)])
    (opened,) = station.changes
    assert opened.summary == (
        "Feedline or antenna: SWR 1.40 instead of 1.21 on channel 20 in 37 transmissions"
        " since 19 March"
    )
    assert opened.time_ns - opened.first_ns >= DAY_NS / 2
    evening = [*spell(0, 2 * STEADY), *spell(2 * STEADY, 2 * STEADY + 30, swr=1.4)]
    assert Station().feed([*evening, *spell(2 * STEADY + 30, 3 * STEADY)]).story == []


def test_a_level_that_moves_beside_an_old_contact_is_another_fault() -> None:
    """The contact left the level as it was; one that moved it from its first sign explains both."""
    first = 2 * STEADY
    contact = [*broken(first), *broken(first + 1), *broken(first + 2)]
    rows = [*spell(0, first), *contact]
    apart = [*spell(first + 3, first + 40, every=2), *spell(first + 40, first + 120, 2, swr=1.4)]
    station = Station().feed([*rows, *apart])
    assert station.story == ["opened", "opened"]
    assert station.changes[1].summary.endswith(
        "; not the contact of 19 March, which left the level as it was in 22 transmissions"
    )
    together = spell(first + 3, first + 120, every=2, swr=1.4)
    assert Station().feed([*rows, *together]).story == ["opened"]


def test_a_level_that_falls_beside_a_contact_is_another_fault() -> None:
    first = 2 * STEADY
    rows = [*spell(0, first), *broken(first), *broken(first + 1), *broken(first + 2)]
    station = Station().feed([*rows, *spell(first + 3, first + 120, every=2, swr=1.05)])
    assert station.story == ["opened", "opened"]
    assert station.changes[1].summary.endswith(
        "; not the contact of 19 March, which would have raised it"
    )


def test_a_contact_that_leaves_a_level_as_it_is_is_another_fault() -> None:
    """A contact that opens closes with another resistance each time."""
    first = 2 * STEADY
    shift = alarm("baseline-shift", start_of(first + 8))
    contact = alarm("intermittent-contact", start_of(first + 12))
    rows = [*spell(0, first), *spell(first, first + 8, swr=2.0), shift]
    rows += [*spell(first + 8, first + 12, every=1, swr=2.0), contact]
    loose = [over(first + n, swr=1.6 + 0.2 * (n % 5)) for n in range(40, 120)]
    for n in range(12, 40):
        rows += [excursion(start_of(first + n) + SECOND), over(first + n, 2.0)]
    assert Station().feed([*rows, *loose]).story == ["opened"]
    station = Station().feed([*rows, *spell(first + 40, first + 70, swr=2.0)])
    assert station.story == ["opened", "opened"]
    level_fault, contact_fault = station.tracker.memory.faults
    assert (level_fault.kinds, contact_fault.kinds) == ([shift.kind], [contact.kind])
    assert station.changes[1].summary == (
        "Feedline or antenna: a contact breaks, another cause than that of the fault of 19 March,"
        " whose level stayed the same in 20 transmissions between 32 excursions; they were reported"
        " as one fault"
    )
    again = [excursion(start_of(first + 70) + SECOND), over(first + 70, 2.0)]
    assert station.feed(again).story == ["opened", "opened"]
    marked = [row for row in station.rows if isinstance(row, Excursion)][-1]
    assert marked.fault_ns == contact_fault.opened_ns


def heated(number: int, cold: float, hot: float) -> list[Row]:
    """A transmission whose SWR moves while the key is down."""
    start_ns = start_of(number)
    seconds = [
        second(start_ns + n * SECOND, start_ns, swr=swr, flags=0)
        for n, swr in enumerate((cold, cold, hot))
    ]
    return [*seconds, over(number, hot)]


def heats(number: int, **fields: object) -> AlarmChange:
    return alarm("heating-joint", start_of(number) + 4 * SECOND, **fields)


def test_a_joint_that_heats_leaves_the_level_of_the_cold_line() -> None:
    first = KNOWN
    rows = [*spell(0, first), *heated(first, 1.21, 2.0), heats(first)]
    for number in range(first + 1, first + 40):
        rows += heated(number, 1.21, 2.0 + 0.2 * (number % 3))
    rows.append(alarm("baseline-shift", start_of(first + 40)))
    assert Station().feed(rows).story == ["opened"]


def test_a_joint_is_another_fault_than_what_moves_the_level_of_the_cold_line() -> None:
    """Told at once if the level was known to be off, else corrected; never a third fault."""
    first = KNOWN
    shift = alarm("baseline-shift", start_of(first + 1))
    rows = [*spell(0, first), over(first, 1.8), shift, *heated(first + 2, 1.8, 2.4)]
    corrected = Station().feed([*rows, heats(first + 2)])
    assert corrected.story == ["opened"]
    corrected.feed([*heated(first + 3, 1.8, 2.4), *heated(first + 4, 1.8, 2.4)])
    assert corrected.story == ["opened", "opened"]
    assert corrected.changes[1].summary == (
        "Feedline or antenna: a joint heats up while the key is down, another cause than that of"
        " the fault of 16 March, since the level is off also when 3 transmissions began after a"
        " rest; they were reported as one fault"
    )
    level_fault, joint = corrected.tracker.memory.faults
    assert (level_fault.kinds, joint.kinds) == ([shift.kind], [heats(0).kind])
    later = [row for n in range(3, 20) for row in heated(first + n, 1.8, 2.2 + 0.1 * (n % 3))]
    at_once = Station().feed([*rows, *later, heats(first + 20)])
    assert at_once.story == ["opened", "opened"]
    assert at_once.changes[1].summary == "Feedline or antenna: heating-joint raised"
    more = [row for n in range(20, 60) for row in heated(first + n, 2.2, 2.6)]
    assert at_once.feed([*more, heats(first + 60)]).story == ["opened", "opened"]


def test_a_joint_that_improves_the_match_is_no_lost_gain() -> None:
    """Told as one of the instrument and corrected, unless the line is off its level while cold."""

    def lost(number: int) -> AlarmChange:
        detail = "reflection 0.4 times what it was; or the load has suddenly improved"
        return alarm("detector-fault", start_of(number) + 4 * SECOND, detail=detail)

    def story(cold: float) -> Station:
        rows: list[Row] = spell(0, KNOWN, swr=1.6)
        rows.append(lost(KNOWN))
        rows += [row for n in range(KNOWN, KNOWN + 16) for row in heated(n, cold, 1.2)]
        return Station().feed([*rows, heats(KNOWN + 16)])

    station = story(1.6)
    assert station.story == ["opened", "explained"]
    assert [change.family for change in station.changes] == ["instrument", "feedline"]
    assert station.changes[1].summary.endswith("not instrument: heating-joint raised")
    assert station.feed([lost(KNOWN + 17)]).story == ["opened", "explained"]
    assert story(1.25).story == ["opened", "opened"]


def test_a_reading_that_recovered_was_the_load_if_its_level_moves_later() -> None:
    """An alarm that leaves open which of both it was; a lost gain does not come back by itself."""

    def story(alternative: str) -> Station:
        first = KNOWN + 144  # two days later
        lost = (
            f"lost gain: reflection 0.8 times what it was, at the same incident power{alternative}"
        )
        times = (start_of(KNOWN) + 20 * HOUR // 60, start_of(KNOWN + 100), start_of(KNOWN + 110))
        rows = [*spell(0, first), *spell(first, first + 80, swr=1.6)]
        for time_ns, change in zip(times, ("raised", "cleared", "raised"), strict=True):
            rows.append(alarm("detector-fault", time_ns, change, detail=lost))
        rows.append(alarm("sudden-change", times[2] + SECOND, detail="sudden"))
        kinds = ("detector-fault", "sudden-change")
        rows += [alarm(kind, times[2] + 600 * SECOND, "cleared") for kind in kinds]
        return Station().feed(sorted(rows, key=time_of))

    station = story("; or the load has suddenly improved")
    assert station.story == ["opened", "quiet", "returned"]
    assert [change.family for change in station.changes][::2] == ["instrument", "feedline"]
    assert "feedline or antenna, not instrument" in station.changes[-1].summary
    assert story("").story == ["opened", "quiet", "opened"]


def test_a_level_that_moves_while_a_repair_is_verified_is_another_fault() -> None:
    first = 2 * STEADY
    rows = spell(0, first)
    for number in (first, first + 40, first + 80):
        rows += [*broken(number), *spell(number + 1, number + 40)]
    station = Station([start_of(first + 120)]).feed([*rows, *spell(first + 120, first + 150)])
    (contact,) = station.tracker.memory.faults
    assert contact.state == FaultState.VERIFYING
    station.feed(spell(first + 150, first + 210, swr=1.5))
    assert [row.change for row in station.changes if row.opened_ns != contact.opened_ns] == [
        FaultChangeKind.OPENED
    ]


def opens_to(first: int, past: int, peaks: Sequence[float]) -> list[Row]:
    """Transmissions with an excursion each, to peaks by turns."""
    rows: list[Row] = []
    for number in range(first, past):
        rows.append(excursion(start_of(number) + SECOND, peaks[number % len(peaks)]))
        rows.append(over(number))
    return rows


def test_two_contacts_open_to_reflections_of_their_own() -> None:
    rows = [*spell(0, 3), *broken(3)]
    partly = [2.0 + 0.25 * number for number in range(30)]
    peaks = [peak for part in partly for peak in (30.0, part)]
    assert Station().feed([*rows, *opens_to(4, 300, peaks)]).story == ["opened"]
    station = Station().feed([*rows, *opens_to(4, 200, [30.0, 30.0, 6.0])])
    assert station.story == ["opened", "opened"]
    first, second = station.changes
    assert second.summary.startswith(
        "Feedline or antenna: a contact opens to an SWR of about 5.5, another one than that of the"
        " fault of 1 March, which opens to about "
    )
    later = {row.swr_peak: row.fault_ns for row in station.rows[-12:] if isinstance(row, Excursion)}
    assert later == {30.0: first.opened_ns, 6.0: second.opened_ns}


def test_each_comparison_of_sessions_is_recognised() -> None:
    shift = level.Change(-1.4, 9.0, 0.7, 9.0, True, 2, 2, 0.05, True)
    changes = [
        shift,
        shift._replace(ln_rho=None),
        shift._replace(ln_rho=0.0),
        shift._replace(ln_w=0.0, lift=0.0, ln_rho=-0.7, z=-9.0),
    ]
    for change in changes:
        detail = level._words(change, standing=False)
        assert detail is not None
        row = alarm("detector-fault", T0, detail=detail)
        assert isinstance(row, AlarmChange)
        assert is_weak(row)


# --- quiet, and back ---


def test_a_rare_fault_needs_a_longer_silence_to_be_quiet() -> None:
    often = Station().feed([*broken(0), *spell(1, 100, every=2), *spell(100, 1000)])
    rarely = Station().feed([*broken(0), *spell(1, 100, every=40), *spell(100, 1000)])
    (_, quick), (_, slow) = often.changes, rarely.changes
    assert quick.change == slow.change == FaultChangeKind.QUIET
    assert (quick.time_ns - start_of(98)) // GAP == 24 * 3  # a day at least
    assert (slow.time_ns - start_of(80)) // GAP > 72
    assert quick.state == FaultState.QUIET
    assert "before that, one transmission in 2 had one" in quick.summary


def test_a_fault_with_an_open_alarm_is_not_quiet() -> None:
    station = Station().feed([*broken(0), alarm("heating-joint", start_of(1)), *spell(1, 500)])
    assert station.story == ["opened"]


def test_a_level_that_has_not_come_back_is_not_quiet() -> None:
    """The rule has adopted the new level and cleared its alarm: the water is still there."""
    station = Station().feed([*spell(0, 50), alarm("baseline-shift", start_of(50) - HOUR // 10)])
    station.feed([*spell(50, 60, swr=1.6), alarm("baseline-shift", start_of(60), "cleared")])
    station.feed(spell(61, 500, swr=1.6))
    assert station.story == ["opened"]
    station.feed(spell(500, 1000, swr=1.2))
    assert station.story == ["opened", "quiet"]


def test_a_quiet_fault_returns_by_an_excursion_at_the_end_of_its_transmission() -> None:
    station = Station().feed([*broken(0), *spell(1, 300)])
    assert station.story == ["opened", "quiet"]
    station.feed([excursion(start_of(300) + SECOND)])
    assert station.story[2:] == []
    station.feed([over(300)])
    assert station.story[2:] == ["returned"]
    assert station.changes[-1].summary == (
        "The fault is back, 299 transmissions after its last sign on 1 March:"
        " 1 excursion in one transmission"
    )
    assert station.changes[-1].state == FaultState.OPEN


def test_a_quiet_fault_is_closed_in_time() -> None:
    station = Station(days=30).feed([*broken(0), *spell(1, 300)])
    quiet_ns = station.changes[-1].time_ns
    station.wait(quiet_ns + 30 * DAY_NS - 1)
    assert station.story == ["opened", "quiet"]
    station.wait(start_of(0) + 40 * DAY_NS)
    closed = station.changes[-1]
    assert closed.change == FaultChangeKind.CLOSED
    assert closed.time_ns == quiet_ns + 30 * DAY_NS
    assert closed.summary == "No sign for 30 days and 299 transmissions"
    station.feed(broken(5000))
    assert station.story[-1] == "opened"


# --- repairs ---


def repaired(every: int, after: Sequence[Row], swr: float = 1.21) -> Station:
    """A loose plug, repaired before transmission 200."""
    station = Station(work_ns=[start_of(200) - HOUR // 10])
    station.feed([*spell(0, 30), *broken(30), *spell(31, 200, every=every, swr=swr)])
    return station.feed(after)


def test_a_repair_is_verified_by_clean_transmissions() -> None:
    station = repaired(3, spell(200, 300))
    assert station.story == ["opened", "repaired", "closed"]
    noted, closed = station.changes[1:]
    assert noted.time_ns == noted.work_ns == start_of(200) - HOUR // 10
    assert noted.state == FaultState.VERIFYING
    assert noted.summary.startswith("Work noted on 4 March, after 1 alarm and 56 excursions; ")
    promised = int(noted.summary.split("; ")[1].split()[0])
    number = (closed.time_ns - start_of(200)) // GAP + 1
    assert number == promised <= 20
    assert closed.summary == (
        f"{number} transmissions since the repair on 4 March: no excursions, SWR 1.21 as before."
        " Fixed (99 %)"
    )
    assert station.tracker.memory.faults == []


def test_a_failed_repair_is_not_called_fixed() -> None:
    station = repaired(3, spell(200, 300, every=3))
    assert station.story[:3] == ["opened", "repaired", "returned"]
    assert "signs in 2 of" in station.changes[2].summary
    assert "closed" not in station.story


def test_an_alarm_after_the_repair_returns_the_fault_at_once() -> None:
    station = repaired(3, [*spell(200, 204), *broken(204)])
    assert station.story == ["opened", "repaired", "returned"]
    assert station.changes[-1].time_ns == start_of(204) + SECOND
    assert (
        "4 transmissions after the work on 4 March: high-swr raised" in station.changes[-1].summary
    )


def test_transmissions_on_another_antenna_are_no_trials_of_a_repair() -> None:
    def on(antenna: str, rows: list[Row]) -> list[Row]:
        return [
            msgspec.structs.replace(row, antenna=antenna) if isinstance(row, Transmission) else row
            for row in rows
        ]

    rows = [*broken(0), *spell(1, 100, every=3), *spell(100, 200, every=3)]
    station = Station(work_ns=[start_of(200) - HOUR // 10]).feed(on("mast", rows))
    station.feed(on("wire", spell(200, 300)))
    assert station.story == ["opened", "repaired"]
    station.feed(on("mast", spell(300, 340)))
    assert station.story == ["opened", "repaired", "closed"]
    assert " 100 " not in station.changes[-1].summary


def test_one_excursion_after_a_repair_does_not_decide() -> None:
    after = [*spell(200, 205), *spell(205, 206, every=1), *spell(206, 300)]
    assert repaired(3, after).story == ["opened", "repaired", "closed"]


def test_a_repair_in_a_pause_needs_a_longer_silence_than_the_pause() -> None:
    rows = [*broken(30), *spell(31, 150, every=3), *spell(150, 190)]
    station = Station(work_ns=[start_of(190) - HOUR // 10]).feed([*spell(0, 30), *rows])
    station.feed(spell(190, 900))
    number = (station.changes[-1].time_ns - start_of(190)) // GAP + 1
    assert station.story == ["opened", "repaired", "closed"]
    assert number > 40


def test_a_shift_is_verified_by_its_level() -> None:
    def after(swr: float) -> Station:
        station = Station(work_ns=[start_of(120) - HOUR // 10]).feed(spell(0, 50))
        station.feed([alarm("baseline-shift", start_of(50) - HOUR // 10), *spell(50, 120, swr=1.6)])
        station.feed(
            [over(120, swr), alarm("baseline-shift", start_of(120) + HOUR // 30, "cleared")]
        )
        return station.feed(spell(121, 220, swr=swr))

    assert after(1.21).story == after(1.1).story == ["opened", "repaired", "closed"]
    assert "SWR 1.10 instead of 1.21" in after(1.1).changes[-1].summary
    still = after(1.5)
    assert still.story == ["opened", "repaired", "returned"]
    assert still.changes[-1].summary.endswith("SWR 1.50; before the fault it was 1.21")


def test_an_alarm_that_was_open_at_the_repair_clears_with_the_first_transmission() -> None:
    rows: list[Row] = [alarm("high-swr", start_of(10) + SECOND, start_ns=start_of(10))]
    station = Station(work_ns=[start_of(20) - HOUR // 10])
    station.feed([*spell(0, 10), *rows, *spell(10, 20, swr=5.0)])
    station.feed([alarm("high-swr", start_of(20) + SECOND, "cleared"), *spell(20, 60)])
    assert station.story == ["opened", "repaired", "closed"]


def test_work_before_the_last_sign_repairs_nothing() -> None:
    station = Station(work_ns=[start_of(1)]).feed([*broken(0), *broken(2)])
    assert station.story == ["opened", "repaired", "returned"]
    late = Station().feed([*broken(0), *broken(2)])
    late.tracker.know_work([start_of(1)])  # noted afterwards
    assert late.wait(start_of(3)).story == ["opened"]


@pytest.mark.parametrize(
    ("after", "story"),
    [
        (spell(4, 6), ["opened", "closed"]),
        (spell(4, 6, every=1), ["opened"]),
        (broken(4), ["opened"]),
    ],
    ids=["sound", "excursions", "high-swr"],
)
def test_an_open_end_keyed_to_check_the_coupler_is_no_fault(
    after: list[Row], story: list[str]
) -> None:
    station = Station().feed(spell(0, 3))
    open_end = over(3, 30.0)
    station.feed([alarm("high-swr", start_of(3) + SECOND, start_ns=start_of(3)), open_end])
    station.tracker.know_checks([(open_end.start_ns, open_end.end_ns)])  # stored by the check
    station.feed([alarm("high-swr", start_of(4) + 1, "cleared"), *after])
    assert station.story == story


def test_a_line_left_off_after_a_check_is_a_fault() -> None:
    station = Station()
    station.tracker.know_checks([(start_of(3), over(3).end_ns)])
    station.feed([alarm("high-swr", start_of(3) + SECOND), over(3, 30.0), over(4, 30.0)])
    station.feed([alarm("high-swr", start_of(5) + 1, "cleared"), *spell(5, 9)])
    assert station.story == ["opened"]


# --- data and instrument ---


def test_missing_data_is_quiet_once_data_is_back_and_closed_after_days() -> None:
    rows = [alarm("no-data", T0), alarm("no-data", T0 + HOUR, "cleared")]
    station = Station().feed(rows).feed([alarm("no-data", T0 + HOUR + SECOND)])
    station.feed([alarm("no-data", T0 + 2 * HOUR, "cleared")]).wait(T0 + 3 * HOUR)
    assert station.story == ["opened", "quiet"]
    quiet = station.changes[-1]
    assert quiet.time_ns == T0 + 3 * HOUR
    assert quiet.summary == "Data have arrived again since 1 March 21:00 UTC, after 2 interruptions"
    station.wait(T0 + 4 * DAY_NS)
    assert station.story == ["opened", "quiet", "closed"]
    assert station.changes[-1].time_ns == T0 + 2 * HOUR + 3 * DAY_NS


def test_data_missing_again_within_days_is_the_same_fault() -> None:
    rows = [alarm("no-data", T0), alarm("no-data", T0 + HOUR, "cleared")]
    station = Station().feed(rows).feed([alarm("no-data", T0 + 2 * DAY_NS)])
    assert station.story == ["opened", "quiet", "returned"]
    summary = "The fault is back; data had arrived since 1 March 20:00 UTC: no-data raised"
    assert station.changes[-1].summary == summary


def test_an_instrument_is_quiet_and_returns() -> None:
    rows = [alarm(detector_fault.KIND, T0), alarm(detector_fault.KIND, T0 + HOUR, "cleared")]
    station = Station().feed(rows).wait(T0 + 5 * HOUR)
    assert station.story == ["opened", "quiet"]
    assert station.changes[-1].time_ns == T0 + 2 * HOUR
    assert station.feed([alarm(detector_fault.KIND, T0 + 6 * HOUR)]).story[-1] == "returned"


# --- what must not matter ---

KINDS_OF_ROWS = (
    "baseline-shift",
    "intermittent-contact",
    "heating-joint",
    "detector-fault",
    "no-data",
)
Stream = tuple[list[Row], list[int]]


def stream_of(seed: int) -> Stream:
    """Rows of a station in order of time, as its rules would report them, and times of work."""
    draw = random.Random(seed)
    rows: list[Row] = []
    raised: set[str] = set()
    number = 0
    for _ in range(draw.randint(1, 8)):
        number += draw.choice([1, 5, 200])
        every, swr, unrest = draw.randint(0, 4), draw.choice([1.2, 1.21, 1.5]), draw.random() / 4
        for _ in range(draw.randint(1, 60)):
            start_ns = start_of(number)
            if every and number % every == 0:
                rows += [excursion(start_ns + SECOND), excursion(start_ns + 2 * SECOND)]
            if draw.random() < unrest:
                kind = draw.choice(["high-swr", "sudden-change"])
                is_open = kind in raised
                time_ns = start_ns + (SECOND // 2 if is_open else SECOND + 50_000_000)
                change = "cleared" if is_open else "raised"
                rows.append(alarm(kind, time_ns, change, start_ns=start_ns))
                raised ^= {kind}
            if draw.random() < 0.3:
                rows.append(WeatherRow(time_ns=start_ns - SECOND, wind_m_s=9 * draw.random()))
            row = over(number, swr)
            rows.append(row)
            if draw.random() < unrest:
                kind = draw.choice(KINDS_OF_ROWS)
                change = "cleared" if kind in raised else "raised"
                rows.append(alarm(kind, row.end_ns + 1000, change, start_ns=start_ns))
                raised ^= {kind}
            number += 1
    rows.sort(key=time_of)
    work = [draw.randint(1, number) for _ in range(draw.randint(0, 3))]
    return rows, sorted({start_of(place) - HOUR // 10 for place in work})


seeds = st.integers(0, 1 << 32)


def batches(rows: list[Row], cuts: Sequence[int]) -> list[list[Row]]:
    edges = sorted({0, len(rows), *(cut % (len(rows) + 1) for cut in cuts)})
    return [rows[first:past] for first, past in pairwise(edges)]


def by_time(rows: Sequence[Row]) -> list[Row]:
    """Rows other than memories, in an order of their own."""
    return sorted((row for row in rows if not isinstance(row, Memory)), key=repr)


def run(
    parts: Sequence[Sequence[Row]], work_ns: Sequence[int], *, killed: bool = False
) -> list[Row]:
    options = FaultsOptions(close_after_days=3)
    tracker = FaultTracker(options)
    tracker.know_work(work_ns)
    returned: list[Row] = []
    for part in parts:
        rows = tracker.update(part, max(map(time_of, part)))
        returned += rows
        if killed:
            memories = {row.rule: row.content for row in returned if isinstance(row, Memory)}
            tracker = FaultTracker(options, memories)
            tracker.know_work(work_ns)
    return returned


@examples(12)
@given(seeds, st.lists(st.integers(0, 10_000), max_size=30))
def test_neither_batches_nor_kills_matter(seed: int, cuts: list[int]) -> None:
    rows, work_ns = stream_of(seed)
    whole = run([rows], work_ns)
    singly = run([[row] for row in rows], work_ns)
    assert by_time(whole) == by_time(singly)
    parts = batches(rows, cuts)
    assert by_time(run(parts, work_ns)) == by_time(singly)
    assert by_time(run(parts, work_ns, killed=True)) == by_time(singly)


@examples(12)
@given(seeds, st.lists(st.integers(0, 20), min_size=1))
def test_excursions_may_come_late(seed: int, delays: list[int]) -> None:
    """They are certain only after their time, but before their transmission is reported."""
    rows, work_ns = stream_of(seed)
    late: list[Row] = []
    waiting: list[Row] = []
    for number, row in enumerate(rows):
        if isinstance(row, Transmission):
            late += [*waiting, row]
            waiting = []
        elif isinstance(row, Excursion) and delays[number % len(delays)] > 10:
            waiting.append(row)
        else:
            late.append(row)
    late += waiting
    singly = run([[row] for row in rows], work_ns)
    assert by_time(run([[row] for row in late], work_ns)) == by_time(singly)


@examples(12)
@given(seeds)
def test_a_story_is_well_formed(seed: int) -> None:
    rows, work_ns = stream_of(seed)
    stories: dict[int, list[FaultChange]] = {}
    for row in run([[row] for row in rows], work_ns):
        if isinstance(row, FaultChange):
            stories.setdefault(row.opened_ns, []).append(row)
    for story in stories.values():
        assert story[0].change == FaultChangeKind.OPENED
        assert story[0].first_ns <= story[0].opened_ns == story[0].time_ns
        assert all(a.time_ns <= b.time_ns for a, b in pairwise(story))
        assert all(row.state != FaultState.CLOSED for row in story[:-1])
        for before, row in pairwise(story):
            if row.change == FaultChangeKind.RETURNED:
                assert before.state in (FaultState.QUIET, FaultState.VERIFYING)
            if row.change == FaultChangeKind.QUIET:
                assert before.state == FaultState.OPEN
            if row.change == FaultChangeKind.REPAIRED:
                assert row.work_ns in work_ns


def test_a_correction_of_the_clock_moves_the_memory() -> None:
    station = Station().feed([*spell(0, 5, every=2), *broken(5), excursion(start_of(6) + SECOND)])
    memory = station.tracker.memory
    content = msgspec.json.encode(memory)
    moved = redate(content, Shift(T0 - 1, start_of(10), 7 * SECOND))
    tracker = FaultTracker(FaultsOptions(), {KIND: moved})
    (fault,), (former,) = tracker.memory.faults, memory.faults
    assert fault.opened_ns == former.opened_ns + 7 * SECOND
    assert fault.first_ns == former.first_ns + 7 * SECOND
    assert fault.before == former.before
    assert [item.time_ns for item in tracker.memory.pending] == [start_of(6) + 8 * SECOND]
    assert redate(moved, Shift(T0 - 1, start_of(11), -7 * SECOND)) == content
    assert redate(content, Shift(0, T0 - HOUR, SECOND)) == content


def test_an_unreadable_memory_is_forgotten() -> None:
    assert FaultTracker(FaultsOptions(), {KIND: b'{"faults": 1}'}).memory.faults == []


# --- the statistics ---


def course(signs: Sequence[int], size: int = 20) -> list[Session]:
    """Sessions of `size` transmissions, one a day, with so many signs."""
    return [Session(T0 + day * DAY_NS, size, number) for day, number in enumerate(signs)]


def fault_of(signs: Sequence[int], size: int = 20) -> FaultMemory:
    return FaultMemory(
        opened_ns=T0,
        first_ns=T0,
        family=FaultFamily.FEEDLINE,
        severity=Severity.WARNING,
        sign_ns=T0,
        sessions=course(signs, size),
    )


def test_the_sequential_test_needs_more_transmissions_for_rarer_signs() -> None:
    assert repair.needed(fault_of([20] * 8)) == repair.LEAST
    # With a known rate log(99) / (0.1 - 0.005), 48; more as it is not known well.
    number = repair.needed(fault_of([2] * 20))
    assert number is not None
    assert 48 < number < 80
    assert (repair.needed(fault_of([0, 1, 0, 0, 1, 0, 1])) or 1000) > 200


def test_a_fault_that_pauses_for_whole_sessions_needs_more_of_them() -> None:
    steady, pausing = fault_of([4] * 12), fault_of([0, 12, 0, 0] * 3)
    assert share(steady.sessions) > share(pausing.sessions)
    few, many = repair.needed(steady), repair.needed(pausing)
    assert few is not None
    assert few < 40
    assert many is None or many > 4 * few


def test_a_growing_rate_is_not_taken_for_an_unsteady_one() -> None:
    """Sessions of the same sizes in another order leave the rate of the next one open."""
    growing, mixed = fault_of([1, 1, 2, 3, 5, 8, 12]), fault_of([8, 1, 12, 1, 5, 3, 2])
    number = repair.needed(growing)
    assert number is not None
    assert number < (repair.needed(mixed) or 1000) / 1.5


def test_calm_days_do_not_verify_the_repair_of_a_contact_that_the_wind_moves() -> None:
    winds = [2.0, 7.0, 1.0, 6.0, 8.0, 2.5, 1.5, 6.5]
    before = [
        msgspec.structs.replace(session, wind_m_s=wind_m_s)
        for session, wind_m_s in zip(
            course([10 * (wind > 5) for wind in winds]), winds, strict=True
        )
    ]

    def silence(wind_m_s: float | None) -> float:
        return ln_probability(before, [Session(T0 + 9 * DAY_NS, 30, 0, wind_m_s)])

    assert silence(2.0) > -0.5
    assert silence(7.0) < -4
    assert silence(2.0) > silence(None) > silence(7.0)


def test_probabilities_of_a_course_multiply() -> None:
    whole = course([3, 0, 5, 2])
    first, later = whole[:2], whole[2:]
    assert ln_probability(first, []) == 0
    both = ln_probability(first, later[:1]) + ln_probability([*first, later[0]], later[1:])
    assert math.isfinite(both)
    halves = [Session(whole[1].start_ns, 12), Session(whole[1].start_ns, 8)]
    assert join(join(whole[:1], halves[:1]), halves[1:]) == first


def test_the_session_of_the_repair_shows_more_than_another() -> None:
    """Weather that opened the contact a minute ago still blows; that of tomorrow may not."""
    before = course([0, 0, 10])
    same, other = Session(before[-1].start_ns, 15), Session(T0 + 5 * DAY_NS, 15)
    assert ln_probability(before, [same]) < ln_probability(before, [other]) - 1


def test_a_fault_of_the_level_is_tried_where_it_showed() -> None:
    fault = fault_of([])
    fault.is_lasting = True
    fault.sessions = [Session(T0, 20, 20, channel="9"), Session(T0, 15, 0, channel="22")]
    assert not repair.is_trial(fault, "9", 1.0)  # only alarms showed it
    fault.during = {"9": Level(20, 0.3, 1e-4)}
    assert repair.is_trial(fault, "9", 1.0)
    assert not repair.is_trial(fault, "22", 4.0)
    fault.recent = [Session(T0 + DAY_NS, 40, 0, channel="22")]
    assert repair.score(fault) < 0  # nothing about channel 9
    fault.recent = [Session(T0 + DAY_NS, 20, 0, channel="9")]
    assert repair.score(fault) > 3
    fault.kinds, fault.shown = [AlarmKind.HEATING_JOINT], {"9": Level(20, 4.0, 0.1)}
    assert repair.is_trial(fault, "9", 3.0)
    assert not repair.is_trial(fault, "9", 1.0)  # that heats nothing


def levels_after(before: float, during: float, after: float) -> FaultMemory:
    fault = fault_of([20])
    fault.before = {"9": Level(50, before, 1e-5), "22": Level(50, 0.1, 1e-5)}
    fault.during = {"9": Level(20, during, 1e-5)}
    fault.after = {"9": Level(10, after, 1e-5)}
    return fault


def test_the_level_after_a_repair_may_differ_by_a_share_of_the_shift() -> None:
    assert evidence.compare_level(levels_after(0.1, 0.4, 0.17))
    assert evidence.compare_level(levels_after(0.1, 0.4, 0.22)) is False
    assert evidence.compare_level(levels_after(0.1, 0.4, 0.01))  # a better one
    assert evidence.compare_level(levels_after(0.2, 0.08, 0.19))
    assert evidence.compare_level(levels_after(0.2, 0.08, 0.1)) is False  # still reads low


def test_work_may_move_the_level_of_a_channel_that_did_not_show_the_fault() -> None:
    fault = levels_after(0.1, 0.4, 0.1)
    assert evidence.is_off_level(fault, "22", 0.2)
    fault.state = FaultState.VERIFYING
    assert not evidence.is_off_level(fault, "22", 0.2)
    assert evidence.is_off_level(fault, "9", 0.38)
    assert not evidence.is_off_level(fault, "9", 0.15)


def judged(before: float, latest: float, after: float) -> list[repair.Verdict | None]:
    """Verdicts after a repair of a level that was off on the last day only, so with few signs."""
    fault = levels_after(before, latest, after)
    fault.is_lasting, fault.sessions, fault.after = True, course([0, 0, 0, 3]), {}
    fault.sessions[-1].channel = "9"
    for _ in range(20):
        evidence.learn_latest(fault, "9", latest)
    repair.begin(fault, start_of(0) - HOUR)
    row = transmission(start_of(0), swr=(1 + after) / (1 - after), channel=9)
    return [repair.judge(fault, row, Session(T0, 1, channel="9")) for _ in range(30)]


def test_the_level_just_before_a_repair_tells_sooner_than_signs_whether_it_worked() -> None:
    assert judged(0.1, 0.16, 0.105)[:10] == [*[None] * 9, repair.Verdict.FIXED]
    assert judged(0.1, 0.16, 0.165)[9] == repair.Verdict.LEVEL
    assert judged(0.1, 0.16, 0.2)[9] == repair.Verdict.LEVEL  # it has grown since
    assert judged(0.1, 0.115, 0.11)[9] is None  # too near to tell


def test_an_open_alarm_of_heat_is_no_sign_of_each_transmission() -> None:
    """Work clears it, so that silence after the work would say nothing."""
    rows = [*spell(0, 50), alarm("heating-joint", start_of(50) - HOUR // 10), *spell(50, 80)]
    station = Station(work_ns=[start_of(80) - HOUR // 10]).feed([*rows, over(80)])
    (fault,) = station.tracker.memory.faults
    assert sum(session.signs for session in fault.sessions) == 1
    station.feed([alarm("heating-joint", start_of(80) + 10 * SECOND, "cleared"), *spell(81, 160)])
    assert station.story == ["opened", "repaired"]


def test_less_power_than_that_of_the_signs_does_not_prove_a_repair_of_a_level() -> None:
    work_ns = start_of(KNOWN + 60) - HOUR // 10

    def story(watts: float) -> Station:
        rows = [*spell(0, KNOWN), *spell(KNOWN, KNOWN + 60, swr=1.6)]
        rows.insert(KNOWN, alarm("baseline-shift", start_of(KNOWN) - SECOND))
        rows.append(alarm("baseline-shift", work_ns + SECOND, "cleared"))
        after = [
            msgspec.structs.replace(over(KNOWN + 60 + number), forward_w_mean=watts)
            for number in range(60)
        ]
        return Station(work_ns=[work_ns]).feed([*rows, *after])

    usual_w = over(0).forward_w_mean
    assert story(usual_w).story == ["opened", "repaired", "closed"]
    low = story(usual_w / 4)
    assert low.story == ["opened", "repaired"]
    assert f" at {usual_w / 2:.2g} W or more" in low.changes[-1].summary


def test_a_session_is_divided_where_the_wind_changes() -> None:
    winds = [2.0, 2.2, 5.0]
    parts = join(
        [], [Session(T0, 1, signs, wind) for signs, wind in zip([0, 0, 1], winds, strict=True)]
    )
    assert [(part.transmissions, part.signs) for part in parts] == [(2, 0), (1, 1)]


def test_a_level_that_cannot_be_compared_does_not_prove_a_repair() -> None:
    fault = levels_after(0.1, 0.2, 0.1)
    fault.is_lasting, fault.sessions, fault.before = True, course([20] * 5), {}
    fault.sessions = [msgspec.structs.replace(item, channel="9") for item in fault.sessions]
    repair.begin(fault, start_of(0) - HOUR)
    row = transmission(start_of(0), swr=1.5, channel=9)
    assert {repair.judge(fault, row, Session(T0, 1, channel="9")) for _ in range(60)} == {None}


def test_a_joint_that_still_heats_is_not_called_fixed() -> None:
    """The alarm was cleared by the work, and needs several transmissions to be raised again."""
    rows: list[Row] = [*spell(0, 50), alarm("heating-joint", start_of(50) - HOUR // 10)]
    station = Station(work_ns=[start_of(80) - HOUR // 10])
    station.feed([*rows, *spell(50, 80, swr=1.5), over(80, 1.5)])
    station.feed([alarm("heating-joint", start_of(80) + 10 * SECOND, "cleared")])
    station.feed(spell(81, 120, swr=1.5))
    assert station.story == ["opened", "repaired", "returned"]


def test_a_level_fades_and_knows_its_scatter() -> None:
    levels: dict[str, object] = {}
    typed = msgspec.convert(levels, dict[str, evidence.Level])
    for number in range(2000):
        evidence.learn_level(typed, "20", 0.1 + 0.01 * (-1) ** number)
    learned = typed["20"]
    assert abs(learned.mean - 0.1) < 2e-4
    assert abs(learned.variance - 1e-4) < 5e-6
    assert abs(learned.count - 1 / (1 - evidence.LEVEL_FADES)) < 1e-6
