"""Command line: thin commands over the library. Messages go to stderr, data to stdout."""

from __future__ import annotations

import atexit
import gc
import os
import sys
from typing import Any

import click

from drivers.errors import DriverError
from logger.cli.lazy import LazyGroup
from logger.errors import MismatchdError

# Each with the first sentence of its help, which is listed without importing it.
COMMANDS = {
    "setup": "Set up a station: port, configuration, calibration, service.",
    "run": "Watch the station.",
    "check": "Validate configuration and calibration and summarise them.",
    "ports": "List serial ports.",
    "calibrate": "Calibrate the coupler.",
    "chart": "Draw a chart as PNG, SVG or PDF.",
    "feedline": "Compare the losses of cables.",
    "tune": "Adjust an antenna.",
    "wiggle": "Find a loose joint.",
    "export": "Print stored rows.",
    "dashboard": "Write a dashboard of the rows that are forwarded to a database.",
    "isolate": "Find the faulty part by elimination, while the fault is there.",
    "verify": "Check the coupler against its dummy load.",
    "live": "Watch SWR and power in the terminal.",
    "page": "Serve pages for a browser.",
    "status": "Show the state of the daemon.",
    "report": "Report the state of the feedline.",
    "faults": "List, explain and acknowledge faults.",
    "alarms": "List, explain and acknowledge alarms.",
    "journal": "Record and list work on the station.",
    "notify": "Manage notifications of faults and alarms.",
    "record": "Record the raw bytes of the configured port.",
    "recompute": "Derive stored rows again.",
    "push": "Copy raw pairs and rows to the object store of `store.remote`.",
    "fleet": "Report on many stations, query their rows, derive these again, learn from them.",
    "backup": "Copy the store to FILE, also while the daemon runs.",
    "restore": "Put FILE, a copy made by `mismatchd backup`, in place of the store.",
    "handbook": "Print a topic of the handbook, or list the topics.",
}


@click.command(
    cls=LazyGroup,
    modules={name: name for name in COMMANDS},
    summaries=COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="mismatchd", message="%(prog)s %(version)s")
def command() -> None:
    """Watch the reflection on a radio station's feedline.

    Reads forward and reflected detector volts of a directional coupler, turns them into watts and
    SWR, raises alarms and keeps every transmission. Alarms are a convenience: they do not replace
    the transmitter's own protection.

    `mismatchd setup` sets up a station, `mismatchd handbook` lists the topics of the manual.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run `mismatchd`. Exit codes: 0 success, 1 failure, 2 wrong usage."""
    atexit.register(gc.freeze)  # so that the interpreter does not search for garbage as it ends
    try:
        code: Any = command.main(arguments, prog_name="mismatchd", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.exceptions.Abort:
        sys.exit(130)
    except MismatchdError as error:
        click.echo(f"mismatchd: {error}", err=True)
        sys.exit(error.exit_code)
    except DriverError as error:
        click.echo(f"mismatchd: {error}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        # The reader of the output closed the pipe; keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)
