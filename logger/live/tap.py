"""Passes blocks from the capture thread to the feed; passes nothing while there are no viewers."""

from __future__ import annotations

from collections import deque

from logger.stages.view import View

MOST_BLOCKS = 256  # older ones are dropped, as capture must not wait


class Tap:
    """Queue from one thread to another, used while it is `open`."""

    def __init__(self) -> None:
        self.open = False
        self._views: deque[View] = deque(maxlen=MOST_BLOCKS)

    def give(self, view: View) -> None:
        """Append a block if the tap is open."""
        if self.open:
            self._views.append(view)

    def take(self) -> list[View]:
        """Return the blocks since the last call, in order."""
        return [self._views.popleft() for _ in range(len(self._views))]
