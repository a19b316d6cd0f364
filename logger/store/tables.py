"""Exported form of the tables: columns, their order and their format."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from logger.rows import (
    Alarm,
    AlarmEvent,
    AlarmKind,
    Fault,
    FaultEvent,
    FaultState,
    Flag,
    Severity,
    Trust,
)
from logger.utc import DAY_NS, format_ns

HIGHEST = (1 << 63) - 1  # integer of SQLite
PROVISIONAL = Trust.PROVISIONAL.value


class Record(NamedTuple):
    """One row: id, UTC nanoseconds, channel and antenna if known; the exported columns in order."""

    id: int
    time_ns: int
    channel: int | None
    columns: dict[str, Any]
    antenna: str | None = None


# Reported by the daemon: an ended transmission, or the change of an alarm or a fault.
Event = Record | AlarmEvent | FaultEvent


def is_dated(*times: str) -> str:
    """Return the SQL condition for forwarding: none of these times (expressions) is provisional."""
    inside = " OR ".join(
        f"{time} BETWEEN b.since_ns AND coalesce(b.until_ns, {HIGHEST})" for time in times
    )
    return f"NOT EXISTS (SELECT 1 FROM boots AS b WHERE b.trust = '{PROVISIONAL}' AND ({inside}))"


class Column(NamedTuple):
    """An exported column: an SQL expression over `r`, and a converter of values other than NULL."""

    name: str
    sql: str
    convert: Callable[[Any], Any] | None = None


class Table(Struct, frozen=True, dict=True):
    """A table (`r` in the SQL) as exported; without a `measurement` it has no points.

    `number` is the id of its records, other than `r.id` if another table records the changes. `tag`
    is the name of a tag and the column that it repeats, needed if rows may share a moment; the
    column is left out of the fields if it has the tag's name.
    """

    name: str
    time: str
    columns: tuple[Column, ...]
    source: str
    channel: str = "NULL"
    antenna: str = "NULL"
    complete: str = "TRUE"
    measurement: str | None = None
    number: str = "r.id"
    tag: tuple[str, str] | None = None

    @cached_property
    def select(self) -> str:
        """`SELECT ... FROM ...`, to be completed by WHERE; its rows are for `record`."""
        columns = ", ".join(column.sql for column in self.columns)
        head = f"{self.number}, {self.time}, {self.channel}, {self.antenna}"
        return f"SELECT {head}, {columns} FROM {self.source}"

    def record(self, row: tuple[Any, ...]) -> Record:
        """Convert a row of `select` to exported form."""
        columns = {
            column.name: value if column.convert is None or value is None else column.convert(value)
            for column, value in zip(self.columns, row[4:], strict=True)
        }
        return Record(row[0], row[1], row[2], columns, row[3])


@lru_cache(maxsize=256)
def _flag_names(flags: int) -> str:
    return Flag(flags).words()


def _plain(names: str) -> tuple[Column, ...]:
    return tuple(Column(name, f'r."{name}"') for name in names.split())


def _utc(name: str) -> Column:
    return Column(f"{name}_utc", f"r.{name}_ns", format_ns)


def _column(name: str) -> Column:
    """Return the column of a field of an exported struct."""
    if name in _DERIVED:
        return _DERIVED[name]
    if name.endswith("_utc"):
        return _utc(name.removesuffix("_utc"))
    return Column(name, f'r."{name}"', _WORDS.get(name))


def _ids_of(table: str) -> str:
    """Return the SQL of the ids of rows that refer to a capture, joined by spaces."""
    rows = f"SELECT id FROM {table} WHERE capture_id = r.id ORDER BY id"
    return f"(SELECT group_concat(id, ' ') FROM ({rows}))"


_FLAGS = Column("flags", "r.flags", _flag_names)
_WORDS: dict[str, Callable[[Any], Any]] = {
    "kind": AlarmKind,
    "severity": Severity,
    "state": FaultState,
    "flags": _flag_names,
}
_OF_TRANSMISSION = "LEFT JOIN transmissions AS t ON t.id = r.transmission_id"

# What the signs of a fault come to. Its last sign is its last excursion, or the moment when its
# last alarm cleared; none is the last while an alarm is open.
_LAST_SIGN = (
    "max((SELECT coalesce(max(coalesce(cleared_ns, raised_ns)), r.opened_ns)"
    " FROM alarms WHERE fault_id = r.id),"
    " (SELECT coalesce(max(time_ns), r.opened_ns) FROM excursions WHERE fault_id = r.id))"
)
_CHANNELS = (
    "(SELECT group_concat(channel, ' ') FROM (SELECT channel FROM excursions WHERE fault_id = r.id"
    " UNION SELECT t.channel FROM alarms AS a JOIN transmissions AS t ON t.id = a.transmission_id"
    " WHERE a.fault_id = r.id ORDER BY 1) WHERE channel IS NOT NULL)"
)
_ANTENNAS = (
    "(SELECT group_concat(antenna, ', ') FROM (SELECT t.antenna FROM excursions AS e"
    " JOIN transmissions AS t ON t.id = e.transmission_id WHERE e.fault_id = r.id"
    " UNION SELECT t.antenna FROM alarms AS a JOIN transmissions AS t ON t.id = a.transmission_id"
    " WHERE a.fault_id = r.id ORDER BY 1) WHERE antenna IS NOT NULL)"
)
HAS_OPEN_ALARM = "EXISTS (SELECT 1 FROM alarms WHERE fault_id = r.id AND cleared_ns IS NULL)"
_DERIVED = {
    column.name: column
    for column in (
        Column("last_sign_utc", _LAST_SIGN, format_ns),
        Column("channels", _CHANNELS),
        Column("antennas", _ANTENNAS),
        Column("alarms", "(SELECT count(*) FROM alarms WHERE fault_id = r.id)"),
        Column("excursions", "(SELECT count(*) FROM excursions WHERE fault_id = r.id)"),
        Column(
            "open_time_s",
            "(SELECT coalesce(sum(duration_ms), 0.0) FROM excursions WHERE fault_id = r.id)",
            lambda ms: round(ms / 1000, 4),
        ),
        Column(
            "transmissions_since",
            f"CASE WHEN {HAS_OPEN_ALARM} THEN 0 ELSE"
            f" (SELECT count(*) FROM transmissions WHERE ended AND start_ns > {_LAST_SIGN}) END",
        ),
    )
}

TRANSMISSIONS = Table(
    name="transmissions",
    time="r.start_ns",
    columns=(
        *_plain("id"),
        _utc("start"),
        _utc("end"),
        Column("duration_s", "r.end_ns - r.start_ns", lambda ns: ns / 1_000_000_000),
        *_plain("samples forward_w_mean forward_w_max reflected_w_mean reflected_w_max"),
        *_plain("swr swr_low swr_high swr_max energy_j channel frequency_khz calibration_id"),
        _FLAGS,
        *_plain("swr_noise_low swr_noise_high settled_samples energy_low_j energy_high_j antenna"),
        *_plain("coupler_temperature_c"),
    ),
    source="transmissions AS r",
    channel="r.channel",
    antenna="r.antenna",
    complete="r.ended = 1",
    measurement="transmission",
)
SECONDS = Table(
    name="seconds",
    time="r.time_ns",
    columns=(
        _utc("time"),
        *_plain("forward_w reflected_w swr swr_low swr_high samples transmission_id"),
        _FLAGS,
        *_plain("swr_noise_low swr_noise_high forward_v reflected_v"),
    ),
    source=f"seconds AS r {_OF_TRANSMISSION}",
    channel="t.channel",
    antenna="t.antenna",
    measurement="second",
)
ALARMS = Table(
    name="alarms",
    time="r.raised_ns",
    columns=tuple(map(_column, Alarm.__struct_fields__)),
    source=f"alarms AS r {_OF_TRANSMISSION}",
    channel="t.channel",
    antenna="t.antenna",
    measurement="alarm",
    tag=("rule", "kind"),  # not the column's name, which would hide the column in queries
)
EXCURSIONS = Table(
    name="excursions",
    time="r.time_ns",
    columns=(
        *_plain("id"),
        _utc("time"),
        *_plain("duration_ms swr_peak channel transmission_id capture_id swr_beside fault_id"),
        Column("antenna", "t.antenna"),
    ),
    source=f"excursions AS r {_OF_TRANSMISSION}",
    channel="r.channel",
    antenna="t.antenna",
)
FAULTS = Table(
    name="faults",
    time="r.opened_ns",
    columns=tuple(map(_column, Fault.__struct_fields__)),
    source="faults AS r",
    measurement="fault",
)
CAPTURES = Table(
    name="captures",
    time="r.first_ns",
    columns=(
        *_plain("id"),
        _utc("first"),
        _utc("last"),
        Column("alarm_ids", _ids_of("alarms")),
        Column("excursion_ids", _ids_of("excursions")),
    ),
    source="captures AS r",
)
JOURNAL = Table(
    name="journal",
    time="r.time_ns",
    columns=(*_plain("id"), _utc("time"), *_plain("kind text")),
    source="journal AS r",
)
LINE_LOSSES = Table(
    name="line_losses",
    time="r.time_ns",
    columns=(
        *_plain("id"),
        _utc("time"),
        *_plain("far_end loss_db loss_low_db loss_high_db swr forward_w channel frequency_khz"),
        *_plain("cable length_m nominal_db nominal_low_db nominal_high_db"),
        *_plain("calibration_id transmission_id antenna"),
    ),
    source="line_losses AS r",
    channel="r.channel",
    antenna="r.antenna",
)
VERIFICATIONS = Table(
    name="verifications",
    time="r.time_ns",
    columns=(
        *_plain("id"),
        _utc("time"),
        *_plain("verdict port drift_db drift_u_db"),
        _utc("since"),
        *_plain("forward_w reflected_w open_forward_w open_reflected_w reference_w"),
        *_plain("forward_db forward_u_db forward_expected_u_db"),
        *_plain("load_db load_u_db load_expected_u_db open_db open_u_db open_expected_u_db"),
        *_plain("channel frequency_khz calibration_id transmission_id open_transmission_id"),
    ),
    source="verifications AS r",
    channel="r.channel",
)
DAYS = Table(
    name="days",
    time=f"r.day * {DAY_NS}",
    columns=(
        Column("date", f"r.day * {DAY_NS}", lambda ns: format_ns(ns)[:10]),
        *_plain("channel frequency_khz swr spread transmissions power_w calibration_id antenna"),
    ),
    source="days AS r",
    channel="r.channel",
    antenna="r.antenna",
)
WEATHER = Table(
    name="weather",
    time="r.time_ns",
    columns=(_utc("time"), *_plain("temperature_c rain_mm wind_m_s")),
    source="weather AS r",
)
HEALTH = Table(
    name="health",
    time="r.time_ns",
    columns=(
        _utc("time"),
        *_plain("duration_s pairs pairs_per_s gaps input_dropped queue_max rows_dropped commits"),
        *_plain("commit_ms_mean commit_ms_max commits_failed clock_synchronised clock_step_ms"),
        *_plain("forwarder_backlog"),
    ),
    source="health AS r",
    measurement="health",
)
TABLES = {
    table.name: table
    for table in (
        TRANSMISSIONS,
        SECONDS,
        ALARMS,
        EXCURSIONS,
        FAULTS,
        CAPTURES,
        JOURNAL,
        LINE_LOSSES,
        VERIFICATIONS,
        DAYS,
        WEATHER,
        HEALTH,
    )
}

# Changes with their alarm or fault in its present state.
ALARM_CHANGES = replace(
    ALARMS,
    name="alarm_changes",
    source=f"alarm_changes AS c JOIN alarms AS r ON r.id = c.alarm_id {_OF_TRANSMISSION}",
    number="c.id",
)
FAULT_CHANGES = replace(
    FAULTS,
    name="fault_changes",
    source="fault_changes AS c JOIN faults AS r ON r.id = c.fault_id",
    number="c.id",
)


def _as_point(table: Table, *added: Column, **sql: str) -> Table:
    """Return a table of changes as forwarded: each at its own time, with the state of that time.

    `added` are more columns, `sql` other expressions for columns by name.
    """
    columns = (column._replace(sql=sql.get(column.name, column.sql)) for column in table.columns)
    level = (
        f"CASE r.severity WHEN '{Severity.WARNING}' THEN 1 WHEN '{Severity.CRITICAL}' THEN 2 END"
    )
    more = (Column("change", "c.change"), Column("severity_level", level), *added)
    return replace(table, time="c.time_ns", columns=(*columns, *more))


# An alarm that was added retrospectively has cleared without a change.
_IS_CLEARED = (
    "(r.cleared_ns IS NOT NULL AND (r.cleared_ns <= c.time_ns OR NOT EXISTS (SELECT 1"
    " FROM alarm_changes AS o WHERE o.alarm_id = r.id AND o.change = 'cleared')))"
)
_ALARM_POINTS = _as_point(
    ALARM_CHANGES,
    Column("open", f"NOT {_IS_CLEARED}"),
    Column(
        "duration_s",
        f"CASE WHEN c.change != 'acknowledged' AND {_IS_CLEARED}"
        " THEN (r.cleared_ns - r.raised_ns) / 1e9 END",
    ),
    cleared_utc=f"CASE WHEN {_IS_CLEARED} THEN r.cleared_ns END",
    acknowledged_utc="CASE WHEN r.acknowledged_ns <= c.time_ns THEN r.acknowledged_ns END",
)
_STATE = (
    "CASE c.change WHEN 'quiet' THEN 'quiet' WHEN 'repaired' THEN 'verifying'"
    " WHEN 'closed' THEN 'closed' ELSE 'open' END"
)
_FAULT_POINTS = _as_point(
    replace(FAULT_CHANGES, tag=("fault", "id")),
    Column("open", f"{_STATE} = 'open'"),
    Column("duration_s", "CASE c.change WHEN 'closed' THEN (c.time_ns - r.opened_ns) / 1e9 END"),
    state=_STATE,
    summary="c.summary",
    closed_utc="CASE WHEN r.closed_ns <= c.time_ns THEN r.closed_ns END",
    acknowledged_utc="CASE WHEN r.acknowledged_ns <= c.time_ns THEN r.acknowledged_ns END",
)
# Servers of numbers cannot compare calibrations, whose ids are text. 0 is sent too, so that it
# overwrites a 1 after `recompute`.
_TRANSMISSION_POINTS = replace(
    TRANSMISSIONS,
    columns=(
        *TRANSMISSIONS.columns,
        Column(
            "calibration_change",
            "coalesce((SELECT p.calibration_id FROM transmissions AS p WHERE p.ended"
            " AND p.start_ns < r.start_ns ORDER BY p.start_ns DESC LIMIT 1), r.calibration_id)"
            " != r.calibration_id",
        ),
    ),
)
# Captures come and go, and a fault may be found later: neither is worth another point.
_EXCURSION_POINTS = replace(
    EXCURSIONS,
    measurement="excursion",
    columns=tuple(c for c in EXCURSIONS.columns if c.name not in ("capture_id", "fault_id")),
)
_JOURNAL_POINTS = replace(
    JOURNAL,
    measurement="journal",
    tag=("kind", "kind"),
    columns=(*JOURNAL.columns, Column("count", "1")),
)
# Tables delivered by forwarders, the most urgent first. A row is delivered once it is final, since
# some servers keep every version of a point. A table whose rows may be rewritten or deleted needs
# triggers like those of `seconds` in schema.sql. Rows with provisional times wait until these are
# known.
FORWARDED = tuple(
    replace(table, complete=f"({table.complete}) AND {is_dated(*times)}")
    for table, *times in (
        (_ALARM_POINTS, "c.time_ns", "r.raised_ns"),
        (_FAULT_POINTS, "c.time_ns", "r.opened_ns"),
        (_TRANSMISSION_POINTS, TRANSMISSIONS.time),
        (_EXCURSION_POINTS, EXCURSIONS.time),
        (_JOURNAL_POINTS, JOURNAL.time),
        (SECONDS, SECONDS.time),
        (HEALTH, HEALTH.time),
    )
)
