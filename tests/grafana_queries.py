"""Queries of a dashboard model, run at real databases as a dashboard server runs them.

Variables are filled in by the published rules of each data source; the answers are points by
labels, or rows by column.
"""

from __future__ import annotations

import json
import re
import urllib.parse
from collections.abc import Mapping
from typing import Any, NamedTuple

from tests.servers import Server, http

Labels = frozenset[tuple[str, str]]
Points = dict[Labels, dict[int, float]]  # values by milliseconds
UNITS_MS = {"s": 1000, "m": 60_000, "h": 3_600_000, "d": 86_400_000}


def milliseconds(period: str) -> int:
    return int(period[:-1]) * UNITS_MS[period[-1]]


def row_of(rows: dict[Labels, dict[str, Any]], labels: Labels) -> dict[str, Any]:
    """The row with these labels: transformation `merge` makes one of those that agree in them."""
    return rows.setdefault(labels, dict(labels))


class View(NamedTuple):
    """What the person at the dashboard has chosen: range, station, channels."""

    since_ms: int
    until_ms: int
    step_ms: int  # by the width of the panel
    station: str
    channel: str = ".*"
    station_id: str = ".*"

    def step_of(self, panel: Mapping[str, Any]) -> int:
        return max(self.step_ms, milliseconds(panel.get("interval") or "1s"))

    def fill(self, text: str, step_ms: int) -> str:
        """Put the variables in."""
        single, double = (
            mark + self.station.replace(mark, "\\" + mark) + mark for mark in ("'", '"')
        )
        for name, value in {
            "$timeFilter": f"time >= {self.since_ms}ms and time <= {self.until_ms}ms",
            "$__interval_ms": str(step_ms),
            "$__interval": f"{step_ms // 1000}s",
            "$__range": f"{(self.until_ms - self.since_ms) // 1000}s",
            "${__to}": str(self.until_ms),
            "${station:singlequote}": single,
            "${station:doublequote}": double,
            "${channel:regex}": self.channel,
            "${station_id:regex}": self.station_id,
        }.items():
            text = text.replace(name, value)
        assert "$" not in text.replace("$/", "")
        return text


class Victoria:
    """VictoriaMetrics through a data source as `--provisioning` writes it: with `nocache`."""

    source = "victoriametrics"

    def __init__(self, server: Server) -> None:
        self.url = server.url
        http(server.url + "/internal/force_flush")

    def points(self, view: View, target: dict[str, Any], panel: dict[str, Any]) -> Points:
        step_ms = max(view.step_of(panel), milliseconds(target["interval"]))
        if target.get("instant"):
            return self._instant(view, target["expr"], step_ms)
        first, last = (t // step_ms * step_ms for t in (view.since_ms, view.until_ms))
        asked = {
            "query": view.fill(target["expr"], step_ms),
            "start": first / 1000,
            "end": last / 1000,
            "step": f"{step_ms // 1000}s",
        }
        return {
            frozenset(found["metric"].items()): {
                int(1000 * time_s): float(value) for time_s, value in found["values"]
            }
            for found in self._get("query_range", asked)
        }

    def rows(self, view: View, panel: dict[str, Any]) -> list[dict[str, Any]]:
        """The table that the transformations make."""
        (rename, *_) = (
            step["options"]["renameByName"]
            for step in panel["transformations"]
            if "renameByName" in step["options"]
        )
        rows: dict[Labels, dict[str, Any]] = {}
        for target in panel["targets"]:
            for labels, values in self._instant(view, target["expr"], 1000).items():
                column = rename[f"Value #{target['refId']}"]
                (row_of(rows, labels)[column],) = values.values()
        return list(rows.values())

    def moments(self, view: View, annotation: dict[str, Any]) -> set[tuple[int, str]]:
        target = annotation["target"]
        assert annotation["useValueForTime"]
        found = self.points(view, target | {"range": True}, {})
        return {
            (round(value), " ".join(value for _, value in sorted(labels)))
            for labels, values in found.items()
            for value in values.values()
        }

    def values_of(self, view: View, variable: dict[str, Any]) -> list[str]:
        text = view.fill(variable["query"]["query"], 1000)
        found = re.fullmatch(r"label_values\((.*), (\w+)\)", text)
        assert found
        asked = {"match[]": found[1], "start": view.since_ms / 1000, "end": view.until_ms / 1000}
        series = self._ask("series", asked)
        return sorted({one[found[2]] for one in series if found[2] in one})

    def _instant(self, view: View, text: str, step_ms: int) -> Points:
        asked = {
            "query": view.fill(text, step_ms),
            "time": view.until_ms / 1000,
        }
        return {
            frozenset(found["metric"].items()): {
                int(1000 * found["value"][0]): float(found["value"][1])
            }
            for found in self._get("query", asked)
        }

    def _get(self, path: str, asked: dict[str, Any]) -> list[dict[str, Any]]:
        return list(self._ask(path, asked)["result"])

    def _ask(self, path: str, asked: dict[str, Any]) -> Any:
        query = urllib.parse.urlencode({**asked, "nocache": 1})
        answer = json.loads(http(f"{self.url}/api/v1/{path}?{query}"))
        assert answer["status"] == "success", answer
        return answer["data"]


class Influx:
    """InfluxDB 1.6."""

    source = "influxdb1"

    def __init__(self, server: Server) -> None:
        self.url = server.url

    def points(self, view: View, target: dict[str, Any], panel: dict[str, Any]) -> Points:
        text = view.fill(target["query"], view.step_of(panel))
        return {
            frozenset(series.get("tags", {}).items()): {
                int(row[0]): float(row[1]) for row in series["values"] if row[1] is not None
            }
            for series in self._series(text)
        }

    def rows(self, view: View, panel: dict[str, Any]) -> list[dict[str, Any]]:
        rows: dict[Labels, dict[str, Any]] = {}
        for target in panel["targets"]:
            for series in self._series(view.fill(target["query"], 1000)):
                (values,) = series["values"]
                named = dict(zip(series["columns"], values, strict=True))
                del named["time"]
                row_of(rows, frozenset(series.get("tags", {}).items())).update(
                    {name: value for name, value in named.items() if value is not None}
                )
        return list(rows.values())

    def moments(self, view: View, annotation: dict[str, Any]) -> set[tuple[int, str]]:
        target = annotation["target"]
        tags = [tag for tag in target["tagsColumn"].split(",") if tag]
        found = set()
        assert target["query"].count("$timeFilter") == 1  # only one is replaced there
        for series in self._series(view.fill(target["query"], 1000)):
            for row in series["values"]:
                named = dict(zip(series["columns"], row, strict=True))
                assert named[target["textColumn"]]
                found.add((named["time"], " ".join(named[tag] for tag in tags)))
        return found

    def values_of(self, view: View, variable: dict[str, Any]) -> list[str]:
        (series,) = self._series(view.fill(variable["query"], 1000))
        return sorted(value for _, value in series["values"])

    def _series(self, text: str) -> list[dict[str, Any]]:
        query = urllib.parse.urlencode({"db": "t", "q": text, "epoch": "ms"})
        (result,) = json.loads(http(f"{self.url}/query?{query}"))["results"]
        assert "error" not in result, (text, result)
        return list(result.get("series", ()))
