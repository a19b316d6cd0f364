"""`mismatchd run`: the daemon in the foreground."""

from __future__ import annotations

import faulthandler
import logging
import sys
import time
from pathlib import Path

import click

from logger.cli.announce import Announcer
from logger.cli.station import calibration_of, config_option, configuration


@click.command("run")
@config_option
@click.option(
    "--events",
    is_flag=True,
    help="Print each ended transmission and alarm change as a JSON line on stdout.",
)
def command(config_path: Path | None, events: bool) -> None:
    """Watch the station until SIGTERM or Ctrl-C, or the end of a replayed file."""
    from logger.calibration.coupler import Coupler
    from logger.daemon import Daemon

    faulthandler.enable()  # where every thread was, if the service manager's watchdog ends us
    logging.Formatter.converter = time.gmtime
    logging.basicConfig(
        stream=sys.stderr, level=logging.INFO, format="%(asctime)sZ %(message)s", datefmt="%H:%M:%S"
    )
    log = logging.getLogger("mismatchd")
    config = configuration(config_path)
    coupler = Coupler(calibration_of(config), config.station.frequency_khz)
    driver = config.driver_class(config.driver_options)  # type: ignore[call-arg]
    with Announcer(events=events) as announcer:
        daemon = Daemon(config, coupler, driver, announcer.tell)
        log.info(
            "watching %s (%s), calibration %s, store %s",
            config.station.name,
            config.kind,
            coupler.id,
            config.store.path,
        )
        summary = daemon.run()
    log.info("ended; %s", summary)
