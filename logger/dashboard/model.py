"""The model of the dashboard: a mapping to be written as JSON, by the schema of Grafana.

Types of the schema: npm package `@grafana/schema`; `python -m tests.bench.dashboard` checks them.
"""

from __future__ import annotations

from collections.abc import Iterator
from string import ascii_uppercase
from types import ModuleType
from typing import Any

from logger.dashboard import flux, influxql, promql
from logger.dashboard.panels import (
    HEADINGS,
    SEVERITY,
    UNITS,
    YES_NO,
    Heading,
    Marks,
    Panel,
    marks,
    page,
)

SOURCES: dict[str, ModuleType] = {
    "victoriametrics": promql,
    "influxdb1": influxql,
    "influxdb2": flux,
}
SCHEMA_VERSION = 39
PAGE_WIDTH = 24
DEFAULTS: dict[str, dict[str, Any]] = {  # options of each kind of panel
    "stat": {
        "reduceOptions": {"calcs": ["lastNotNull"], "fields": "", "values": False},
        "textMode": "value_and_name",
        "colorMode": "none",
        "graphMode": "none",
        "justifyMode": "auto",
        "orientation": "horizontal",
    },
    "table": {"showHeader": True, "cellHeight": "sm"},
    "timeseries": {
        "legend": {
            "displayMode": "list",
            "placement": "bottom",
            "showLegend": True,
            "calcs": [],
        },
        "tooltip": {"mode": "multi", "sort": "none"},
    },
    "state-timeline": {
        "mergeValues": True,
        "showValue": "auto",
        "rowHeight": 0.8,
        "legend": {
            "displayMode": "list",
            "placement": "bottom",
            "showLegend": False,
            "calcs": [],
        },
        "tooltip": {"mode": "single", "sort": "none"},
    },
}


def dashboard(source: str) -> dict[str, Any]:
    """Return the model for a kind of data source, a key of SOURCES."""
    language = SOURCES[source]
    place = {"type": language.SOURCE, "uid": "${datasource}"}
    return {
        "uid": f"mismatchd-{source}",
        "title": "Feedline",
        "description": "Made by `mismatchd dashboard grafana`.",
        "tags": ["mismatchd"],
        "schemaVersion": SCHEMA_VERSION,
        "editable": True,
        "graphTooltip": 1,
        "refresh": "10s",
        "time": {"from": "now-24h", "to": "now"},
        "timezone": "browser",
        "templating": {"list": list(_variables(language, place))},
        "annotations": {"list": [_annotation(language, place, mark) for mark in marks()]},
        "panels": list(_panels(language, place)),
    }


def _variables(language: ModuleType, place: dict[str, str]) -> Iterator[dict[str, Any]]:
    yield {
        "name": "datasource",
        "label": "Database",
        "type": "datasource",
        "query": language.SOURCE,
        "refresh": 1,
    }
    query = {"type": "query", "datasource": place, "refresh": 2, "sort": 3}
    yield query | {
        "name": "station",
        "label": "Station",
        "query": language.values_of("station", "health", of_station=False),
        "sort": 1,
    }
    some = {
        "multi": True,
        "includeAll": True,
        "allValue": ".*",  # also points without that tag
        "current": {"text": ["All"], "value": ["$__all"]},
    }
    yield (
        query
        | some
        | {
            "name": "station_id",
            "label": "Id",  # of stations with one name
            "query": language.values_of("station_id", "health", of_station=True),
        }
    )
    yield (
        query
        | some
        | {
            "name": "channel",
            "label": "Channel",
            "query": language.values_of("channel", "transmission", of_station=True),
        }
    )


def _annotation(language: ModuleType, place: dict[str, str], mark: Marks) -> dict[str, Any]:
    return {
        "name": mark.name,
        "datasource": place,
        "enable": True,
        "iconColor": mark.color,
        **language.annotation(mark.moments),
    }


def _panels(language: ModuleType, place: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the panels from left to right and from top to bottom."""
    x = y = bottom = 0
    for number, item in enumerate(page(), start=1):
        width, height = (PAGE_WIDTH, 1) if isinstance(item, Heading) else (item.width, item.height)
        if x + width > PAGE_WIDTH or isinstance(item, Heading):
            x, y = 0, bottom
        bottom = max(bottom, y + height)
        spot = {"id": number, "gridPos": {"x": x, "y": y, "w": width, "h": height}}
        x += width
        if isinstance(item, Heading):
            yield spot | {"type": "row", "title": item.title, "collapsed": False, "panels": []}
        else:
            yield spot | _panel(language, place, item)


def _panel(language: ModuleType, place: dict[str, str], panel: Panel) -> dict[str, Any]:
    is_table = panel.kind == "table"
    named = [
        target
        for name, query in panel.queries.items()
        for target in language.targets(
            query, name or "value", as_table=is_table, interval=panel.interval
        )
    ]
    names = [target.pop("name") for target in named]
    letters = ascii_uppercase[: len(named)]
    targets = [
        {"refId": letter, "datasource": place} | target
        for letter, target in zip(letters, named, strict=True)
    ]
    content: dict[str, Any] = {
        "type": panel.kind,
        "title": panel.title,
        "description": panel.text,
        "datasource": place,
        "targets": targets,
        "interval": panel.interval,
        "options": DEFAULTS[panel.kind],
        "fieldConfig": {"defaults": _defaults(panel), "overrides": list(_overrides(panel))},
    }
    if panel.sort is not None:
        first = {"displayName": HEADINGS.get(panel.sort, panel.sort), "desc": True}
        pages = {"show": False, "reducer": [], "enablePagination": True}  # for a thousand rows
        content["options"] = content["options"] | {"sortBy": [first], "footer": pages}
    if is_table:
        content["transformations"] = list(
            _transformations(panel, dict(zip(letters, names, strict=True)))
        )
    if panel.repeat:
        content |= {"repeat": panel.repeat, "repeatDirection": "h", "maxPerRow": 2}
    if panel.time_from:
        content["timeFrom"] = panel.time_from
    return content


def _defaults(panel: Panel) -> dict[str, Any]:
    defaults: dict[str, Any] = {"unit": panel.unit, "custom": panel.styles}
    if panel.label:
        defaults["displayName"] = panel.label
    if panel.kind == "stat":
        defaults["noValue"] = "key up"
    if panel.words:
        defaults["mappings"] = [_mapping(panel.words)]
    return defaults


def _overrides(panel: Panel) -> Iterator[dict[str, Any]]:
    if panel.kind == "table":
        yield from _columns(panel)
    elif panel.label is None:
        for letter, name in zip(ascii_uppercase, panel.queries, strict=False):
            properties: list[dict[str, Any]] = [{"id": "displayName", "value": name}]
            if name in ("from", "to"):  # the interval is a band
                properties += [{"id": "custom.lineWidth", "value": 0}]
                properties += [{"id": "custom.showPoints", "value": "never"}]
            if name == "to":
                properties += [{"id": "custom.fillBelowTo", "value": "from"}]
            yield {"matcher": {"id": "byFrameRefID", "options": letter}, "properties": properties}


def _columns(panel: Panel) -> Iterator[dict[str, Any]]:
    """Yield heading, unit and words of each column."""
    words = {"severity_level": SEVERITY, "open": YES_NO}
    for name in _column_names(panel):
        properties: list[dict[str, Any]] = []
        if name in HEADINGS:
            properties.append({"id": "displayName", "value": HEADINGS[name]})
        if name in UNITS:
            properties.append({"id": "unit", "value": UNITS[name]})
        if name in words:
            properties.append({"id": "mappings", "value": [_mapping(words[name])]})
        if name == "station":
            link = "?var-station=${__value.raw:percentencode}"
            link += "&var-station_id=${__data.fields.station_id:percentencode}"
            url = f"/d/${{__dashboard.uid}}{link}&${{datasource:queryparam}}&${{__url_time_range}}"
            title = "Show this station"
            properties.append({"id": "links", "value": [{"title": title, "url": url}]})
        if properties:
            yield {"matcher": {"id": "byName", "options": name}, "properties": properties}


def _column_names(panel: Panel) -> list[str]:
    """Return the names of the columns that a table may have, in their order."""
    names: dict[str, None] = {}
    for name, query in panel.queries.items():
        names |= dict.fromkeys(query.by)
        texts = [text.replace("start_utc", "start") for text in getattr(query, "texts", ())]
        names |= dict.fromkeys([*texts, *getattr(query, "fields", (name,))])
    return list(names)


def _transformations(panel: Panel, names: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the steps that make one table of the answers, a row for each group."""
    if len(panel.queries) > 1:  # of different times, by which rows would stay apart
        yield {"id": "organize", "options": {"excludeByName": {"Time": True, "time": True}}}
    yield {"id": "merge", "options": {}}
    columns = _column_names(panel)
    # Of several answers in PromQL each has its value under its letter.
    renamed = {f"Value #{letter}": name for letter, name in names.items()} | {"Value": names["A"]}
    order = {name: place for place, name in enumerate(columns)}
    yield {"id": "organize", "options": {"renameByName": renamed}}
    yield {"id": "filterFieldsByName", "options": {"include": {"names": columns}}}
    yield {"id": "organize", "options": {"indexByName": order}}


def _mapping(words: dict[str, str]) -> dict[str, Any]:
    return {"type": "value", "options": {value: {"text": text} for value, text in words.items()}}
