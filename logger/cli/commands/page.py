"""`mismatchd page`: serve the web page of the station."""

from __future__ import annotations

import ipaddress
import os
import secrets
import socket
from pathlib import Path

import click

from logger.cli.station import (
    calibration_of,
    config_option,
    configuration,
    line_db,
)
from logger.config.load import PAGE_PORT
from logger.errors import UsageError

TOKEN_ENV = "MISMATCHD_PAGE_TOKEN"


@click.command("page")
@config_option
@click.option("--address", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=PAGE_PORT,
    show_default=True,
    help="0: any free port.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="HOST",
    help="Additional host name for the URL, besides addresses and the name of this host.",
)
@click.option(
    "--token-file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help=f"File with the token that permits changes, 16 characters or more. Default: ${TOKEN_ENV},"
    " else a new token at each start.",
)
@click.option(
    "--certificate", type=click.Path(path_type=Path), metavar="PEM", help="Certificate for https."
)
@click.option(
    "--key", type=click.Path(path_type=Path), metavar="PEM", help="Key of the certificate."
)
def command(
    config_path: Path | None,
    address: str,
    port: int,
    names: tuple[str, ...],
    token_file: Path | None,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Serve pages for a browser.

    Shows the present reading, transmissions and captures with charts, faults, alarms, drift, report
    and journal, and guides adjusting the antenna and wiggling joints. Reads the store and the
    daemon's feed from its own process: visitors cannot delay the daemon, and nothing is loaded from
    other sites. Visitors without the token can read only. Other machines have access only with
    --address and a token. Ctrl-C stops it.
    """
    from logger.cli.commands.handbook import reference
    from logger.local_time import reader_zone
    from logger.page.admission import Gate
    from logger.page.app import application
    from logger.page.drawings import Station
    from logger.page.server import check_certificate, listener, serve
    from logger.page.site import Site
    from logger.service.upkeep import calibration_due

    config = configuration(config_path)
    station = Station(
        config.store.path,
        config.station.name,
        config.watchdog.high_swr.limit,
        config.transmission.min_forward_w,
        calibration_of(config),
        config.station,
        line_db(config),
        calibration_due(config),
        reader_zone(None, config.time_zone, os.environ),
        config.feedline,
    )
    host_address = _address(address)
    if (certificate is None) != (key is None):
        raise UsageError("give both --certificate and --key, or neither")
    if certificate is not None and key is not None:
        check_certificate(certificate, key)
    token = _token(token_file)
    if not host_address.is_loopback and token is None:
        raise UsageError(
            f"--address {host_address}: other machines can reach this address, so a token is"
            f" needed; put 16 characters or more into a file for --token-file, or into ${TOKEN_ENV}"
        )
    listening = listener(host_address, port)
    host = f"[{host_address}]" if host_address.version == 6 else str(host_address)
    url = f"http{'s' if certificate else ''}://{host}:{listening.getsockname()[1]}/"
    click.echo(f"page at {url}", err=True)
    if token is None:
        token = secrets.token_urlsafe(16)
        click.echo(f"with rights to make changes: {url}enter#{token}", err=True)
    if not host_address.is_loopback and certificate is None:
        click.echo(
            "without --certificate and --key others on the network can read everything, including"
            " the token; use this only on a network that you trust",
            err=True,
        )
    own = socket.gethostname().lower()
    hosts = {"localhost", own, f"{own}.local", *(name.lower() for name in names)}
    serve(
        application(Site(station, Gate(token), certificate is not None, reference), hosts),
        listening,
        certificate,
        key,
    )


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    try:
        return ipaddress.ip_address(text.removeprefix("[").removesuffix("]"))
    except ValueError:
        raise UsageError(
            f"--address {text!r}: not an IP address; write one of this machine such as 127.0.0.1,"
            " or 0.0.0.0 for all of them"
        ) from None


def _token(file: Path | None) -> str | None:
    from logger.config.credentials import from_file
    from logger.page.admission import LEAST_TOKEN

    if file is not None:
        token, where = from_file("--token-file", file, os.environ), str(file)
    else:
        token, where = os.environ.get(TOKEN_ENV, "").strip(), f"${TOKEN_ENV}"
        if not token:
            return None
    if len(token) < LEAST_TOKEN:
        raise UsageError(f"{where}: the token is too short; use {LEAST_TOKEN} characters or more")
    return token
