"""`mismatchd live`: show the live reading on a terminal."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import termios
import time
import tty
from collections.abc import Iterator
from datetime import tzinfo
from pathlib import Path

import click
from rich.console import Console, Group

from logger.cli.station import config_option, configuration, local_option, zone_of
from logger.config.load import Config
from logger.live.client import Follower
from logger.live.headline import fault_text
from logger.live.reading_tracker import ReadingTracker
from logger.live.screen import Frame, lines, plain
from logger.live.status import expect_access
from logger.live.status_poller import StatusPoller
from logger.wording import capitalize

REDRAW_S = 0.2
PLAIN_S = 1.0
END, CLEAR = b"q", b"c"


@click.command("live")
@config_option
@click.option("--plain", "as_lines", is_flag=True, help="Print lines, no screen.")
@local_option
def command(config_path: Path | None, as_lines: bool, local: bool | None) -> None:
    """Watch SWR and power in the terminal.

    Shows the readings of the running daemon: the SWR with its 95 % interval on a scale of the
    reflection coefficient, forward and reflected power, the highest values since key-down, faults
    and open alarms, the last transmissions and the state of the daemon, which may be restarted
    meanwhile. q or Ctrl-C quits, c clears the highest values. Without a terminal (a pipe, a dumb
    terminal) it prints one line a second, and one whenever a fault has changed.
    """
    config = configuration(config_path)
    expect_access(config.store.path)
    zone = zone_of(config, local)
    console = Console(highlight=False)
    follower = Follower(config.store.path)
    draws = console.is_terminal and not console.is_dumb_terminal and not as_lines
    try:
        if draws:
            _draw(config, console, follower, zone)
        else:
            _print(config, follower, zone)
    except KeyboardInterrupt:
        pass
    finally:
        follower.close()


def _follow(follower: Follower, tracker: ReadingTracker, timeout_s: float, *others: int) -> None:
    for reading in follower.wait(timeout_s, others):
        tracker.take(reading, time.monotonic())
    if not follower.connected:
        tracker.lose()


def _print(config: Config, follower: Follower, zone: tzinfo) -> None:
    tracker, limit, shown = ReadingTracker(), config.watchdog.high_swr.limit, list[str]()
    due_s = time.monotonic() + PLAIN_S / 2  # allow time for the first line of the feed
    with StatusPoller(config.store.path) as poller:
        while True:
            _follow(follower, tracker, max(0.0, due_s - time.monotonic()))
            now_s = time.monotonic()
            if now_s < due_s:
                continue
            due_s += PLAIN_S
            faults = poller.latest.faults
            texts = [capitalize(fault_text(fault)) for fault in faults]
            changed = [text for text in texts if text not in shown]
            line = plain(tracker, limit, follower.connected, now_s, faults, zone)
            click.echo("\n".join([*changed, line]))
            sys.stdout.flush()
            shown = texts


def _draw(config: Config, console: Console, follower: Follower, zone: tzinfo) -> None:
    tracker, previous, due_s = ReadingTracker(), None, 0.0
    letters = "utf" not in console.encoding
    with (
        _keys() as keys,
        StatusPoller(config.store.path) as poller,
        console.screen(hide_cursor=True) as screen,
    ):
        while True:
            _follow(follower, tracker, max(0.0, due_s - time.monotonic()), *keys)
            pressed = _pressed(keys)
            if END in pressed:
                return
            if CLEAR in pressed:
                tracker.clear()
            now_s = time.monotonic()
            if now_s < due_s:
                continue
            due_s = now_s + REDRAW_S
            width, height = console.size
            frame = Frame(
                config.station.name, config.watchdog.high_swr.limit, width, height, letters, zone
            )
            texts = lines(frame, tracker, poller.latest, follower.connected, now_s)
            if (frame, texts) != previous:  # redraw only on a change, for slow lines
                screen.update(Group(*texts))
                previous = frame, texts


@contextlib.contextmanager
def _keys() -> Iterator[list[int]]:
    """Yield the descriptors to read keys from, unbuffered and without echo.

    The terminal settings are restored at the end, also after SIGTERM or SIGHUP.
    """

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, end)
    if not sys.stdin.isatty():
        yield []
        return
    stdin = sys.stdin.fileno()
    settings = termios.tcgetattr(stdin)
    try:
        tty.setcbreak(stdin)
        yield [stdin]
    finally:
        with contextlib.suppress(termios.error):  # the terminal may be gone
            termios.tcsetattr(stdin, termios.TCSADRAIN, settings)


def _pressed(keys: list[int]) -> bytes:
    if not keys or not select.select(keys, [], [], 0.0)[0]:
        return b""
    try:
        return os.read(keys[0], 1024) or END
    except OSError:  # the terminal is gone
        return END
