"""Interface of a channel: it delivers a message or reports why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from logger.config.credentials import secret
from logger.errors import ConfigError
from logger.live.status import Status
from logger.rows import Alarm, AlarmKind, ChangeKind, Fault

Message = dict[str, Any]  # flat, as sent in JSON; see `messages`


class NotDelivered(Exception):  # noqa: N818 - named for the outcome
    """The message did not arrive, or may not have; the text gives the reason.

    The text is one line without secrets. `permanent`: no retry can succeed. `at_least_s`: minimum
    delay before a retry. `retry_s`: fixed delay before a retry, however often it fails.
    """

    def __init__(
        self,
        reason: str,
        permanent: bool = False,
        at_least_s: float = 0.0,
        retry_s: float | None = None,
    ) -> None:
        super().__init__(reason)
        self.permanent = permanent
        self.at_least_s = at_least_s
        self.retry_s = retry_s


class DeliveryChannel(Protocol):
    """A channel. Only one thread uses it, except for `close`.

    `changes` are the changes of an alarm to be delivered.
    """

    changes: frozenset[ChangeKind]

    def deliver(self, message: Message) -> None:
        """Return once the message has arrived. Raise NotDelivered.

        A repeated message has the same `message_id`.
        """

    def close(self) -> None:
        """Release all resources, if there are any; may be called twice."""
        return


@runtime_checkable
class AbortableChannel(Protocol):
    """A channel whose delivery can be aborted from another thread."""

    def abort(self) -> None:
        """Abort the delivery."""


@runtime_checkable
class AlarmListener(Protocol):
    """A channel that is notified of every change at once, queued or not."""

    def on_change(self, change: ChangeKind, kind: AlarmKind) -> None:
        """Handle a change of an alarm; one that is open at the start counts as raised."""


@runtime_checkable
class AlarmIndicator(Protocol):
    """A channel that displays the present state."""

    def show(self, alarms: Sequence[Alarm], faults: Sequence[Fault]) -> float | None:
        """Update the display with the alarms and faults open now.

        Often called, cheap if nothing changed. Return the seconds after which it must be called
        again. Raise NotDelivered.
        """


@dataclass(frozen=True)
class ChannelContext:
    """Environment of a channel besides its options.

    folder  folder of the configuration
    send    writes to the bridge, or raises DriverError; None if the bridge accepts nothing
    watching  True in the daemon, so that others may rely on the displayed state
    wake    causes a call of `show` soon, from any thread
    status  returns the daemon's status, None if there is no daemon
    store   path of the store
    station_id  as in messages, empty if it is not known
    """

    station: str
    folder: Path
    environ: Mapping[str, str]
    send: Callable[[bytes], None] | None = None
    watching: bool = False
    wake: Callable[[], None] = lambda: None
    status: Callable[[], Status | None] = lambda: None
    store: Path | None = None
    station_id: str = ""

    def secret(self, key: str, env: str | None, file: Path | None) -> str | None:
        """Return the secret given by `<key>_env` or `<key>_file`, if any. Raise NotDelivered."""
        try:
            return secret(key, env, file, self.environ)
        except ConfigError as error:
            raise NotDelivered(str(error)) from None
