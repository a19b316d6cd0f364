"""Queries to VictoriaMetrics, in its extension of PromQL.

A series is a measurement and a field; text fields do not exist there.
"""

from __future__ import annotations

from typing import Any

from logger.dashboard.queries import (
    ALWAYS_PRESENT,
    YEAR,
    Held,
    Latest,
    Moments,
    Query,
    Rows,
    Series,
    Standing,
)

SOURCE = "prometheus"  # type of the data source
INTERVAL = "$__interval"
NAMED = "station=${station:doublequote}"
STATION = f'{NAMED}, station_id=~"${{station_id:regex}}"'
# `{by}` combines series, of several channels for example.
FOLDS = {
    "last": "max{by} (last_over_time({series}[{window}]))",
    "count": "sum{by} (count_over_time({series}[{window}]))",
    "max": "max{by} (max_over_time({series}[{window}]))",
    "min": "min{by} (min_over_time({series}[{window}]))",
    "mean": "sum{by} (sum_over_time({series}[{window}]))"
    " / sum{by} (count_over_time({series}[{window}]))",
    "median": "max{by} (quantile_over_time(0.5, {series}[{window}]))",
    "sum": "sum{by} (sum_over_time({series}[{window}]))",
    "per hour": "sum{by} (count_over_time({series}[{window}])) * 3600000 / $__interval_ms",
}


def targets(query: Query, name: str, *, as_table: bool, interval: str) -> list[dict[str, Any]]:
    """Return the targets of a panel; the caller numbers them."""
    if isinstance(query, Rows):
        texts = [("start", _newest(query) + " * 1000")] if "start_utc" in query.texts else []
        columns = texts + [(field, _field_of_newest(query, field)) for field in query.fields]
    else:
        columns = [(name, expression(query))]
    is_instant = as_table or isinstance(query, Latest)
    return [
        {
            "name": column,  # removed where targets are numbered
            "expr": text,
            "instant": is_instant,
            "range": not is_instant,
            "format": "table" if as_table else "time_series",
            "interval": interval,
            "editorMode": "code",
        }
        for column, text in columns
    ]


def expression(query: Query) -> str:
    """Return the expression of a query other than Rows."""
    match query:
        case Series() | Latest():
            return FOLDS[query.fold].format(
                by=_by(query.by),
                series=series(query, query.field),
                window=query.window or INTERVAL,
            )
        case Held():
            by = "" if query.is_total else _by(query.by)
            fold = "sum" if query.is_total else "max"
            return f"{fold}{by} (last_over_time({series(query, query.field)}[{YEAR}]))"
        case Standing():
            return f"sum{_by(query.by)} (last_over_time({series(query, query.field)}[{YEAR}]))"
        case Moments():
            # The time of a point within the interval, as the value.
            window = f"{series(query, query.field)}[{INTERVAL}]"
            best = "max" if query.value else "min"
            return (
                f"max{_by(query.by)} (t{best}_over_time({window})"
                f" if ({best}_over_time({window}) == {query.value})) * 1000"
            )
    raise NotImplementedError(query)


def annotation(query: Moments) -> dict[str, Any]:
    """Return what makes an annotation of moments."""
    text = " ".join(f"{{{{{tag}}}}}" for tag in query.by)
    target = {"refId": "Anno", "expr": expression(query), "interval": "1s"}
    return {"target": target, "useValueForTime": True, "textFormat": text}


def values_of(tag: str, measurement: str, *, of_station: bool) -> Any:
    """Return the query for the values of a tag."""
    scope = f"{{{NAMED}}}" if of_station else ""
    field = {"health": "pairs", "transmission": "duration_s"}[measurement]
    return {"query": f"label_values({measurement}_{field}{scope}, {tag})", "refId": tag}


def series(query: Query, field: str) -> str:
    """Return the selector of a field."""
    labels = [] if query.everywhere else [STATION]
    labels += ['channel=~"${channel:regex}"'] if query.has_channel else []
    return f"{query.measurement}_{field}" + (f"{{{', '.join(labels)}}}" if labels else "")


def _newest(query: Rows) -> str:
    """Return the expression of the time of the newest point of each group, in seconds."""
    key = series(query, ALWAYS_PRESENT[query.measurement])
    return f"max{_by(query.by)} (tlast_over_time({key}[{_window(query)}]))"


def _field_of_newest(query: Rows, field: str) -> str:
    window = f"{series(query, field)}[{_window(query)}]"
    return (
        f"max{_by(query.by)} (last_over_time({window}) if (tlast_over_time({window})"
        f" == on({', '.join(query.by)}) group_left() {_newest(query)}))"
    )


def _window(query: Rows) -> str:
    return query.window or "$__range"


def _by(tags: tuple[str, ...]) -> str:
    return f" by ({', '.join(tags)})" if tags else ""
