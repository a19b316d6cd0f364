"""Channel `command`: runs a program with the message as JSON on stdin, never through a shell."""

from __future__ import annotations

import contextlib
import os
import secrets
import select
import subprocess
import time

import msgspec

from logger.config.notifiers import CommandOptions
from logger.notify.channel import ChannelContext, DeliveryChannel, Message, NotDelivered
from logger.notify.descendants import MARK, kill_descendants
from logger.rows import ChangeKind

STDERR_BYTES = 400  # of the end of its stderr
ENVIRONMENT = ("PATH", "HOME", "USER", "LOGNAME", "LANG", "LC_ALL", "TZ", "TMPDIR")


class Command(DeliveryChannel):
    """Runs the program for each message; exit code 0 means that the message is delivered.

    It gets the variables ENVIRONMENT only: those of the daemon contain secrets. What it has started
    ends with it if it takes too long, also what has left its session.

    The program may be run more than once: a message for which it failed, or during which the daemon
    ended, is repeated with the same `message_id`.
    """

    changes = frozenset(ChangeKind)

    def __init__(self, options: CommandOptions, context: ChannelContext) -> None:
        self._options = options
        self._folder = context.folder
        self._environ = {
            name: context.environ[name] for name in ENVIRONMENT if name in context.environ
        }
        self._mark = ""
        self._process: subprocess.Popen[bytes] | None = None
        self._aborted = False

    def deliver(self, message: Message) -> None:
        """Run the program. Raise NotDelivered if it cannot be run, fails or takes too long."""
        program, limit_s = self._options.command[0], self._options.timeout_s
        if self._aborted:
            raise NotDelivered(f"{program} was not run: the daemon is stopping")
        until_s = time.monotonic() + limit_s
        self._mark = secrets.token_hex(8)
        try:
            process = subprocess.Popen(
                self._options.command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                cwd=self._folder,
                env={**self._environ, MARK: self._mark},
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or type(error).__name__
            raise NotDelivered(f"{program} cannot be run: {reason}") from None
        self._process = process
        if self._aborted:  # before `abort` could see it
            kill_descendants(process.pid, self._mark)
        try:
            errors = _communicate(process, msgspec.json.encode(message) + b"\n", until_s)
        finally:
            self._process = None
            ended = process.poll() is not None
            if not ended:
                kill_descendants(process.pid, self._mark)
                process.wait()
            for pipe in (process.stdin, process.stderr):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
        if not ended:
            raise NotDelivered(f"{program} did not end within {limit_s:g} s and was killed")
        if process.returncode:
            code = process.returncode
            outcome = f"exit code {code}" if code > 0 else f"signal {-code}"
            raise NotDelivered(f"{program} failed ({outcome}){f': {errors}' if errors else ''}")

    def abort(self) -> None:
        """Kill the running process, and start no more; from any thread."""
        self._aborted = True
        process = self._process
        if process is not None:
            kill_descendants(process.pid, self._mark)


def _communicate(process: subprocess.Popen[bytes], text: bytes, until_s: float) -> str:
    """Write the input and return the end of stderr, until the process ends or the time is over."""
    assert process.stdin is not None
    assert process.stderr is not None
    source, sink = process.stderr.fileno(), process.stdin.fileno()
    os.set_blocking(source, False)
    os.set_blocking(sink, False)
    errors = b""
    ended = os.pidfd_open(process.pid)
    try:
        poll = select.poll()
        poll.register(ended, select.POLLIN)
        poll.register(source, select.POLLIN)
        poll.register(sink, select.POLLOUT)
        while (left_s := until_s - time.monotonic()) > 0:
            ready = dict(poll.poll(1000 * left_s + 1))
            if sink in ready:
                try:
                    text = text[os.write(sink, text) :]
                except BlockingIOError:
                    pass
                except OSError:  # a program that does not read its input is accepted
                    text = b""
                if not text:
                    poll.unregister(sink)
                    process.stdin.close()
            if source in ready:
                data = _read(source)
                errors = (errors + data)[-STDERR_BYTES:]
                if not data:
                    poll.unregister(source)
            if ended in ready:
                process.wait()
                errors = (errors + _read(source))[-STDERR_BYTES:]
                break
    finally:
        os.close(ended)
    lines = errors.decode("utf-8", "replace").strip().splitlines()
    return "".join(char if char.isprintable() else " " for char in lines[-1]) if lines else ""


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except BlockingIOError:
        return b""
