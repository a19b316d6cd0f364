"""Shared by `report` and `chart drift`: the options for the days, and the account."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.utc import parse_time

if TYPE_CHECKING:
    from logger.config.load import Config
    from logger.store.reader import Store
    from logger.trend.account import Account

F = TypeVar("F", bound=Callable[..., Any])


def span_options(function: F) -> F:
    """Add --since and --until; the command receives both as text or None."""
    function = click.option("--until", metavar="TIME", help="End time, exclusive.")(function)
    return click.option(
        "--since",
        metavar="TIME",
        help="Start time: 2026-03-01, or how long ago: 90d, 52w. Times are UTC.",
    )(function)


def account_of(
    store: Store,
    config: Config,
    since: str | None,
    until: str | None,
    now_ns: int,
    channels: Sequence[int] = (),
    most: int | None = None,
    explained: bool = False,
) -> Account:
    """Return the account of a station's store, with progress on a terminal. Raises UsageError."""
    from logger.cli.export import FOREVER
    from logger.report.gather import account

    span_ns = (
        FOREVER[0] if since is None else parse_time(since, now_ns),
        FOREVER[1] if until is None else parse_time(until, now_ns),
    )
    shown = sys.stderr.isatty()

    def progress(name: str) -> None:
        if shown:
            click.echo(f"\r\x1b[K{name}", nl=False, err=True)

    try:
        return account(
            store,
            config.station.name,
            config.watchdog.high_swr.limit,
            min(now_ns, span_ns[1]),
            span_ns,
            channels=channels,
            most=most,
            explained=explained,
            progress=progress,
        )
    finally:
        if shown:
            click.echo("\r\x1b[K", nl=False, err=True)
