"""`mismatchd check`: validate configuration and calibration, and summarise them."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module
from pathlib import Path

import click

from logger.cli.station import calibration_of, config_option, configuration
from logger.config.load import (
    DEFAULT_PLAN,
    AntennaOptions,
    Config,
    InfluxOptions,
    RemoteOptions,
    StationOptions,
    antenna_numbers,
)
from logger.config.notifiers import NotifierOptions
from logger.errors import ConfigError, StoreError, UsageError
from logger.extras import explain_missing
from logger.stages.antennas import Antennas, describe_unknown
from logger.store.reader import Store
from logger.wording import count, span


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
    _check_cables(config)
    content = calibration_of(config)
    coupler = Coupler(content, config.station.frequency_khz, config.station.temperature_range_c)
    watchdog = config.watchdog
    rates = watchdog.false_alarm_rates()
    floor_w = coupler.readable_floor_w(bench_noise(coupler))
    valid = content.valid
    leak = content.directivity
    lines = [
        ("configuration", f"{config.path}: valid"),
        ("station", config.station.name + _channel(config.station.channel)),
        ("", _plan(config.station)),
        *(("" if n else "antennas", text) for n, text in enumerate(_antennas(config))),
        ("driver", config.kind),
        (
            "calibration",
            f"of the simulated coupler, {coupler.id}"
            if config.calibration.file is None
            else f"{config.calibration.file}, {coupler.id}, made {content.date}, to be verified"
            f" every {count(config.calibration.verify_every_days, 'day')}",
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
        ("", f"target false alarms per year, whole station: {sum(rates.values()):g}"),
        *(("", f"{kind} {rate:g}") for kind, rate in rates.items()),
        ("store", str(config.store.path)),
        *(("", text) for text in _remote(config.store.remote)),
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
    if unknown := _unknown_antennas(config):
        click.echo(f"warning: {describe_unknown(unknown)}", err=True)


def _check_cables(config: Config) -> None:
    """Raise ConfigError if a cable of a line is neither published nor NAME=DB."""
    from logger.feedline.cables import validate

    lines = {f"antennas[{n}].line": antenna.line for n, antenna in enumerate(config.antennas)}
    for key, line in {"feedline": config.feedline, **lines}.items():
        if line is not None and line.cable is not None:
            try:
                validate(line.cable)
            except UsageError as error:
                raise ConfigError(f"{config.path}: {key}.cable: {error}") from None


def _unknown_antennas(config: Config) -> list[str]:
    """Return the antennas in the journal that are not configured; none if it cannot be read."""
    with suppress(StoreError), Store.reader(config.store.path) as store:
        antennas = Antennas(config.antennas, config.station)
        return antennas.know_changes(store.notes().antennas)
    return []


def _remote(options: RemoteOptions | None) -> Iterator[str]:
    """Yield where `push` copies the store, and what it lacks."""
    if options is None:
        return
    at = f" at {options.endpoint}" if options.endpoint else ""
    key = f"key {options.access_key}" if options.access_key else "the key in the environment"
    yield f"`push` copies it to {options.url}{at} with {key}"
    try:
        import_module("logger.fleet")
        options.secret(os.environ)
    except ModuleNotFoundError as error:
        yield f"`push` cannot: {explain_missing(error, 'it')}"
    except ConfigError as error:
        yield f"`push` cannot: {error}"


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


def _plan(station: StationOptions) -> str:
    """Return the channel plan in words."""
    plan = station.channels
    if not plan:
        return "no channel plan: a frequency is configured; see station.channel_plan"
    words = f"{count(len(plan), 'channel')} of the plan {station.channel_plan or DEFAULT_PLAN}"
    if station.channel_plan is None:
        words += ", by default; another one: station.channel_plan"
    if station.channel is not None:
        mhz = plan.get(station.channel)
        own = "has no frequency" if mhz is None else f"is {mhz:g} MHz"
        words += f"; channel {station.channel} {own}"
    return words


def _antennas(config: Config) -> Iterator[str]:
    """Yield a line for each antenna, and how one of several on a band is known."""
    antennas = config.antennas
    for antenna, number in zip(antennas, antenna_numbers(antennas), strict=True):
        line = config.line_of(antenna.name)
        parts = [
            ", ".join(band.name for band in antenna.ranges) or "all bands",
            f"{number:g} in the bridge's column antenna",
            *([] if line.cable is None else [line.cable]),
            *([] if line.length_m is None else [f"{line.length_m:g} m"]),
        ]
        yield f"{antenna.name}: {', '.join(parts)}"
    shared = [
        f"{one.name} and {other.name}"
        for n, one in enumerate(antennas)
        for other in antennas[:n]
        if _overlap(one, other)
    ]
    if shared:
        yield (
            f"{'; '.join(shared)} share a band: without that column, note each change with"
            " `mismatchd journal add --kind antenna NAME`, or give each its `swr`"
        )


def _overlap(one: AntennaOptions, other: AntennaOptions) -> bool:
    """True if both antennas may be in use at some frequency."""
    return (
        not one.bands
        or not other.bands
        or any(
            a.low_mhz < b.high_mhz and b.low_mhz < a.high_mhz
            for a in one.ranges
            for b in other.ranges
        )
    )
