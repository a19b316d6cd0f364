"""InfluxDB line protocol, for export and for forwarding.

Every number is written as a float: an integer without a decimal point would give the field another
type at the server, and later rows would be refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from logger.store.tables import Record, Table

_NAME = re.compile(r"([,= ])")
_MEASUREMENT = re.compile(r"([, ])")
_QUOTED = re.compile(r'(["\\])')
_BREAKS = re.compile(r"[\r\n]+")

Value = float | str | None


def point(table: Table, record: Record, station: str, station_id: str) -> str:
    """Return the line of one stored row. A row written again overwrites itself.

    An empty `station_id` leaves out that tag.
    """
    tags = {"station": station, "station_id": station_id}
    fields = dict(record.columns)
    if record.channel is not None:
        tags["channel"] = str(record.channel)
    if record.antenna is not None:
        tags["antenna"] = record.antenna
    fields.pop("antenna", None)
    if table.tag is not None:
        name, column = table.tag
        tags[name] = str(record.columns[column])
        fields.pop(name, None)
    assert table.measurement is not None
    return line(table.measurement, tags, fields, record.time_ns)


def delete_predicate(measurement: str, station: str, station_id: str) -> str:
    """Return the predicate of the points that InfluxDB 2 is to delete.

    Those with an empty `station_id` have the name only; without that tag cannot be asked for.
    """
    tag = ("station_id", station_id) if station_id else ("station", _tag(station))
    return " AND ".join(
        f"{key}={_quoted(value, chr(34))}" for key, value in (("_measurement", measurement), tag)
    )


def delete_statement(
    measurement: str, station: str, station_id: str, since_ns: int, until_ns: int
) -> str:
    """Return the equivalent statement for InfluxDB 1, times inclusive.

    With an empty `station_id` it is for points without that tag.
    """
    name = "" if station_id else f'"station" = {_quoted(_tag(station), chr(39))} AND '
    return (
        f'DELETE FROM {_quoted(measurement, chr(34))} WHERE {name}"station_id" ='
        f" {_quoted(station_id, chr(39))} AND time >= {since_ns} AND time <= {until_ns}"
    )


def line(
    measurement: str, tags: Mapping[str, str], fields: Mapping[str, Value], time_ns: int | None
) -> str:
    """Return one line without its terminator; omit non-finite fields and empty tags.

    Raise ValueError if no field is left: the protocol does not allow such a line.
    """
    head = _escaped(_MEASUREMENT, measurement)
    for key, tag in tags.items():
        if tag := _escaped(_NAME, tag):
            head += f",{_escaped(_NAME, key)}={tag}"
    body = ",".join(
        f"{_escaped(_NAME, key)}={text}"
        for key, value in fields.items()
        if (text := _value(value)) is not None
    )
    if not body:
        raise ValueError(f"{measurement}: a point needs a field")
    return f"{head} {body}" if time_ns is None else f"{head} {body} {time_ns}"


def _escaped(special: re.Pattern[str], text: str) -> str:
    return special.sub(r"\\\1", _tag(text))


def _tag(text: str) -> str:
    """Return a tag as stored by a server.

    A trailing backslash would escape the separator that follows and cannot itself be escaped, so it
    is removed.
    """
    return _BREAKS.sub(" ", text).rstrip("\\")


def _quoted(text: str, mark: str) -> str:
    return mark + text.replace("\\", "\\\\").replace(mark, "\\" + mark) + mark


def _value(value: Value) -> str | None:
    if value is None:
        return None
    if isinstance(value, str):
        return '"' + _QUOTED.sub(r"\\\1", _BREAKS.sub(" ", value)) + '"'
    number = float(value)
    return repr(number) if math.isfinite(number) else None
