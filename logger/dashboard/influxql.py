"""Queries to InfluxDB 1, in InfluxQL."""

from __future__ import annotations

from typing import Any

from logger.dashboard.queries import YEAR, Held, Latest, Moments, Query, Rows, Series, Standing

SOURCE = "influxdb"  # type of the data source
INTERVAL = "$__interval"
NAMED = '"station" = ${station:singlequote}'
STATION = f'{NAMED} AND "station_id"::tag =~ /^${{station_id:regex}}$/'
BEFORE_END = "time > ${{__to}}ms - {window} AND time <= ${{__to}}ms"
FOLDS = {
    **{fold: f"{fold}({{field}})" for fold in ("last", "count", "max", "min", "mean", "median")},
    "sum": "sum({field})",
    "per hour": "count({field}) * 3600000 / $__interval_ms",
}


def targets(query: Query, name: str, *, as_table: bool, interval: str) -> list[dict[str, Any]]:
    """Return the targets of a panel; the caller numbers them."""
    return [
        {
            "name": name,  # removed where targets are numbered
            "query": statement(query, name),
            "rawQuery": True,
            "resultFormat": "table" if as_table else "time_series",
        }
    ]


def statement(query: Query, name: str) -> str:
    """Return the SELECT statement of a query, with its value as column `name`."""
    match query:
        case Series():
            value = FOLDS[query.fold].format(field=_quoted(query.field))
            every = f"time({query.window or INTERVAL})"
            return (
                f"SELECT {value} AS {_quoted(name)} {_from(query, '$timeFilter')}"
                f"{_group(every, *map(_quoted, query.by))} fill(none)"
            )
        case Latest():
            value = FOLDS[query.fold].format(field=_quoted(query.field))
            return (
                f"SELECT {value} AS {_quoted(name)}"
                f" {_from(query, f'time > now() - {query.window}')}"
                f"{_group(*map(_quoted, query.by))}"
            )
        case Held():
            every = f"time({INTERVAL})"
            field = _quoted(query.field)
            held = (
                f"SELECT last({field}) AS {field} {_from(query, '$timeFilter')}"
                f"{_group(every, *map(_quoted, query.by))} fill(previous)"
            )
            if not query.is_total:
                return held
            return (
                f"SELECT sum({field}) AS {_quoted(name)} FROM ({held}) WHERE $timeFilter"
                f"{_group(every)} fill(none)"
            )
        case Standing():
            field = _quoted(query.field)
            each = _group(*map(_quoted, (*query.by, query.each)))
            inner = f"SELECT last({field}) AS {field} {_from(query, _before_end(YEAR))}{each}"
            group = _group(*map(_quoted, query.by))
            return f"SELECT sum({field}) AS {_quoted(name)} FROM ({inner}){group}"
        case Rows():
            columns = ", ".join(map(_column, (*query.texts, *query.fields)))
            span = _before_end(query.window) if query.window else "$timeFilter"
            return (
                f"SELECT {columns} {_from(query, span)}"
                f"{_group(*map(_quoted, query.by))} ORDER BY time DESC LIMIT 1"
            )
        case Moments():
            tags = [_quoted(tag) for tag in query.by]
            where = f"{_quoted(query.field)} = {query.value} AND $timeFilter"
            return f"SELECT {', '.join([_quoted(query.text), *tags])} {_from(query, where)}"
    raise NotImplementedError(query)


def annotation(query: Moments) -> dict[str, Any]:
    """Return what makes an annotation of moments."""
    return {
        "target": {
            "refId": "Anno",
            "query": statement(query, ""),
            "rawQuery": True,
            "fromAnnotations": True,
            "textColumn": query.text,
            "tagsColumn": ",".join(query.by),
        }
    }


def values_of(tag: str, measurement: str, *, of_station: bool) -> Any:
    """Return the query for the values of a tag."""
    where = f" WHERE {NAMED}" if of_station else ""
    return f'SHOW TAG VALUES FROM "{measurement}" WITH KEY = "{tag}"{where}'


def _from(query: Query, condition: str) -> str:
    conditions = [] if query.everywhere else [STATION]
    # Some measurements also have a field of this name, which would go first.
    conditions += ['"channel"::tag =~ /^${channel:regex}$/'] if query.has_channel else []
    return f"FROM {_quoted(query.measurement)} WHERE {' AND '.join([*conditions, condition])}"


def _group(*keys: str) -> str:
    return f" GROUP BY {', '.join(keys)}" if keys else ""


def _quoted(name: str) -> str:
    return f'"{name}"'


def _column(field: str) -> str:
    """Return a column; `start_utc` is shown as `start`, as where text cannot be held."""
    return '"start_utc" AS "start"' if field == "start_utc" else _quoted(field)


def _before_end(window: str) -> str:
    return BEFORE_END.format(window=window)
