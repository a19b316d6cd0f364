"""Runs one task per station on Dask workers: processes of this host, or those of a scheduler.

A task that is lost with its worker is repeated on another one. A task that raises, or that costs
several workers their lives, gives an error and does not stop the others.
"""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from multiprocessing import resource_tracker
from typing import Any, Self, TypeVar

import dask
from distributed import Client, LocalCluster, Security, as_completed
from distributed.comm.core import connect

from logger.errors import MismatchdError, RemoteError

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
        try:
            with _delayed_interrupts():
                self._start(scheduler, workers)
        except BaseException as error:
            self._close()
            if not isinstance(error, OSError | ValueError | RuntimeError):
                raise
            where, reason = scheduler or "this host", str(error) or "no answer"
            raise RemoteError(f"{where}: no Dask scheduler with a worker: {reason}") from error

    def _start(self, scheduler: str | None, workers: int) -> None:
        self._stack.enter_context(dask.config.set(QUIET))
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
        else:
            asyncio.run(asyncio.wait_for(_greet(scheduler), CONNECT_S))
        self._client = self._stack.enter_context(Client(where, timeout=CONNECT_S))
        self._client.wait_for_workers(1, timeout=CONNECT_S)

    def _close(self) -> None:
        with _delayed_interrupts():
            self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

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


@contextmanager
def _delayed_interrupts() -> Iterator[None]:
    """Delay Ctrl-C. Processes that begin meanwhile never see it: they end with this one."""
    interrupts: list[int] = []
    resource_tracker.ensure_running()  # which would unblock it in the thread that starts workers
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # new threads inherit it
    handler = signal.signal(signal.SIGINT, lambda number, _: interrupts.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
    if interrupts:
        raise KeyboardInterrupt


async def _greet(scheduler: str) -> None:
    """Connect, since `Client` waits without end for the greeting of another server."""
    await (await connect(scheduler, **Security().get_connection_args("client"))).close()


def _result(future: Any) -> Any:
    error = future.exception() if future.status == "error" else None
    if error is None:
        return future.result()
    if isinstance(error, MismatchdError):
        return error
    return RemoteError(f"{type(error).__name__}: {' '.join(str(error).split())}")
