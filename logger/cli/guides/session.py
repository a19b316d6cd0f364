"""Shared by all guided work: confirming cautions, resuming a session, stopping."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import click
import msgspec
from click.exceptions import Exit

from drivers.contract import EndOfInput
from logger.cli.guides.terminal import InputEnded, Stop, Terminal
from logger.errors import MismatchdError
from logger.store.work_session import Resumable, WorkSession
from logger.utc import format_ns

S = TypeVar("S", bound=Resumable)

result_option = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    help="Result as words, or as JSON on stdout besides. Default: text on a terminal, else json.",
)


def print_result(result: object, form: str | None) -> None:
    """Print the result of guided work as JSON, if that was chosen or no person reads stdout."""
    if form == "json" or (form is None and not sys.stdout.isatty()):
        click.echo(msgspec.json.encode(result).decode())


def reserve(work: WorkSession[S]) -> WorkSession[S]:
    """Keep other processes from this work until the command ends. Raises StoreInUseError."""
    work.reserve()
    click.get_current_context().call_on_close(work.close)
    return work


def offer_resume(terminal: Terminal, work: WorkSession[S], progress: Callable[[S], str]) -> None:
    """Resume the unfinished session, if there is one and the user wants it. Raises Stop.

    `progress` returns the progress of a session as text.
    """
    unfinished = work.unfinished()
    if unfinished is None:
        return
    when = format_ns(unfinished.changed_ns)[:16].replace("T", " ")
    terminal.say(f"An unfinished session of {when} UTC: {progress(unfinished.session)}.")
    answer = terminal.answer("Continue it? (Enter: yes, n: start a new one, q: quit)").lower()
    while answer not in ("", "y", "yes", "n", "no"):
        answer = terminal.answer("Enter for yes, n or q:").lower()
    if answer not in ("n", "no"):
        work.resume(unfinished)


def confirm(terminal: Terminal, texts: Iterable[str], question: str) -> None:
    """Show texts and ask for confirmation. Raises Stop unless the answer is yes."""
    for text in texts:
        terminal.say(text)
    if terminal.answer(question).lower() not in ("yes", "y"):
        raise Stop


@contextmanager
def stoppable(
    terminal: Terminal, stopped: Callable[[], str], ended: Callable[[], str]
) -> Iterator[None]:
    """Exit with 0 if the user stops, with 130 on Ctrl-C; raise MismatchdError if the input ends.

    The input is the pairs or the user's answers. `stopped` and `ended` return the message, which
    says what is saved.
    """
    try:
        yield
    except (EndOfInput, InputEnded) as error:
        terminal.say("")
        raise MismatchdError(ended()) from error
    except (Stop, KeyboardInterrupt) as reason:
        terminal.say("")
        terminal.say(stopped())
        raise Exit(0 if isinstance(reason, Stop) else 130) from None
