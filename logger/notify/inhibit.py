"""Channel `inhibit`: a message to the bridge while an alarm lasts, to hold the key up.

This is a convenience and no substitute for the transmitter's own protection: between the antenna
and the key are a detector, a converter, a serial line, this host and this program, and each of them
can fail. The bridge should release the key when the message is no longer refreshed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from drivers.contract import DriverError
from logger.config.notifiers import InhibitOptions
from logger.notify.channel import ChannelContext, Message, NotDelivered
from logger.rows import Alarm, AlarmKind, ChangeKind, Fault


class Inhibit:
    """Writes without a queue: a late inhibit would be wrong.

    High reflection clears only by good readings, and there are none with the key held up: hence the
    time limit of each alarm.
    """

    changes: frozenset[ChangeKind] = frozenset()

    def __init__(
        self,
        options: InhibitOptions,
        context: ChannelContext,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._options = options
        self._send_to_bridge = context.send
        self._clock = clock
        self._until_s: dict[AlarmKind, float] = {}  # end of the hold by each alarm
        self._next_s: float | None = None  # next refresh; None while nothing is inhibited

    def on_change(self, change: ChangeKind, kind: AlarmKind) -> None:
        """Handle a change of an alarm; `show` writes the result."""
        if change != ChangeKind.RAISED:
            self._until_s.pop(kind, None)
            return
        self._until_s[kind] = self._clock() + self._options.release_after_s
        if self._next_s is not None:
            self._next_s = self._clock()

    def show(self, alarms: Sequence[Alarm], faults: Sequence[Fault] = ()) -> float | None:
        """Refresh or release. Raise NotDelivered."""
        now_s = self._clock()
        left_s = max(self._until_s.values(), default=0.0) - now_s
        if left_s <= 0:
            self._release()
            return None
        if self._next_s is None or now_s >= self._next_s:
            self._next_s = now_s + self._options.refresh_s
            self._write(self._options.message)
        return max(0.0, min(left_s, self._next_s - now_s))

    def deliver(self, message: Message) -> None:
        """Inhibit and release, as a test."""
        self._next_s = 0.0
        self._write(self._options.message)
        self._release()

    def close(self) -> None:
        """Release: a channel that no longer monitors must not inhibit."""
        try:
            self._release()
        except NotDelivered:
            self._next_s = None

    def _release(self) -> None:
        if self._next_s is None:
            return
        if self._options.release is not None:
            self._write(self._options.release)
        self._next_s = None

    def _write(self, text: str) -> None:
        if self._send_to_bridge is None:
            raise NotDelivered("the driver cannot send messages to the bridge")
        try:
            self._send_to_bridge(text.encode())
        except DriverError as error:
            raise NotDelivered(str(error), retry_s=self._options.refresh_s) from None
