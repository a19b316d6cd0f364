"""The daemon's status and the socket beside the store that serves it.

Every client that connects receives one JSON object, a `Status`; one that writes STORE first is
answered, by the end of the connection, when all rows so far are in the store.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import msgspec
from msgspec import UNSET, Struct, UnsetType

from logger.errors import StatusError
from logger.live.local_socket import open_connection, open_listener, path_of
from logger.store.database import OTHER_USER
from logger.utc import format_ns, format_optional

if TYPE_CHECKING:
    from logger.store.deliveries import DeliveryTotals
    from logger.store.outbox import ForwarderTotals

SUFFIX = ".socket"
SEND_TIMEOUT_S = 0.5
ANSWER_TIMEOUT_S = 3.0
STORE = b"store\n"
REQUEST_TIMEOUT_S = 0.02  # for clients that neither write nor end their side


class ClockStatus(Struct, frozen=True, kw_only=True):
    """Source of the pair times.

    mended          pairs whose times went back, of a driver that returns UTC
    steps, ahead_s  steps of the host's clock and the lead of the times over it, otherwise
    """

    times: str
    mended: int | UnsetType = UNSET
    steps: int | UnsetType = UNSET
    ahead_s: float | UnsetType = UNSET


class RefusedRowStatus(Struct, frozen=True):
    """Row that a server refused."""

    table: str
    id: int
    time_utc: str
    refused_utc: str
    reason: str


class ForwarderStatus(Struct, frozen=True, kw_only=True):
    """State of a forwarder; the unset fields are unknown while no daemon runs."""

    name: str
    url: str | UnsetType = UNSET
    sent: int | UnsetType = UNSET
    backlog: int
    last_success_utc: str | None
    refused: int
    refused_rows: Sequence[RefusedRowStatus]
    failing: bool | UnsetType = UNSET
    last_error: str | UnsetType | None = UNSET
    last_error_utc: str | UnsetType | None = UNSET
    delivering_since_utc: str | UnsetType | None = UNSET

    @classmethod
    def of_totals(cls, name: str, totals: ForwarderTotals) -> ForwarderStatus:
        """Return what the store contains about a forwarder."""
        return cls(
            name=name,
            backlog=totals.backlog,
            last_success_utc=format_optional(totals.taken_ns),
            refused=totals.refused,
            refused_rows=[
                RefusedRowStatus(
                    row.table, row.row_id, format_ns(row.row_ns), format_ns(row.time_ns), row.reason
                )
                for row in totals.latest
            ],
        )


class NotifierStatus(Struct, frozen=True, kw_only=True):
    """State of a notifier; the unset fields are unknown while no daemon runs."""

    name: str
    kind: str | UnsetType = UNSET
    to: str | UnsetType = UNSET
    delivered: int | UnsetType = UNSET
    waiting: int
    given_up: int
    last_delivered_utc: str | None
    failing: bool | UnsetType = UNSET
    last_error: str | UnsetType | None = UNSET
    last_error_utc: str | UnsetType | None = UNSET
    delivering_since_utc: str | UnsetType | None = UNSET

    @classmethod
    def of_totals(cls, name: str, totals: DeliveryTotals) -> NotifierStatus:
        """Return what the store contains about a notifier."""
        return cls(
            name=name,
            waiting=totals.waiting,
            given_up=totals.given_up,
            last_delivered_utc=format_optional(totals.last_ns),
        )


class Status(Struct, frozen=True, kw_only=True):
    """State of a running daemon; counts are those since its start.

    pairs_per_s   mean over the last two seconds
    gaps          silences of more than a second
    counters      of the driver
    queue         batches waiting for the store
    commit_s      time taken by all commits
    stalls        commits and syncs that took longer than 0.25 s; `stalled_s`: so long at present
    """

    pid: int
    station: str
    running_s: float
    pairs: int
    pairs_per_s: float
    last_pair_ns: int | None
    keyed: bool
    gaps: int
    clock: ClockStatus
    counters: Mapping[str, int]
    queue: int
    rows_dropped: int
    store_error: str | None
    commits: int
    commit_s: float
    commits_failed: int
    clock_synchronised: bool | None
    forwarders: Sequence[ForwarderStatus]
    notifiers: Sequence[NotifierStatus]
    stalls: int = 0
    stalled_s: float = 0.0


_DECODER = msgspec.json.Decoder(Status)


class StatusSocket:
    """Server of the status, on the thread that calls `serve`.

    on_store  receives clients that wait until rows are stored, and closes them then

    Raises StatusError when constructed.
    """

    def __init__(
        self,
        store: Path,
        status: Callable[[], Status],
        on_store: Callable[[socket.socket], None] = socket.socket.close,
    ) -> None:
        self._store = store
        self._path = path_of(store, SUFFIX)
        self._status = status
        self._on_store = on_store
        self._socket = self._listen()
        self._changing = threading.Lock()
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)

    def __enter__(self) -> StatusSocket:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._socket.close()
        with self._changing:  # a thread may outlast the socket
            os.close(self._wake)
            self._wake = -1
        self._path.unlink(missing_ok=True)

    def renew(self) -> None:
        """Listen again if the socket was removed. Raise StatusError."""
        if not self._path.exists():
            listener = self._listen()
            self._socket.close()
            self._socket = listener

    def _listen(self) -> socket.socket:
        return open_listener(self._store, SUFFIX, "`mismatchd status`")

    def wake(self) -> None:
        """Make a waiting `serve` return; call it from another thread."""
        with self._changing:
            if self._wake >= 0:
                os.eventfd_write(self._wake, 1)

    def serve(self, timeout_s: float) -> None:
        """Answer one client if it connects within `timeout_s`."""
        ready, _, _ = select.select([self._socket.fileno(), self._wake], [], [], timeout_s)
        if self._wake in ready:
            os.eventfd_read(self._wake)
        if self._socket.fileno() not in ready:
            return
        with contextlib.suppress(OSError), self._socket.accept()[0] as caller:
            if select.select([caller], [], [], REQUEST_TIMEOUT_S)[0] and caller.recv(64) == STORE:
                self._on_store(caller.dup())
                return
            caller.settimeout(SEND_TIMEOUT_S)
            caller.sendall(msgspec.json.encode(self._status()))


def expect_access(store: Path) -> None:
    """Raise StatusError if this user may not ask a daemon that serves `store`."""
    try:
        open_connection(store, SUFFIX, ANSWER_TIMEOUT_S).close()
    except PermissionError as error:
        raise StatusError(
            f"{store}: only its owner may ask the daemon whether it runs{OTHER_USER}"
        ) from error
    except OSError:
        return  # no daemon


def ask(store: Path) -> Status | None:
    """Return the status of the daemon that serves `store`, None if there is no answer."""
    try:
        with open_connection(store, SUFFIX, ANSWER_TIMEOUT_S) as caller:
            caller.shutdown(socket.SHUT_WR)
            answer = b"".join(iter(lambda: caller.recv(65536), b""))
        return _DECODER.decode(answer)
    except (OSError, msgspec.DecodeError):
        return None


def have_stored(store: Path) -> None:
    """Have the daemon that serves `store`, if there is one, store all rows so far.

    A daemon whose disk does not respond is not waited for.
    """
    with (
        contextlib.suppress(OSError),
        open_connection(store, SUFFIX, ANSWER_TIMEOUT_S) as caller,
    ):
        caller.sendall(STORE)
        caller.recv(1)
