"""What holds for all tests.

Tests press Ctrl-C in programs they start. A shell has its background jobs ignore that, and all that
these start inherits it: run there, the tests would wait for an end that never comes.

An example that takes long says how busy the machine is, not that a property is false: hypothesis
watches no clock. A test that hangs is ended by pytest's own timeout.

The package is imported before numpy, as its commands do: it sets the threads of the BLAS library.
"""

from __future__ import annotations

import signal

from hypothesis import HealthCheck, settings

import logger  # noqa: F401

settings.register_profile(
    "no clock", max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("no clock")


def pytest_configure() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)
