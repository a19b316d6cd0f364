"""What a server does with points in the long run, asked of the server: for `check` and `status`.

VictoriaMetrics lists its flags among its metrics; InfluxDB 1 has a query for its retention policies
and InfluxDB 2 an interface for its buckets. A server that says nothing gets no warning.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import urllib.parse
from collections.abc import Iterator, Mapping
from typing import Any

from logger.config.load import InfluxOptions
from logger.errors import ConfigError
from logger.outlets.exchange import Exchange
from logger.outlets.http_connection import http_connection
from logger.wording import count

TIMEOUT_S = 1.0  # of a request
MOST_BYTES = 1_000_000
EARLY_DAYS = 731.0  # trends need more than a year, and a comparison with the year before
FLAG = re.compile(r'^flag\{name="([\w.]+)", ?value="([^"]*)"', re.MULTILINE)
PERIOD = re.compile(r"(\d+(?:\.\d+)?)(ms|[smhdwy]?)")
SECONDS = {
    "ms": 1e-3,
    "s": 1.0,
    "m": 60.0,
    "h": 3600.0,
    "d": 86_400.0,
    "w": 604_800.0,
    "y": 31_536_000.0,
}
MONTH_S = 31 * 86_400.0  # VictoriaMetrics: a number without a unit is one of months


def probe(options: InfluxOptions, environ: Mapping[str, str]) -> list[str]:
    """Return warnings about a server, each with what to do; none if it does not answer in time."""
    try:
        token = options.token(environ)
    except ConfigError:
        return []
    headers = {"Authorization": f"Token {token}"} if token else {}
    try:
        return list(_warnings(options, headers))
    except (OSError, http.client.HTTPException, ValueError, LookupError, TypeError):
        return []  # not reached, or an answer of some other server


def _warnings(options: InfluxOptions, headers: Mapping[str, str]) -> Iterator[str]:
    base = options.shown_url
    flags = dict(FLAG.findall(_get(f"{base}/metrics", headers)))
    if flags:
        if seconds(flags.get("dedup.minScrapeInterval", "0s"), 1.0) == 0:
            yield (
                "counts a row that is sent again twice; start it with -dedup.minScrapeInterval=1ms"
            )
        period_s = seconds(flags["retentionPeriod"], MONTH_S)
        remedy = "start it with -retentionPeriod=100y"
    else:
        period_s = _influx_retention_s(options, headers)
        remedy = "lengthen the retention of the bucket"
    if 0 < period_s < EARLY_DAYS * 86_400:
        yield f"forgets points after {count(round(period_s / 86_400), 'day')}; {remedy}"


def _influx_retention_s(options: InfluxOptions, headers: Mapping[str, str]) -> float:
    """Return the retention of the bucket in seconds, 0 if unlimited."""
    database, _, policy = options.bucket.partition("/")
    quoted = database.replace("\\", "\\\\").replace('"', '\\"')
    query = urllib.parse.urlencode({"q": f'SHOW RETENTION POLICIES ON "{quoted}"'})
    answer = json.loads(_get(f"{options.shown_url}/query?{query}", headers) or "{}")
    if "results" in answer:
        series = answer["results"][0]["series"][0]
        rows = [dict(zip(series["columns"], row, strict=True)) for row in series["values"]]
        named = [row for row in rows if row["name"] == policy or (not policy and row["default"])]
        return seconds(named[0]["duration"], 1.0)
    query = urllib.parse.urlencode({"name": options.bucket, "org": options.org})
    buckets: Any = json.loads(_get(f"{options.shown_url}/api/v2/buckets?{query}", headers))
    rules = buckets["buckets"][0]["retentionRules"]
    return float(rules[0]["everySeconds"]) if rules else 0.0


def seconds(period: str, unit_s: float) -> float:
    """Return the seconds of a period such as `168h0m0s`; a number without a unit counts `unit_s`.

    Raise ValueError if it is none.
    """
    if not re.fullmatch(f"(?:{PERIOD.pattern})+", period):
        raise ValueError(period)
    return sum(float(number) * SECONDS.get(unit, unit_s) for number, unit in PERIOD.findall(period))


def _get(url: str, headers: Mapping[str, str]) -> str:
    """Return the answer, "" if there is none at this address. Raise OSError, HTTPException.

    Redirections are not followed, since the token would be sent there, too.
    """
    parts = urllib.parse.urlsplit(url)
    place = parts._replace(scheme="", netloc="").geturl()
    with (
        Exchange(TIMEOUT_S) as exchange,
        contextlib.closing(http_connection(parts, exchange)) as connection,
    ):
        connection.request("GET", place, headers=dict(headers))
        with connection.getresponse() as answer:
            content = answer.read(MOST_BYTES)
    if exchange.expired:  # an answer that was cut off looks complete
        raise TimeoutError
    return content.decode(errors="replace") if answer.status < 300 else ""
