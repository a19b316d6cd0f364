"""`mismatchd record`: record the raw bytes of the port in a file for the driver `replay`."""

from __future__ import annotations

import signal
import threading
import time
from pathlib import Path

import click
import msgspec

from drivers.recording import Header, Writer
from drivers.timeline import read_clocks
from logger.cli.station import config_option, configuration, output_option
from logger.errors import UsageError


@click.command("record")
@config_option
@output_option("Recording to write; compressed if it ends in .gz.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0, min_open=True),
    help="Stop after this time. Default: at Ctrl-C or SIGTERM.",
)
def command(config_path: Path | None, output: Path, seconds: float | None) -> None:
    """Record the raw bytes of the configured port.

    The recording has the arrival time of each piece and can be replayed.
    """
    config = configuration(config_path)
    driver = config.make_driver()
    if not hasattr(driver, "read_raw"):
        raise UsageError(f"driver {config.kind} reads no port, so there is nothing to record")
    header = Header(config.kind, msgspec.to_builtins(config.driver_options))
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    driver.open()
    try:
        writer = Writer(output, header)
    except OSError as error:
        driver.close()
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    total = 0
    offset_ns = read_clocks().offset_ns  # read once, so that a recording has no clock steps
    until_s = None if seconds is None else time.monotonic() + seconds
    try:
        while not stop.is_set() and (until_s is None or time.monotonic() < until_s):
            for chunk in driver.read_raw(0.25, 0.0):
                writer.write(chunk._replace(arrival_ns=chunk.arrival_ns + offset_ns))
                total += len(chunk.data)
            for notice in driver.notices():
                click.echo(notice, err=True)
    finally:
        writer.close()
        driver.close()
    click.echo(f"recorded {total} bytes to {output}", err=True)
