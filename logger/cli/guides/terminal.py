"""Dialogue on a terminal while pairs are read: output to stderr, answers from stdin."""

from __future__ import annotations

import math
import os
import select
import sys
import textwrap
import time

import click

REDRAW_S = {True: 0.2, False: 1.0}  # a terminal line is overwritten; elsewhere lines are appended


class Stop(Exception):  # noqa: N818 - a request of the user, not an error
    """Raised when the user stops; results so far are kept."""


class InputEnded(Stop):
    """Raised when there are no more answers."""


class Terminal:
    """Prints messages to stderr, reads lines from stdin, redraws one progress line."""

    def __init__(self) -> None:
        self.interactive = sys.stdin.isatty()
        self._redraws = sys.stderr.isatty()
        self._typed = b""
        self._drawn = 0  # length of the progress line
        self._drawn_s = -math.inf

    def _width(self) -> int:
        try:
            return os.get_terminal_size(sys.stderr.fileno()).columns or 80
        except OSError:
            return 80

    def say(self, text: str) -> None:
        """Print a message, wrapped between words on a terminal."""
        self._wipe()
        click.echo(self._folded(text), err=True)

    def _folded(self, text: str) -> str:
        if not self._redraws:
            return text
        hang = "  " if text.startswith("- ") else ""
        return textwrap.fill(text, max(20, self._width() - 1), subsequent_indent=hang)

    def ring(self) -> None:
        """Ring the bell, for a user who watches the instrument and not the screen."""
        if self._redraws:
            click.echo("\a", nl=False, err=True)

    def ask(self, text: str) -> None:
        """Print a prompt; `line` returns the answer."""
        self._wipe()
        click.echo(f"{self._folded(text)} ", nl=False, err=True)

    def answer(self, prompt: str) -> str:
        """Return the line typed in answer to a prompt. Raises Stop for q, InputEnded."""
        self.ask(prompt)
        line = self.line(None) or ""
        if line.lower() == "q":
            raise Stop
        return line

    def draw(self, *forms: str) -> None:
        """Redraw the progress line with the first of `forms` that fits."""
        now_s = time.monotonic()
        if now_s - self._drawn_s < REDRAW_S[self._redraws]:
            return
        self._drawn_s = now_s
        if not self._redraws:
            click.echo(forms[0], err=True)
            return
        room = self._width() - 1
        text = next((form for form in forms if len(form) <= room), forms[-1][:room])
        click.echo(f"\r{text.ljust(min(self._drawn, room))}", nl=False, err=True)
        self._drawn = len(text)

    def _wipe(self) -> None:
        if self._drawn:
            room = min(self._drawn, self._width() - 1)
            click.echo(f"\r{' ' * room}\r", nl=False, err=True)
            self._drawn = 0
        self._drawn_s = -math.inf

    def line(self, timeout_s: float | None) -> str | None:
        """Return the next line typed, None after `timeout_s` (None: no limit).

        Raises InputEnded.
        """
        stdin = sys.stdin.fileno()
        while b"\n" not in self._typed:
            if not select.select([stdin], [], [], timeout_s)[0]:
                return None
            try:
                data = os.read(stdin, 4096)
            except OSError:  # the terminal is gone
                data = b""
            if not data:
                raise InputEnded
            self._typed += data
        line, _, self._typed = self._typed.partition(b"\n")
        if not self.interactive:
            click.echo(err=True)
        return line.decode(errors="replace").strip()

    def give_back(self, line: str) -> None:
        """Push back `line` as the answer to the next question."""
        self._typed = f"{line}\n".encode() + self._typed
