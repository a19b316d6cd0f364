"""Command line: thin commands over the library. Messages go to stderr, data to stdout."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from drivers.errors import DriverError
from logger.cli.lazy import LazyGroup
from logger.errors import MismatchdError

COMMANDS = {
    "setup": "setup",
    "run": "run",
    "check": "check",
    "ports": "ports",
    "calibrate": "calibrate",
    "chart": "chart",
    "feedline": "feedline",
    "tune": "tune",
    "wiggle": "wiggle",
    "export": "export",
    "dashboard": "dashboard",
    "isolate": "isolate",
    "verify": "verify",
    "live": "live",
    "page": "page",
    "status": "status",
    "report": "report",
    "faults": "faults",
    "alarms": "alarms",
    "journal": "journal",
    "notify": "notify",
    "record": "record",
    "recompute": "recompute",
    "backup": "backup",
    "restore": "restore",
    "handbook": "handbook",
}


@click.command(
    cls=LazyGroup, modules=COMMANDS, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(package_name="mismatchd", message="%(prog)s %(version)s")
def command() -> None:
    """Watch the reflection on a radio station's feedline.

    Reads forward and reflected detector volts of a directional coupler, turns them into watts and
    SWR, raises alarms and keeps every transmission. Alarms are a convenience: they do not replace
    the transmitter's own protection.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run `mismatchd`. Exit codes: 0 success, 1 failure, 2 wrong usage."""
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
