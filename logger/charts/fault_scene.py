"""Collects from the store what a chart of a fault shows.

The course of transmissions and signs, changes, journal, captures.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, tzinfo
from typing import NamedTuple

import numpy as np

from logger.blocks import Floats, Times
from logger.calibration.file import CalibrationFile
from logger.charts.scenes import Scene, of_capture, same_place
from logger.errors import StoreError
from logger.physics.reflection import rho_of_swr
from logger.places import place_name
from logger.rows import Alarm, Fault, FaultChangeKind, FaultState
from logger.store.faults import STATES, Faults
from logger.store.reader import Store
from logger.store.tables import JOURNAL
from logger.trend.account import channel_name
from logger.utc import DAY_NS, parse_time

MOST_CAPTURES = 4
LEAD, LEAST_LEAD_NS, MOST_LEAD_NS = 0.25, 60_000_000_000, 14 * DAY_NS  # shown before first sign,
LEAD_TRANSMISSIONS = 5  # and more if that shows so many transmissions
TAIL = 0.03
USUAL = 20  # transmissions before the first sign that give the level before


class Note(NamedTuple):
    """A change of the fault, or an entry of the journal."""

    time_ns: int
    kind: str
    text: str
    is_change: bool


class Course(NamedTuple):
    """Ended transmissions on one channel, in order of time.

    start_ns, end_ns  (n,)
    rho, peak         (n,) mean and highest reflection coefficient; NaN if not readable
    usual             mean before the first sign, None if unknown
    """

    name: str
    start_ns: Times
    end_ns: Times
    rho: Floats
    peak: Floats
    usual: float | None


class Stretch(NamedTuple):
    """Time that a fault spent in a state."""

    begin_ns: int
    end_ns: int
    state: FaultState


class FaultTimes(NamedTuple):
    """First sign of a fault, time to show, and what happened then."""

    first_ns: int
    span_ns: tuple[int, int]
    notes: list[Note]


class FaultScene(NamedTuple):
    """Content of the chart of a fault; channels with most transmissions first."""

    fault: Fault
    station: str
    first_ns: int
    span_ns: tuple[int, int]
    courses: list[Course]
    excursions_ns: Times
    alarms: list[Alarm]
    notes: list[Note]
    states: list[Stretch]
    captures: list[Scene]
    captured: int  # captures of the fault, of which `captures` are some
    zone: tzinfo = UTC  # of the times shown


def of_fault(
    store: Store,
    fault_id: int,
    station: str,
    min_forward_w: float = 0.0,
    present: CalibrationFile | None = None,
) -> FaultScene:
    """Return the scene of a fault, with captures only if the present calibration is given.

    Raise UsageError if there is no such fault, StoreError.
    """
    fault = Faults(store.database).fault(fault_id)
    times = times_of(store, fault_id)
    excursions = store.database.query(
        "SELECT time_ns FROM excursions WHERE fault_id = ? ORDER BY time_ns", (fault_id,)
    )
    capture_ids = _captures(store, fault_id)
    scenes = []
    if present is not None:
        for capture_id in _spread(capture_ids, MOST_CAPTURES):
            with suppress(StoreError):  # its pairs are past retention
                scenes.append(of_capture(store, capture_id, station, min_forward_w, present))
    return FaultScene(
        fault=fault,
        station=station,
        first_ns=times.first_ns,
        span_ns=times.span_ns,
        courses=_courses(store, times.span_ns, times.first_ns),
        excursions_ns=np.array(excursions, dtype=np.int64).reshape(-1),
        alarms=store.alarms("r.fault_id = ? ORDER BY r.raised_ns", fault_id),
        notes=times.notes,
        states=list(_states(times)),
        captures=scenes,
        captured=len(capture_ids),
    )


def times_of(store: Store, fault_id: int) -> FaultTimes:
    """Return the time to show of a fault that exists, with its changes and the journal in order.

    It ends with the last change or sign, or while the fault is not closed, with the last
    transmission or work.
    """
    faults, database = Faults(store.database), store.database
    first_ns = faults.first_sign_ns(fault_id)
    changes = [
        Note(parse_time(event.utc, 0), event.change, event.fault.summary, True)
        for event in faults.changes(fault_id)
    ]
    latest = [
        database.query_value(
            f"SELECT max(max(coalesce({end}, 0), {begin})) FROM {table} WHERE fault_id = ?",
            (fault_id,),
        )
        for table, begin, end in (
            ("alarms", "raised_ns", "cleared_ns"),
            ("excursions", "time_ns", "time_ns"),
        )
    ]
    if changes[-1].kind != FaultChangeKind.CLOSED:
        latest.append(database.query_value("SELECT max(end_ns) FROM transmissions"))
        latest += store.work()[-1:]
    last_ns = max(first_ns, changes[-1].time_ns, *(time_ns or 0 for time_ns in latest))
    length_ns = last_ns - first_ns
    lead_ns = min(_lead_ns(store, first_ns, length_ns), MOST_LEAD_NS)
    span_ns = first_ns - lead_ns, last_ns + round(TAIL * (length_ns + lead_ns))
    entries = [
        Note(row.time_ns, row.columns["kind"], row.columns["text"], False)
        for row in store.select(JOURNAL, "r.time_ns BETWEEN ? AND ? ORDER BY r.time_ns", *span_ns)
    ]
    notes = sorted(changes + entries, key=lambda note: note.time_ns)
    return FaultTimes(first_ns, span_ns, notes)


def _lead_ns(store: Store, first_ns: int, length_ns: int) -> int:
    """Return the time to show before the first sign: more than the fault's only if it is short."""
    earlier = store.database.query(
        "SELECT start_ns FROM transmissions WHERE ended AND end_ns < ?"
        f" ORDER BY start_ns DESC LIMIT {LEAD_TRANSMISSIONS}",
        (first_ns,),
    )
    before_ns = first_ns - earlier[-1][0] if earlier else 0
    return max(round(LEAD * length_ns), LEAST_LEAD_NS, min(before_ns * 11 // 10, length_ns))


def _courses(store: Store, span_ns: tuple[int, int], first_ns: int) -> list[Course]:
    rows = store.database.query(
        "SELECT channel, frequency_khz, antenna, start_ns, end_ns, swr, max(swr_max, swr)"
        " FROM transmissions WHERE ended AND start_ns BETWEEN ? AND ? ORDER BY start_ns",
        span_ns,
    )
    by_name: dict[str, list[tuple[float, ...]]] = {}
    places: dict[str, tuple[int | None, float | None, str | None]] = {}
    for channel, khz, antenna, *row in rows:
        name = place_name(channel, khz, antenna, "all readings")
        places.setdefault(name, (channel, khz, antenna))
        by_name.setdefault(name, []).append(tuple(row))
    courses = []
    for name, table in sorted(by_name.items(), key=lambda item: -len(item[1])):
        start_ns, end_ns = (np.array([row[n] for row in table], np.int64) for n in (0, 1))
        rho, peak = (_rho([row[n] for row in table]) for n in (2, 3))
        usual = _usual(store, places[name], first_ns)
        courses.append(Course(channel_name(*places[name]), start_ns, end_ns, rho, peak, usual))
    return courses


def _rho(swrs: list[float]) -> Floats:
    return np.asarray(rho_of_swr(np.array(swrs, dtype=np.float64)))


def _usual(
    store: Store, place: tuple[int | None, float | None, str | None], first_ns: int
) -> float | None:
    where, values = same_place(*place)
    swrs = store.database.query(
        f"SELECT swr FROM transmissions AS r WHERE ended AND swr IS NOT NULL AND {where}"
        " AND end_ns < ? ORDER BY start_ns DESC LIMIT ?",
        (*values, first_ns, USUAL),
    )
    return float(np.median(_rho([swr for (swr,) in swrs]))) if swrs else None


def _states(times: FaultTimes) -> Iterator[Stretch]:
    turns = [
        (note.time_ns, STATES[FaultChangeKind(note.kind)])
        for note in times.notes
        if note.is_change and note.kind in STATES
    ]
    ends = [time_ns for time_ns, _ in turns[1:]] + [times.span_ns[1]]
    for (time_ns, state), end_ns in zip(turns, ends, strict=True):
        yield Stretch(time_ns, end_ns, state)


def _captures(store: Store, fault_id: int) -> list[int]:
    """Return the captures of a fault's excursions and alarms, in order of time."""
    rows = store.database.query(
        "SELECT id FROM captures WHERE id IN"
        " (SELECT capture_id FROM excursions WHERE fault_id = ?1"
        " UNION SELECT capture_id FROM alarms WHERE fault_id = ?1) ORDER BY first_ns",
        (fault_id,),
    )
    return [capture_id for (capture_id,) in rows]


def _spread(ids: list[int], most: int) -> list[int]:
    """Return at most so many of the ids, evenly spread, with the first and the last."""
    places = np.linspace(0, len(ids) - 1, min(most, len(ids)))
    return [ids[round(place)] for place in places]
