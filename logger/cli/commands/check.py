"""`mismatchd check`: validate configuration and calibration, and summarise them."""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from logger.cli.station import calibration_of, config_option, configuration
from logger.config.load import InfluxOptions
from logger.config.notifiers import NotifierOptions
from logger.wording import span


@click.command("check")
@config_option
@click.option(
    "--schema",
    is_flag=True,
    help="Print a JSON Schema of the configuration instead, with which an editor completes keys.",
)
def command(config_path: Path | None, schema: bool) -> None:
    """Validate configuration and calibration and summarise them. Opens no device.

    An InfluxDB server is asked how it keeps points, if it can be reached.
    """
    if schema:
        from logger.handbook import schema as keys

        click.echo(json.dumps(keys.schema(), indent=2, ensure_ascii=False))
        return
    from logger.calibration.coupler import Coupler
    from logger.calibration.quality import bench_noise

    config = configuration(config_path)
    content = calibration_of(config)
    coupler = Coupler(content, config.station.frequency_khz, config.station.temperature_range_c)
    watchdog = config.watchdog
    floor_w = coupler.readable_floor_w(bench_noise(coupler))
    valid = content.valid
    leak = content.directivity
    lines = [
        ("configuration", f"{config.path}: valid"),
        ("station", config.station.name + _channel(config.station.channel)),
        ("driver", config.kind),
        (
            "calibration",
            f"{config.calibration or 'of the simulated coupler'}, {coupler.id}, made"
            f" {content.date}",
        ),
        (
            "",
            f"covers {span(*valid.forward_w)} W incident, {content.watts} watts",
        ),
        (
            "",
            "directivity unknown: SWR intervals cover noise only"
            if leak is None
            else f"directivity {leak.reflected_db:.1f} dB{' or better' if leak.bound else ''}",
        ),
        ("", f"SWR of a single pair is readable from {floor_w:.3g} W"),
        (
            "transmission",
            f"from {config.transmission.min_forward_w:g} W, pauses under"
            f" {config.transmission.hang_ms:g} ms do not end it",
        ),
        (
            "alarms",
            f"high-swr above {watchdog.high_swr.limit:g} for {watchdog.high_swr.hold_ms:g} ms",
        ),
        (
            "",
            f"high-reflected-power above {watchdog.high_reflected_power.limit_w:g} W for"
            f" {watchdog.high_reflected_power.hold_ms:g} ms",
        ),
        ("", f"no-data after {watchdog.no_data.after_s:g} s; detector-fault"),
        ("", "target false alarms per year:"),
        *(("", f"{kind} {rate:g}") for kind, rate in watchdog.false_alarms_per_year().items()),
        ("store", str(config.store.path)),
        *(
            ("" if index or number else "influxdb", text)
            for index, server in enumerate(config.forwarders)
            for number, text in enumerate(_server(server))
        ),
        (
            "metrics",
            "none" if config.metrics is None else f"http://{config.metrics.listen}/metrics",
        ),
        *([] if config.forwarders else [("influxdb", "none")]),
        *(
            ("" if index else "notify", _notifier(notifier))
            for index, notifier in enumerate(config.notifiers)
        ),
        *([] if config.notifiers else [("notify", "none")]),
    ]
    for name, text in lines:
        click.echo(f"{name:14}{text}")


def _server(options: InfluxOptions) -> list[str]:
    from logger.forward.probe import probe

    return [
        f"{options.shown_url}, bucket {options.bucket}",
        *(f"the server {warning}" for warning in probe(options, os.environ)),
    ]


def _notifier(options: NotifierOptions) -> str:
    name = "" if options.title == options.kind else f"{options.title}: "
    limits = [*(options.alarms or ()), *(options.severities or ())]
    only = f", only {', '.join(limits)}" if limits else ""
    time = getattr(options, "daily", None)
    daily = f", daily message at {time} UTC" if time else ""
    return f"{name}{options.kind} to {options.destination}{only}{daily}"


def _channel(channel: int | None) -> str:
    return "" if channel is None else f", channel {channel} unless the bridge reports it"
