"""What a way out of the station is: told a message, it delivers it or says why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Protocol, runtime_checkable

Message = dict[str, Any]  # flat, as it goes out in JSON; see `messages`


class NotDelivered(Exception):  # noqa: N818 - what it is, not that it is one
    """The message did not arrive, or it is not known whether it did; the text says why, on one
    line and without secrets.

    `permanent`: it never will, whatever is waited for. `at_least_s`: not to be tried before.
    `retry_s`: to be tried again after so long, however often it fails.
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


class Standing(NamedTuple):
    """An alarm that has not cleared."""

    kind: str
    severity: str
    raised_utc: str
    acknowledged: bool


class DeliveryChannel(Protocol):
    """A way out. One thread uses it, but for `close`.

    `changes` are those of an alarm that it is told of: "raised", "cleared", "acknowledged".
    """

    changes: frozenset[str]

    def deliver(self, message: Message) -> None:
        """Return once the message has arrived. Raises NotDelivered. A message that is given again
        has the same `message_id`."""

    def close(self) -> None:
        """Release what is held; may be called twice."""


@runtime_checkable
class Aborts(Protocol):
    """A channel whose delivery can be ended from another thread."""

    def abort(self) -> None:
        """End it."""


@runtime_checkable
class AlarmListener(Protocol):
    """A channel that wants to hear of every change at once, queued or not."""

    def heed(self, change: str, kind: str) -> None:
        """An alarm has changed, or is found open at the start ("raised")."""


@runtime_checkable
class AlarmIndicator(Protocol):
    """A channel that keeps something up to date."""

    def show(self, standing: tuple[Standing, ...]) -> float | None:
        """Called often with the alarms that stand now, and cheap if nothing has changed; returns
        in how many seconds it wants to be called at the latest. Raises NotDelivered."""


@dataclass(frozen=True)
class ChannelContext:
    """What a channel may need besides its options.

    folder  that of the configuration
    send    writes to the bridge, or raises DriverError; None if it takes nothing
    watching  it is the daemon's, so others may rely on what it shows
    wake    has `show` called soon, from any thread
    """

    station: str
    folder: Path
    environ: Mapping[str, str]
    send: Callable[[bytes], None] | None = None
    watching: bool = False
    wake: Callable[[], None] = lambda: None
