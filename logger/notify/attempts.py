"""Results of the deliveries of one channel, and the time of its next attempt."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from random import Random

from logger.notify.channel import NotDelivered
from logger.outlets.pacing import Backoff

log = logging.getLogger("mismatchd.notify")


class DeliveryAttempts:
    """Logs the first of several identical failures and the recovery; delays attempts meanwhile."""

    def __init__(
        self,
        name: str,
        random: Random,
        clock: Callable[[], float],
        utc_ns: Callable[[], int],
    ) -> None:
        self.delivered = 0
        self.failure: str | None = None  # None once a delivery has succeeded
        self._name = name
        self._clock = clock
        self._utc_ns = utc_ns
        self._backoff = Backoff(random)
        self._retry_s = -math.inf
        self.last_error: tuple[str, int] | None = None  # text and time; outlasts a recovery

    def wait_s(self) -> float:
        """Return the seconds until the next attempt, 0.0 if it may be made now."""
        return max(0.0, self._retry_s - self._clock())

    def retry_now(self) -> None:
        """Allow an attempt at once."""
        self._retry_s = -math.inf

    def fail(self, error: NotDelivered) -> float:
        """Note a failure; return the seconds until the next attempt."""
        text = str(error)
        if self.failure != text:
            log.warning("%s: not delivered: %s; retrying", self._name, text)
        self.failure = text
        self.last_error = text, self._utc_ns()
        wait_s = self._backoff.next_s(error.at_least_s)
        if error.retry_s is not None:
            wait_s = error.retry_s
        self._retry_s = self._clock() + wait_s
        return wait_s

    def give_up(self, error: NotDelivered, text: str) -> None:
        """Note that a message cannot be delivered; `text` is its text."""
        log.error("%s: giving up: %s (%s)", self._name, error, text)
        self.last_error = str(error), self._utc_ns()

    def succeed(self) -> None:
        """Note that the channel works."""
        self.retry_now()
        self._backoff.reset()
        if self.failure is not None:
            self.failure = None
            log.info("%s delivers again", self._name)
