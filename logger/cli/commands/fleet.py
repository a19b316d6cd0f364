"""`mismatchd fleet`: all stations of an archive."""

from __future__ import annotations

import click

from logger.cli.lazy import LazyGroup


@click.command(
    "fleet",
    cls=LazyGroup,
    modules={name: f"fleet_{name}" for name in ("report", "query", "recompute")},
)
def command() -> None:
    """Report on many stations, query their rows, derive these again.

    Works on what the stations have pushed: an archive, which is the address of an object store,
    s3://bucket/prefix, or a folder. It is read with the key in $AWS_ACCESS_KEY_ID and
    $AWS_SECRET_ACCESS_KEY at the server of $AWS_ENDPOINT_URL. Needs the extra `fleet`.
    """
