"""Runs one task per station on Dask workers: processes of this host, or those of a scheduler.

A task that is lost with its worker is repeated on another one. A task that raises, or that costs
several workers their lives, gives an error and does not stop the others.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from functools import partial
from importlib.util import find_spec
from typing import Any, Self, TypeVar

from logger.errors import MismatchdError, RemoteError, UsageError

if not find_spec("distributed"):
    raise UsageError("this needs distributed: `pip install 'mismatchd[fleet]'`")

import dask
from distributed import Client, LocalCluster, as_completed

T = TypeVar("T")
Submit = Callable[..., Any]  # function and arguments, among them futures; returns a future

LOOPBACK = "127.0.0.1"
CONNECT_S = 10
AHEAD = 20  # tasks at a scheduler for each of its workers, so that it holds few of many
QUIET = {"distributed.admin.tick.limit": "1h", "distributed.logging.distributed": "critical"}


class Engine:
    """Some workers; a context manager that ends those that it started."""

    def __init__(self, scheduler: str | None, workers: int) -> None:
        """Connect to a scheduler, or start workers here. Raise RemoteError."""
        self._stack = ExitStack()
        self._stack.enter_context(dask.config.set(QUIET))
        try:
            where: Any = scheduler
            if scheduler is None:
                where = self._stack.enter_context(
                    LocalCluster(
                        n_workers=workers,
                        threads_per_worker=1,
                        processes=workers > 1,  # one shares this process
                        protocol="tcp://",  # within a process, Dask would listen to all hosts
                        host=LOOPBACK,
                        dashboard_address=None,
                        scheduler_kwargs={"dashboard_address": f"{LOOPBACK}:0"},  # a free port
                        silence_logs=logging.CRITICAL,
                    )
                )
            self._client = self._stack.enter_context(Client(where, timeout=CONNECT_S))
            self._client.wait_for_workers(1, timeout=CONNECT_S)
        except (OSError, TimeoutError, ValueError, RuntimeError) as error:
            self._stack.close()
            where = scheduler or "this host"
            raise RemoteError(f"{where}: no scheduler with a worker answers: {error}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def run(
        self, begin: Callable[[Submit, T], Any], items: Iterable[T], ahead: int = AHEAD
    ) -> Iterator[tuple[T, Any]]:
        """Yield each item with the result of its last task, or with its error, as they end.

        begin  submits the tasks of an item and returns the future of the last one
        ahead  items that are begun, for each worker
        """
        waiting = iter(items)
        most = ahead * max(len(self._client.nthreads()), 1)
        running: dict[Any, T] = {}

        failed: list[tuple[T, MismatchdError]] = []

        def start(number: int) -> list[Any]:
            """Begin the next items, of which so many can be begun; return their futures."""
            futures: list[Any] = []
            for item in waiting:
                try:
                    futures.append(begin(submit, item))
                    running[futures[-1]] = item
                except MismatchdError as error:
                    failed.append((item, error))
                if len(futures) == number:
                    break
            return futures

        submit = partial(self._client.submit, pure=False)
        ended = as_completed(start(most))
        for future in ended:
            yield running.pop(future), _result(future)
            ended.update(start(1))
        yield from failed


def _result(future: Any) -> Any:
    error = future.exception() if future.status == "error" else None
    if error is None:
        return future.result()
    if isinstance(error, MismatchdError):
        return error
    return RemoteError(f"{type(error).__name__}: {' '.join(str(error).split())}")
