"""Files that install data source and dashboard: in a folder `provisioning` of Grafana."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import yaml

from logger.config.load import InfluxOptions
from logger.dashboard.model import SOURCES, dashboard

DEFAULT_URLS = {"victoriametrics": "http://127.0.0.1:8428"}
DEFAULT_URL = "http://127.0.0.1:8086"


def files(source: str, options: InfluxOptions | None, folder: Path) -> dict[Path, str]:
    """Return the files by path: the data source, the dashboard, and where that is.

    `options` say where rows are forwarded to; the token is not written, only where to find it.
    """
    place = folder.resolve() / "dashboards"
    provider = {"name": "mismatchd", "type": "file", "options": {"path": str(place)}}
    return {
        folder / "datasources/mismatchd.yaml": _yaml(
            {"apiVersion": 1, "datasources": [_data_source(source, options)]}
        ),
        folder / "dashboards/mismatchd.yaml": _yaml({"apiVersion": 1, "providers": [provider]}),
        folder / "dashboards/mismatchd.json": text(source),
    }


def text(source: str) -> str:
    """Return the model as JSON."""
    return json.dumps(dashboard(source), indent=2) + "\n"


def _data_source(source: str, options: InfluxOptions | None) -> dict[str, Any]:
    default = DEFAULT_URLS.get(source, DEFAULT_URL)
    common = {
        "name": "mismatchd",
        "uid": "mismatchd",
        "type": SOURCES[source].SOURCE,
        "access": "proxy",
        "url": options.shown_url if options else default,
    }
    bucket = options.bucket if options else "station"
    if source == "victoriametrics":
        # Without `nocache` the server hides the last 30 s.
        settings = {"httpMethod": "POST", "customQueryParameters": "nocache=1"}
        return common | {"jsonData": settings}
    if source == "influxdb1":
        database = bucket.partition("/")[0]
        return common | {"jsonData": {"dbName": database, "httpMode": "GET"}, "database": database}
    org = options.org if options else "home"
    token = "$INFLUX_TOKEN"
    if options is not None:
        env, file = options.token_env, options.token_file
        token = f"${env}" if file is None else f"$__file{{{file}}}"
    return common | {
        "jsonData": {"version": "Flux", "organization": org, "defaultBucket": bucket},
        "secureJsonData": {"token": token},
    }


def _yaml(content: dict[str, Any]) -> str:
    return yaml.safe_dump(content, sort_keys=False)
