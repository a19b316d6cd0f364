"""Tests press Ctrl-C in programs they start. A shell has its background jobs ignore that, and all
that these start inherits it: run there, the tests would wait for an end that never comes."""

from __future__ import annotations

import signal


def pytest_configure() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)
