"""What the dashboard shows: panels with their questions, units and places on the page.

One station is shown at a time, with a table of all to choose from, so that fifty stations need no
more queries than one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from logger.dashboard.queries import (
    YEAR,
    Held,
    Latest,
    Moments,
    Query,
    Rows,
    Series,
    Standing,
)

JUST_NOW = "10s"  # a second of a transmission arrives two seconds after its end
MONTH = "30d"
UNITS = {
    "forward_w": "watt",
    "reflected_w": "watt",
    "forward_w_mean": "watt",
    "reflected_w_mean": "watt",
    "swr": "none",
    "swr_low": "none",
    "swr_high": "none",
    "duration_s": "s",
    "open_time_s": "s",
    "energy_j": "joule",
    "probability": "percentunit",
    "start": "dateTimeAsIso",
}
HEADINGS = {
    "station_id": "id",
    "start": "last transmission",
    "forward_w": "forward now",
    "reflected_w": "reflected now",
    "forward_w_mean": "forward",
    "reflected_w_mean": "reflected",
    "swr": "SWR",
    "swr_low": "SWR from",
    "swr_high": "SWR to",
    "duration_s": "duration",
    "energy_j": "energy",
    "alarms_open": "open alarms",
    "faults_open": "open faults",
    "pairs_per_s": "pairs per second",
    "open": "open now",
    "severity_level": "severity",
    "open_time_s": "time of excursions",
    "opened_utc": "opened",
    "probable_cause": "probable cause",
}
SEVERITY = {"1": "warning", "2": "critical"}
YES_NO = {"0": "no", "1": "yes"}


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A panel: its questions by the name of what they return.

    `width` is in 24ths of the page. `interval` is the shortest between points; None: one second.
    `words` are shown instead of values. `styles` are further settings of its kind. `sort` is the
    column whose highest values come first in a table.
    """

    title: str
    kind: str
    text: str
    queries: dict[str, Query]
    width: int
    height: int = 8
    unit: str = "none"
    interval: str = "1s"
    label: str | None = None  # of each series; default: the name of its question
    words: dict[str, str] = field(default_factory=dict)
    styles: dict[str, Any] = field(default_factory=dict)
    repeat: str | None = None
    sort: str | None = None
    time_from: str | None = None


@dataclass(frozen=True)
class Heading:
    """A row of the page."""

    title: str


@dataclass(frozen=True, kw_only=True)
class Marks:
    """Marks in all charts over time."""

    name: str
    color: str
    moments: Moments


BARS = {"drawStyle": "bars", "fillOpacity": 70, "lineWidth": 0, "stacking": {"mode": "normal"}}
DOTS = {"showPoints": "always", "pointSize": 4, "insertNulls": 10_000}
STEPS = {"lineInterpolation": "stepAfter", "fillOpacity": 20}
JOINED = {"spanNulls": True, "showPoints": "always", "pointSize": 4}
FROM_ONE = {"axisSoftMin": 1}  # no SWR is less


def page() -> Iterator[Heading | Panel]:
    """Yield headings and panels in their order."""
    yield from _stations()
    yield from _present()
    yield from _over_time()
    yield from _instrument()


def marks() -> list[Marks]:
    """Return the marks of work, faults and calibrations."""
    fault: dict[str, Any] = {
        "measurement": "fault",
        "by": ("fault",),
        "field": "open",
        "text": "summary",
    }
    return [
        Marks(
            name="Journal",
            color="blue",
            moments=Moments(
                measurement="journal", by=("kind",), field="count", value=1, text="text"
            ),
        ),
        Marks(name="Fault open", color="red", moments=Moments(**fault, value=1)),
        Marks(name="Fault quiet or closed", color="green", moments=Moments(**fault, value=0)),
        Marks(
            name="New calibration",
            color="purple",
            moments=Moments(
                measurement="transmission",
                field="calibration_change",
                value=1,
                text="calibration_id",
            ),
        ),
    ]


def _latest(measurement: str, name: str, window: str = JUST_NOW, **more: Any) -> Latest:
    return Latest(measurement=measurement, field=name, fold="last", window=window, **more)


def _stations() -> Iterator[Heading | Panel]:
    yield Heading("Stations")
    each: dict[str, Any] = {"by": ("station", "station_id"), "everywhere": True}
    yield Panel(
        title="All stations",
        kind="table",
        text="Choose a station here: the panels below show it. Those with most open faults come"
        " first; click a heading to sort otherwise. Watts are those of this moment, empty while"
        " nobody transmits; SWR is that of the last transmission within 30 days.",
        queries={
            "forward_w": _latest("second", "forward_w", **each),
            "reflected_w": _latest("second", "reflected_w", **each),
            "": Rows(
                measurement="transmission",
                fields=("swr", "swr_low", "swr_high"),
                texts=("start_utc",),
                window=MONTH,
                **each,
            ),
            "alarms_open": Standing(measurement="alarm", field="open", each="rule", **each),
            "faults_open": Standing(measurement="fault", field="open", each="fault", **each),
            "pairs_per_s": _latest("health", "pairs_per_s", "5m", **each),
        },
        width=24,
        height=6,
        sort="faults_open",
    )


def _present() -> Iterator[Heading | Panel]:
    yield Heading("Transmissions of $station")
    yield Panel(
        title="At this moment",
        kind="stat",
        text="Of the last ten seconds. Alarms here do not replace the transmitter's protection.",
        queries={
            "forward": _latest("second", "forward_w"),
            "reflected": _latest("second", "reflected_w"),
        },
        width=6,
        unit="watt",
    )
    yield Panel(
        title="Forward and reflected power",
        kind="timeseries",
        text="The highest second of each interval.",
        queries={
            name: Series(measurement="second", field=f"{name}_w", fold="max")
            for name in ("forward", "reflected")
        },
        width=18,
        unit="watt",
        styles=DOTS,
    )
    yield Panel(
        title="Latest transmission on each channel",
        kind="table",
        text="SWR with its 95 % interval; empty if the power was too low to state it.",
        queries={
            "": Rows(
                measurement="transmission",
                by=("channel",),
                fields=(
                    "duration_s",
                    "forward_w_mean",
                    "reflected_w_mean",
                    "swr",
                    "swr_low",
                    "swr_high",
                    "energy_j",
                ),
                texts=("start_utc", "flags"),
            )
        },
        width=24,
        height=7,
    )
    for title, name, unit in (
        ("Time on the air", "duration_s", "s"),
        ("Energy sent", "energy_j", "joule"),
    ):
        yield Panel(
            title=title,
            kind="timeseries",
            text="Sum of the transmissions that began in each interval.",
            queries={
                "": Series(measurement="transmission", by=("channel",), field=name, fold="sum")
            },
            width=12,
            unit=unit,
            interval="1m",
            label="channel ${__field.labels.channel}",
            styles=BARS,
        )


def _over_time() -> Iterator[Heading | Panel]:
    yield Heading("Feedline of $station")
    yield Panel(
        title="SWR on channel $channel",
        kind="timeseries",
        text="SWR of each transmission with its 95 % interval; medians where an interval of the"
        " chart has several.",
        queries={
            name: Series(measurement="transmission", by=("channel",), field=column, fold="median")
            for name, column in (("from", "swr_low"), ("SWR", "swr"), ("to", "swr_high"))
        },
        width=12,
        styles=JOINED | FROM_ONE,
        repeat="channel",
    )
    yield Panel(
        title="Excursions per hour",
        kind="timeseries",
        text="Short departures of the reflection, per hour of the clock.",
        queries={
            "": Series(measurement="excursion", by=("channel",), field="swr_peak", fold="per hour")
        },
        width=12,
        interval="1h",
        label="channel ${__field.labels.channel}",
        styles=BARS,
    )
    yield Panel(
        title="Alarms",
        kind="state-timeline",
        text="Kinds of alarm, open or not, from their first change in the range on.",
        queries={"": Held(measurement="alarm", by=("rule",), field="open")},
        width=12,
        label="${__field.labels.rule}",
        words={"0": "clear", "1": "open"},
    )
    yield Panel(
        title="Open faults",
        kind="timeseries",
        text="Number of faults that are open, neither quiet nor closed.",
        queries={
            "open faults": Held(measurement="fault", by=("fault",), field="open", is_total=True)
        },
        width=12,
        styles=STEPS,
    )
    yield Panel(
        title="Faults",
        kind="table",
        text="Faults of the last year, each as of its latest change; `mismatchd faults show ID`"
        " tells the whole story.",
        queries={
            "": Rows(
                measurement="fault",
                by=("fault",),
                fields=(
                    "open",
                    "severity_level",
                    "alarms",
                    "excursions",
                    "open_time_s",
                    "probability",
                ),
                texts=("opened_utc", "state", "summary", "probable_cause"),
                window=YEAR,
            )
        },
        width=24,
    )
    yield Panel(
        title="Drift by month",
        kind="timeseries",
        text="Median SWR of the transmissions of 30 days, two years back. `mismatchd report`"
        " separates season, steps and slope.",
        queries={
            "": Series(
                measurement="transmission",
                by=("channel",),
                field="swr",
                fold="median",
                window=MONTH,
            )
        },
        width=24,
        interval="1d",
        label="channel ${__field.labels.channel}",
        styles=JOINED | FROM_ONE,
        time_from="2y",
    )


def _instrument() -> Iterator[Heading | Panel]:
    yield Heading("Instrument of $station")

    def health(name: str, fold: Any) -> Series:
        return Series(measurement="health", field=name, fold=fold)

    yield Panel(
        title="Pairs per second",
        kind="timeseries",
        text="Pairs of readings from the bridge.",
        queries={"pairs per second": health("pairs_per_s", "mean")},
        width=6,
        interval="1m",
    )
    yield Panel(
        title="Lost data",
        kind="timeseries",
        text="Silences of the bridge, data dropped by the driver, rows dropped, commits refused.",
        queries={
            name: health(column, "sum")
            for name, column in (
                ("silences", "gaps"),
                ("input dropped", "input_dropped"),
                ("rows dropped", "rows_dropped"),
                ("commits refused", "commits_failed"),
            )
        },
        width=6,
        interval="1m",
        styles=BARS,
    )
    yield Panel(
        title="Slowest commit",
        kind="timeseries",
        text="Longest time that the disk took for a commit.",
        queries={"slowest commit": health("commit_ms_max", "max")},
        width=6,
        unit="ms",
        interval="1m",
    )
    yield Panel(
        title="Rows waiting",
        kind="timeseries",
        text="Rows waiting to be forwarded to servers.",
        queries={"rows": health("forwarder_backlog", "max")},
        width=6,
        interval="1m",
    )
    yield Panel(
        title="Clock synchronised",
        kind="state-timeline",
        text="Whether the host's clock was synchronised.",
        queries={"clock": health("clock_synchronised", "min")},
        width=24,
        height=4,
        interval="1m",
        words=YES_NO,
    )
