"""`mismatchd page`: serve the web page of the station."""

from __future__ import annotations

import ipaddress
import os
import secrets
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from logger.cli.station import calibration_of, configuration, line_db
from logger.cli.stations import STATION_ERRORS, name_stations, stations_option
from logger.config.load import PAGE_PORT
from logger.errors import UsageError

if TYPE_CHECKING:
    from logger.page.drawings import Station

TOKEN_ENV = "MISMATCHD_PAGE_TOKEN"


@click.command("page")
@stations_option
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
    config_paths: Sequence[Path],
    address: str,
    port: int,
    names: tuple[str, ...],
    token_file: Path | None,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Serve pages for a browser.

    Shows the present reading, transmissions and captures with charts, faults, alarms, drift,
    report, journal, and the instrument's health and calibration, and guides `tune`, `wiggle`,
    `isolate`, `verify` and `feedline measure`. Reads the store and the daemon's feed from its own
    process: visitors cannot delay the daemon, and nothing is loaded from other sites. Visitors
    without the token can read only; the token permits changes to all stations that are served.
    Other machines have access only with --address and a token. Ctrl-C stops it. Several stations
    have an overview, and their pages below /stations/NAME/.
    """
    from logger.cli.commands.handbook import reference
    from logger.page.admission import Gate
    from logger.page.app import application
    from logger.page.chart_renderer import Rendering
    from logger.page.server import check_certificate, listener, serve
    from logger.page.site import Site

    stations, invalid = _stations(config_paths)
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
        first = f"{url}{stations[0].prefix[1:]}/" if stations[0].prefix else url
        click.echo(f"with rights to make changes: {first}enter#{token}", err=True)
    if not host_address.is_loopback and certificate is None:
        click.echo(
            "without --certificate and --key others on the network can read everything, including"
            " the token; use this only on a network that you trust",
            err=True,
        )
    own = socket.gethostname().lower()
    hosts = {"localhost", own, f"{own}.local", *(name.lower() for name in names)}
    gate, rendering = Gate(token), Rendering()
    sites = [
        Site(station, gate, certificate is not None, reference, rendering, title, prefix)
        for title, prefix, station in stations
    ]
    serve(
        application(sites, rendering, hosts, invalid),
        listening,
        certificate,
        key,
    )


class ServedStation(NamedTuple):
    """Station with its title and the prefix of its addresses, both its own among several."""

    title: str
    prefix: str
    station: Station


def _stations(config_paths: Sequence[Path]) -> tuple[list[ServedStation], dict[str, str]]:
    """Return the stations to serve, and the errors of the others by their titles.

    Of several, one whose configuration or calibration is invalid is left out with a warning. Raise
    ConfigError, CalibrationError if none is left.
    """
    from logger.page.stations import ROOT, list_keys

    if len(config_paths) == 1:
        station = _station(config_paths[0])
        return [ServedStation(station.name, "", station)], {}
    served, invalid, last_error = [], {}, None
    keys = list_keys([path.stem for path in config_paths])
    for path, title, key in zip(config_paths, name_stations(config_paths), keys, strict=True):
        try:
            served.append(ServedStation(title, f"{ROOT}{key}", _station(path)))
        except STATION_ERRORS as error:
            click.echo(f"warning: {title} is left out: {error}", err=True)
            invalid[title], last_error = str(error), error
    if last_error is not None and not served:
        raise last_error
    return served, invalid


def _station(config_path: Path) -> Station:
    from logger.local_time import reader_zone
    from logger.page.drawings import Station
    from logger.service.upkeep import calibration_due

    config = configuration(config_path)
    return Station(
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
