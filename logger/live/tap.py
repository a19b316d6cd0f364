"""Blocks on their way from the capture thread to the feed; nothing while nobody looks on."""

from __future__ import annotations

from collections import deque

from logger.stages.view import View

MOST_BLOCKS = 256  # older ones give way: capture never waits


class Tap:
    """One thread gives, another takes while it is `open`."""

    def __init__(self) -> None:
        self.open = False
        self._views: deque[View] = deque(maxlen=MOST_BLOCKS)

    def give(self, view: View) -> None:
        """Let whoever looks on have a block."""
        if self.open:
            self._views.append(view)

    def take(self) -> list[View]:
        """The blocks since the last call, in order."""
        return [self._views.popleft() for _ in range(len(self._views))]
