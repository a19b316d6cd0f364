"""Listening to the driver while the user works: pairs, notices, silence, the end of a key-down."""

from __future__ import annotations

import itertools
import math
import time
from collections import deque

import numpy as np

from drivers.contract import Driver, EndOfInput, SampleBlock
from logger.calibration.steady import Quiet
from logger.cli.guides.terminal import Terminal

LISTEN_S = 0.1
LINGER_S = 0.05
PIECE_NS = 50_000_000
SILENCE_S = 3.0
REMIND_S = 3.0


class PairListener:
    """Reads an open driver; its notices are printed, and so is a silence of the bridge."""

    def __init__(self, driver: Driver, terminal: Terminal) -> None:
        self._driver = driver
        self._terminal = terminal
        self._pieces: deque[SampleBlock | None] = deque()
        self._latest_s = math.inf
        self._silent = False

    def begin(self) -> None:
        """Count silence from now."""
        self._latest_s = time.monotonic()

    def listen(self) -> tuple[SampleBlock | None, bool]:
        """Return the next pairs, if any, and True if the driver reported something."""
        if not self._pieces:
            block = self._driver.read(LISTEN_S, LINGER_S)
            self._pieces.extend(_pieces(block) if block and self._driver.finite else [block])
        block = self._pieces.popleft()
        notices = self._driver.notices()
        for notice in notices:
            self._terminal.say(notice)
        now_s = time.monotonic()
        if block is not None:
            self._latest_s, self._silent = now_s, False
        elif not self._silent and now_s - self._latest_s > SILENCE_S:
            self._silent = True
            self._terminal.say(
                f"No data from the bridge for {SILENCE_S:g} s: check its plug and `driver` in the"
                " configuration."
            )
            return block, True
        return block, bool(notices)

    def ask(self, question: str) -> str:
        """Ask a question and wait for the answer; discard pairs that arrive meanwhile."""
        self._terminal.ask(question)
        # Do not read on in a file: its next pairs belong to the next step.
        waits = self._driver.finite
        while (line := self._terminal.line(None if waits else 0.0)) is None:
            _, has_notice = self.listen()
            if has_notice:
                self._terminal.ask(question)
        return line.lower()

    def wait_for_release(self, quiet: Quiet) -> None:
        """Wait until the key is up; on a terminal, Enter skips the wait."""
        reminded_s = time.monotonic()
        while True:
            if self._terminal.interactive and (line := self._terminal.line(0.0)) is not None:
                if line:
                    self._terminal.give_back(line)
                return
            try:
                block, _ = self.listen()
            except EndOfInput:  # the readings so far can still be confirmed
                return
            if block is not None and not quiet.keyed(block.forward_v, block.reflected_v).any():
                return
            if time.monotonic() - reminded_s > REMIND_S:
                reminded_s = time.monotonic()
                self._terminal.say("Still keyed: release the key (or Enter to go on).")


def _pieces(block: SampleBlock) -> list[SampleBlock]:
    """Split a block into short pieces: in a file it may span key-downs of several steps."""
    since_ns = (block.time_ns - block.time_ns[0]) // PIECE_NS
    edges = [0, *(np.flatnonzero(np.diff(since_ns)) + 1).tolist(), len(block)]
    return [block[begin:end] for begin, end in itertools.pairwise(edges)]
