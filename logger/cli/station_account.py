"""Shared by `report` and `chart drift`: the options for the days, and the account."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.utc import FOREVER, parse_time

if TYPE_CHECKING:
    from logger.config.load import Config
    from logger.store.reader import Store
    from logger.trend.account import Account
    from logger.trend.priors import LinePriors

F = TypeVar("F", bound=Callable[..., Any])


def span_options(function: F) -> F:
    """Add --since and --until; the command receives both as text or None."""
    function = click.option("--until", metavar="TIME", help="End time, exclusive.")(function)
    return click.option(
        "--since",
        metavar="TIME",
        help="Start time: 2026-03-01, or how long ago: 90d, 52w. Times are UTC.",
    )(function)


def priors_of(config: Config, now_ns: int) -> LinePriors | None:
    """Return the priors that are configured. Raise ConfigError."""
    from logger.trend.priors import LinePriors, read

    return None if config.priors is None else LinePriors(read(config.priors), config.lines, now_ns)


def account_of(
    store: Store,
    config: Config,
    since: str | None,
    until: str | None,
    now_ns: int,
    channels: Sequence[int] = (),
    most: int | None = None,
    joint: bool = False,
    antenna: str | None = None,
) -> Account:
    """Return the account of a station's store, with progress on a terminal. Raises UsageError."""
    from logger.trend.gather import account, read_history

    span_ns = (
        FOREVER[0] if since is None else parse_time(since, now_ns),
        FOREVER[1] if until is None else parse_time(until, now_ns),
    )
    has_terminal = sys.stderr.isatty()

    def progress(name: str) -> None:
        if has_terminal:
            click.echo(f"\r\x1b[K{name}", nl=False, err=True)

    try:
        return account(
            read_history(store, min(now_ns, span_ns[1]), span_ns, progress),
            config.station.name,
            config.watchdog.high_swr.limit,
            channels=channels,
            antenna=antenna,
            most=most,
            joint=joint,
            plan=config.station.channels,
            priors=priors_of(config, now_ns),
            progress=progress,
        )
    finally:
        if has_terminal:
            click.echo("\r\x1b[K", nl=False, err=True)
