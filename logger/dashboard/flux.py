"""Queries to InfluxDB 2, in Flux.

They are checked by a Flux compiler (`python -m tests.bench.dashboard`), but no test executes them:
no server of that version was at hand.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from logger.dashboard.queries import YEAR, Held, Latest, Moments, Query, Rows, Series, Standing

SOURCE = "influxdb"  # type of the data source
RANGE = "start: v.timeRangeStart, stop: v.timeRangeStop"
BEFORE_END = "start: -{window}, stop: v.timeRangeStop"
INTERVAL = "v.windowPeriod"
NAMED = "r.station == ${station:json}"
FOLDS = {
    **{fold: fold for fold in ("last", "count", "max", "min", "mean", "sum")},
    "median": '(tables=<-, column) => tables |> median(method: "exact_mean", column: column)',
    "per hour": "count",
}
PER_HOUR = (
    "map(fn: (r) => ({r with _value:"
    " float(v: r._value) * 3600000000000.0 / float(v: int(v: v.windowPeriod))}))"
)
FIELDS_AS_COLUMNS = 'pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'


def targets(query: Query, name: str, *, as_table: bool, interval: str) -> list[dict[str, Any]]:
    """Return the targets of a panel; the caller numbers them."""
    return [{"name": name, "query": script(query, name)}]


def script(query: Query, name: str) -> str:
    """Return the script of a query, with its value as column `name` or in the value column."""
    return "\n  |> ".join(_steps(query, name))


def annotation(query: Moments) -> dict[str, Any]:
    """Return what makes an annotation of moments."""
    return {"target": {"refId": "Anno", "query": script(query, "")}}


def values_of(tag: str, measurement: str, *, of_station: bool) -> Any:
    """Return the query for the values of a tag."""
    station = f" and {NAMED}" if of_station else ""
    predicate = f'(r) => r._measurement == "{measurement}"{station}'
    return (
        'import "influxdata/influxdb/schema"\n'
        f'schema.tagValues(bucket: v.defaultBucket, tag: "{tag}", predicate: {predicate},'
        f" start: -{YEAR})"
    )


def _steps(query: Query, name: str) -> list[str]:
    match query:
        case Series():
            every = query.window or INTERVAL
            return [
                *_points(query, RANGE, query.field),
                _group(query.by),
                *_windows(every, FOLDS[query.fold], is_complete=False),
                *([PER_HOUR] if query.fold == "per hour" else []),
            ]
        case Latest():
            last = ['sort(columns: ["_time"])', "last()"]
            fold = last if query.fold == "last" else [f"{FOLDS[query.fold]}()"]
            named = _cells(query, name) if query.by else []
            points = _points(query, f"start: -{query.window}", query.field)
            return [*points, _group(query.by), *fold, *named]
        case Held():
            total = ['group(columns: ["_time"])', "sum()", "group()"] if query.is_total else []
            return [
                *_points(query, RANGE, query.field),
                _group(query.by),
                *_windows(INTERVAL, "last", is_complete=True),
                "fill(usePrevious: true)",
                *total,
            ]
        case Standing():
            return [
                *_points(query, BEFORE_END.format(window=YEAR), query.field),
                _group((*query.by, query.each)),
                'sort(columns: ["_time"])',
                "last()",
                _group(query.by),
                "sum()",
                *_cells(query, name),
            ]
        case Rows():
            renamed = (
                ['rename(columns: {start_utc: "start"})'] if "start_utc" in query.texts else []
            )
            columns = _list((*query.by, *query.texts, *query.fields))
            span = BEFORE_END.format(window=query.window) if query.window else RANGE
            return [
                *_points(query, span, *query.texts, *query.fields),
                FIELDS_AS_COLUMNS,
                _group(query.by),
                'sort(columns: ["_time"])',
                "tail(n: 1)",
                "group()",
                f"keep(columns: {columns})",
                *renamed,
            ]
        case Moments():
            columns = _list(("_time", "text", *query.by))
            is_renamed = query.text != "text"
            return [
                *_points(query, RANGE, query.field, query.text),
                FIELDS_AS_COLUMNS,
                f"filter(fn: (r) => r.{query.field} == {float(query.value)})",
                *([f'rename(columns: {{{query.text}: "text"}})'] if is_renamed else []),
                "group()",
                f"keep(columns: {columns})",
            ]
    raise NotImplementedError(query)


def _cells(query: Query, name: str) -> list[str]:
    """Return the steps that make rows of a table from a value of each group."""
    columns = _list((*query.by, name))
    return [f'rename(columns: {{_value: "{name}"}})', "group()", f"keep(columns: {columns})"]


def _points(query: Query, span: str, *fields: str) -> list[str]:
    conditions = [f'r._measurement == "{query.measurement}"']
    named = " or ".join(f'r._field == "{field}"' for field in fields)
    conditions.append(f"({named})" if len(fields) > 1 else named)
    conditions += [] if query.everywhere else [NAMED, _chosen("station_id")]
    conditions += [_chosen("channel")] if query.has_channel else []
    return [
        "from(bucket: v.defaultBucket)",
        f"range({span})",
        f"filter(fn: (r) => {' and '.join(conditions)})",
    ]


def _chosen(tag: str) -> str:
    """Return the condition that a tag, which points may lack, is one of those chosen."""
    return f'(if exists r.{tag} then r.{tag} else "") =~ /^${{{tag}:regex}}$/'


def _windows(every: str, fold: str, *, is_complete: bool) -> list[str]:
    complete = json.dumps(is_complete)
    window = f"aggregateWindow(every: {every}, fn: {fold}, createEmpty: {complete})"
    return ['sort(columns: ["_time"])', window]


def _group(tags: Iterable[str]) -> str:
    return f"group(columns: {_list(tags)})"


def _list(names: Iterable[str]) -> str:
    return json.dumps(list(names))
