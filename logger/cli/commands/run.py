"""`mismatchd run`: run the daemon in the foreground."""

from __future__ import annotations

import contextlib
import faulthandler
import logging
import os
from pathlib import Path

import click

from drivers.errors import DriverError
from logger.cli.announce import Announcer
from logger.cli.station import calibration_of, config_option, configuration
from logger.cli.stderr_log import JournalFormatter, JsonFormatter, StderrLog, formatter
from logger.errors import MismatchdError
from logger.service.heap import share_heap


@click.command("run")
@config_option
@click.option(
    "--events",
    is_flag=True,
    help="Print each ended transmission and each change of an alarm or a fault as a JSON line on"
    " stdout.",
)
@click.option(
    "--wait-for-bridge",
    is_flag=True,
    help="Wait for a port that is missing, busy or not permitted at the start.",
)
@click.option(
    "--log-format",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Lines of the log on stderr: text (with priorities if stderr is the journal of systemd),"
    " or JSON objects with time_utc, priority, level and message.",
)
def command(config_path: Path | None, events: bool, wait_for_bridge: bool, log_format: str) -> None:
    """Watch the station.

    Runs until SIGTERM, Ctrl-C or the end of a replayed file.
    """
    share_heap()
    log = logging.getLogger("mismatchd")
    form = formatter(log_format, os.environ)
    with contextlib.closing(StderrLog(form)) as handler:
        logging.basicConfig(handlers=[handler], level=logging.INFO)
        try:
            _run(config_path, events=events, wait=wait_for_bridge)
        except (MismatchdError, DriverError) as error:
            if not isinstance(form, JournalFormatter | JsonFormatter):
                raise
            log.critical("%s", error)
            raise SystemExit(getattr(error, "exit_code", 1)) from None


def _run(config_path: Path | None, *, events: bool, wait: bool) -> None:
    from logger.calibration.coupler import Coupler
    from logger.daemon import Daemon

    faulthandler.enable()  # log all stacks if the service manager's watchdog kills the process
    log = logging.getLogger("mismatchd")
    config = configuration(config_path, log.warning)
    coupler = Coupler(
        calibration_of(config, log.warning),
        config.station.frequency_khz,
        config.station.temperature_range_c,
    )
    driver = config.make_driver()
    with Announcer(events=events) as announcer:
        daemon = Daemon(config, coupler, driver, announcer.announce, wait=wait)
        log.info(
            "watching %s (%s), calibration %s, store %s",
            config.station.name,
            config.kind,
            coupler.id,
            config.store.path,
        )
        summary = daemon.run()
    log.info("ended; %s", summary)
