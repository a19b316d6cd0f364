"""Metrics of the daemon and the station for scrapers, over HTTP.

They are the content of `status`, open alarms and faults, and the last transmission.

Each scraper is answered on a thread of its own from a snapshot, and disconnected after a time, so a
slow or hung one delays nothing. There is a limit to their number: beyond it, the address with the
most connections loses its oldest.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.metadata import version
from pathlib import Path
from typing import Any

from logger.config.load import MetricsOptions
from logger.errors import StoreError
from logger.live.status import ForwarderStatus, Status
from logger.outlets.exchange import Exchange
from logger.rows import AlarmKind, FaultFamily, Severity, Word
from logger.service.openmetrics import Family, Sample, exposition, negotiate
from logger.store.faults import Faults
from logger.store.reader import Store
from logger.store.tables import TRANSMISSIONS
from logger.utc import parse_time

log = logging.getLogger("mismatchd")

VERSION = version("mismatchd")
PATH = "/metrics"
POLL_S = 0.5  # interval of checks for shutdown
REQUEST_S = 5.0  # time limit for a client's whole request
MOST_CLIENTS = 16
NS_PER_S = 1e9
PREFIX = "mismatchd_"
# Name, suffix of the samples, help and field of the forwarder's status.
FORWARDER_FAMILIES = (
    ("backlog_rows", "", "Rows waiting for the server.", "backlog"),
    ("rows_sent", "_total", "Rows accepted by the server.", "sent"),
    ("rows_refused", "_total", "Rows the server refused.", "refused"),
    ("failing", "", "1 while the server accepts nothing.", "failing"),
)
# Name, unit, help and exported column of the last transmission.
TRANSMISSION_GAUGES = (
    ("swr", "", "SWR of the last transmission.", "swr"),
    ("swr_low", "", "Lower bound of its 95 % interval.", "swr_low"),
    ("swr_high", "", "Upper bound of its 95 % interval.", "swr_high"),
    ("forward_watts", "watts", "Mean forward power of the last transmission.", "forward_w_mean"),
    ("reflected_watts", "watts", "Its mean reflected power.", "reflected_w_mean"),
)


def families(status: Status) -> list[Family]:
    """Return the metrics of a status; unknown values are omitted."""
    last_ns = status.last_pair_ns
    build = {"version": VERSION, "station": status.station}
    drops = [Sample(count, "_total", {"what": name}) for name, count in status.counters.items()]
    commits = Sample(status.commits, "_count"), Sample(status.commit_s, "_sum")
    return [
        Family(
            "build",
            "info",
            "The program and the station it watches.",
            [Sample(1, "_info", build)],
        ),
        _gauge("running_seconds", "Time since the start.", status.running_s, "seconds"),
        _counter("pairs", "Pairs read.", status.pairs),
        _gauge(
            "last_pair_timestamp_seconds",
            "Time of the last pair, seconds since 1970.",
            None if last_ns is None else last_ns / NS_PER_S,
            "seconds",
        ),
        _counter("gaps", "Silences of more than a second.", status.gaps),
        Family(
            "input",
            "counter",
            "Counters of the driver: lines read, and data dropped by cause.",
            drops,
        ),
        _gauge("keyed", "1 during a transmission.", status.keyed),
        _gauge("queue_batches", "Batches waiting for the store.", status.queue),
        _counter("rows_dropped", "Rows dropped.", status.rows_dropped),
        Family("commit_seconds", "summary", "Time taken by commits.", commits, "seconds"),
        _counter("commits_failed", "Commits the store refused.", status.commits_failed),
        _counter("store_stalls", "Commits and syncs of more than 0.25 s.", status.stalls),
        _gauge("store_stalled_seconds", "Duration of this stall.", status.stalled_s, "seconds"),
        _gauge("store_failing", "1 while the store refuses rows.", status.store_error is not None),
        _gauge(
            "clock_synchronised",
            "1 if the host's clock is synchronised.",
            status.clock_synchronised,
        ),
        *(_forwarder_family(status.forwarders, *family) for family in FORWARDER_FAMILIES),
    ]


def station_families(path: Path) -> list[Family]:
    """Return the metrics of the store at a path; none if it cannot be read."""
    try:
        with Store.reader(path) as store:
            alarms = Counter((alarm.kind, alarm.severity) for alarm in store.open_alarms())
            faults = Faults(store.database).count_open()
            latest = store.select(TRANSMISSIONS, "TRUE ORDER BY r.start_ns DESC LIMIT 1")
            identity = {"station_id": store.station_id}
    except StoreError:
        return []
    return [
        Family(
            "station",
            "info",
            "Id of the station, which tells those of one name apart.",
            [Sample(1, "_info", identity)],
        ),
        _open_family("alarm", "kind", AlarmKind, alarms),
        _open_family("fault", "family", FaultFamily, faults),
        *(family for record in latest for family in _transmission_families(record.columns)),
    ]


def _open_family(
    noun: str, label: str, words: Iterable[Word], numbers: Mapping[Any, int]
) -> Family:
    samples = [
        Sample(numbers.get((word, severity), 0), labels={label: word, "severity": severity})
        for word in words
        for severity in Severity
    ]
    return Family(f"{noun}_open", "gauge", f"Number of open {noun}s.", samples)


def _transmission_families(columns: Mapping[str, Any]) -> Iterator[Family]:
    for name, unit, text, column in TRANSMISSION_GAUGES:
        yield _gauge(f"last_transmission_{name}", text, columns[column], unit)
    end_s = parse_time(columns["end_utc"], 0) / NS_PER_S
    yield _gauge(
        "last_transmission_end_timestamp_seconds",
        "End of the last transmission, seconds since 1970.",
        end_s,
        "seconds",
    )


def _forwarder_family(
    forwarders: Sequence[ForwarderStatus], name: str, suffix: str, text: str, field: str
) -> Family:
    samples = [
        Sample(float(getattr(forwarder, field)), suffix, {"name": forwarder.name})
        for forwarder in forwarders
    ]
    return Family(f"forwarder_{name}", "counter" if suffix else "gauge", text, samples)


def _counter(name: str, text: str, value: float) -> Family:
    return Family(name, "counter", text, [Sample(value, "_total")])


def _gauge(name: str, text: str, value: float | None, unit: str = "") -> Family:
    return Family(name, "gauge", text, [] if value is None else [Sample(value)], unit)


class MetricsServer:
    """Serves metrics until closed. A failure to listen is logged; the daemon continues.

    `status` returns that of the daemon, `store` is the path of its store.
    """

    def __init__(self, options: MetricsOptions, status: Callable[[], Status], store: Path) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="metrics", daemon=True)
        try:
            self._server = _Server(options, status, store)
        except OSError as error:
            log.error("metrics: cannot listen on %s: %s", options.listen, error.strerror)
            return
        self._thread.start()
        log.info("metrics at http://%s%s", options.listen, PATH)

    def close(self) -> None:
        """Stop listening, without waiting for a client that hangs."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2 * POLL_S)

    def _serve(self) -> None:
        with self._server:
            while not self._stop.is_set():
                self._server.handle_request()


class _Server(ThreadingHTTPServer):
    timeout = POLL_S
    daemon_threads = True
    block_on_close = False

    def __init__(self, options: MetricsOptions, status: Callable[[], Status], store: Path) -> None:
        host, port = options.address
        self.status, self.store = status, store
        self._clients: dict[socket.socket, str] = {}  # and its address, the oldest first
        self._changing = threading.Lock()
        self.address_family = socket.AF_INET6 if host.version == 6 else socket.AF_INET
        super().__init__((str(host), port), _Handler)

    def server_bind(self) -> None:
        """Bind without looking up the host's name, which can hang without a network."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Make room for a client."""
        with self._changing:
            if len(self._clients) >= MOST_CLIENTS:
                ((crowded, _),) = Counter(self._clients.values()).most_common(1)
                oldest = next(peer for peer, host in self._clients.items() if host == crowded)
                del self._clients[oldest]
                with contextlib.suppress(OSError):
                    oldest.shutdown(socket.SHUT_RDWR)  # which ends its thread
            self._clients[request] = client_address[0]
        return True

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer a client within the time limit."""
        try:
            with Exchange(REQUEST_S) as exchange:
                exchange.guard(request)
                super().process_request_thread(request, client_address)
        except OSError:
            self.shutdown_request(request)
        finally:
            with self._changing:
                self._clients.pop(request, None)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Ignore clients that disconnect; log any other error."""
        if not isinstance(sys.exception(), OSError):
            log.exception("metrics: a request failed")


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    server_version = "mismatchd"
    sys_version = ""

    def do_GET(self) -> None:
        if self.path.partition("?")[0] != PATH:
            self.send_error(404, f"metrics are at {PATH}")
            return
        content_type = negotiate(self.headers["Accept"])
        content = families(self.server.status()) + station_families(self.server.store)
        body = exposition(content, PREFIX, content_type).encode()
        self.send_response(200)
        self.send_header("Content-Type", content_type)
        self.send_header("Vary", "Accept")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Discard the log of requests."""
