"""`mismatchd handbook`: print a topic of the handbook."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from logger.cli.station import config_option
from logger.handbook.topics import NAMES, REFERENCE, locate_images, name_topics, read, title

WIDEST = 100  # characters


@click.command("handbook")
@click.argument("topic", type=click.Choice(NAMES), required=False, metavar="[TOPIC]")
@config_option
def command(topic: str | None, config_path: Path | None) -> None:
    """Print a topic of the handbook, or list the topics.

    On a terminal a topic is formatted and shown in a pager; otherwise it is Markdown.
    """
    del config_path  # every command accepts it; this one does not need it
    if topic is None:
        width = max(map(len, NAMES))
        for name in NAMES:
            click.echo(f"{name:<{width}}  {title(name)}")
        return
    text = reference() if topic == REFERENCE else locate_images(read(topic))
    if sys.stdout.isatty():
        click.echo_via_pager(_formatted(text), color=True)
    else:
        click.echo(text.rstrip("\n"))


def reference() -> str:
    """Return the generated reference as Markdown."""
    from logger.cli import command as root
    from logger.handbook import reference as generated

    return generated.reference(root)


def _formatted(markdown: str) -> str:
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    with console.capture() as capture:
        console.print(Markdown(name_topics(markdown)), width=min(console.width, WIDEST))
    return capture.get()
