"""`mismatchd restore`: put a copy made by `backup`, or what was pushed, in place of the store."""

from __future__ import annotations

import os
from pathlib import Path

import click

from logger.cli.station import config_option, configuration
from logger.config.load import RemoteOptions
from logger.errors import UsageError
from logger.store.backup import restore

REMOTE = "s3://"


@click.command("restore")
@config_option
@click.option(
    "--id",
    "station_id",
    metavar="ID",
    help="Station to restore from an object store that has several.",
)
@click.argument("file")
def command(config_path: Path | None, station_id: str | None, file: str) -> None:
    """Put FILE, a copy made by `mismatchd backup`, in place of the store.

    FILE may also be the address of an object store, s3://bucket/prefix, to which `mismatchd push`
    has copied the store. It is read with the key in $AWS_ACCESS_KEY_ID and $AWS_SECRET_ACCESS_KEY
    at the server of `store.remote.endpoint`, or else of $AWS_ENDPOINT_URL.

    The daemon must not be running. The present store is renamed, not deleted.
    """
    store = configuration(config_path).store
    if file.startswith(REMOTE):
        from logger.fleet.remote import Remote
        from logger.fleet.restore import choose, fetch

        endpoint = None if store.remote is None else store.remote.endpoint
        remote = Remote(RemoteOptions(url=file, endpoint=endpoint), os.environ)
        chosen = choose(remote, station_id)
        store.path.parent.mkdir(parents=True, exist_ok=True)
        aside = fetch(store.path, remote, chosen)
        file = f"{file}, station {chosen}"
    elif station_id is not None:
        raise UsageError("--id is for an object store; name it as s3://bucket/prefix")
    else:
        aside = restore(store.path, Path(file))
    click.echo(f"{store.path}: restored from {file}", err=True)
    if aside is not None:
        click.echo(f"the former store is {aside.name}", err=True)
