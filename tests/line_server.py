"""A small HTTP server of our own at /api/v2/write: takes lines, or answers as a test wants. Other
paths answer as `others` says."""

from __future__ import annotations

import contextlib
import gzip
import http.server
import ssl
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from typing import NamedTuple

from tests.deadlines import scale


class Reply(NamedTuple):
    """An answer; `hang_up` closes the connection without one."""

    status: int = 204
    body: bytes = b""
    headers: tuple[tuple[str, str], ...] = ()
    hang_up: bool = False


TAKEN = Reply()
Rule = Callable[[list[str]], Reply]
Others = Callable[[str, bytes], Reply]  # of the path with its query, and the body


def refusing(status: int, body: bytes = b"", **headers: str) -> Rule:
    """The same answer to everything; `_` in a header's name stands for `-`."""
    named = tuple((name.replace("_", "-"), text) for name, text in headers.items())
    return lambda lines: Reply(status, body, named)


def passed_on(url: str) -> Rule:
    """What the server at `url`, a whole address to POST to, answers to the lines."""

    def rule(lines: list[str]) -> Reply:
        request = urllib.request.Request(url, data="\n".join(lines).encode())
        try:
            with urllib.request.urlopen(request, timeout=scale(10)) as answer:
                return Reply(answer.status, answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, error.read())
        except OSError:
            return Reply(502, b"behind this proxy nobody answers")

    return rule


def all_passed_on(url: str) -> Others:
    """What the server at `url` answers to the same request, headers included."""

    def rule(path: str, body: bytes) -> Reply:
        kind = "json" if body.startswith(b"{") else "x-www-form-urlencoded"
        request = urllib.request.Request(url + path, body, {"content-type": f"application/{kind}"})
        try:
            answer = urllib.request.urlopen(request, timeout=scale(10))
        except urllib.error.HTTPError as error:
            answer = error
        with answer:
            versions = [item for item in answer.headers.items() if item[0].startswith("X-")]
            return Reply(answer.status, answer.read(), tuple(versions))

    return rule


class LineServer(http.server.ThreadingHTTPServer):
    """`rule` answers; lines it answers with success are kept in order unless `keep` is false, and
    requests counted."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.rule: Rule = lambda lines: TAKEN
        self.others: Others = lambda path, body: Reply(404, b"404 page not found")
        self.keep = True
        self.lines: list[str] = []
        self.taken: list[tuple[float, list[str]]] = []  # monotonic time, lines
        self.requests: list[tuple[float, int, int]] = []  # monotonic time, lines, bytes
        self.tokens: set[str | None] = set()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"


class _Handler(http.server.BaseHTTPRequestHandler):
    server: LineServer
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        raw = self.rfile.read(int(self.headers["content-length"]))
        zipped = self.headers.get("content-encoding") == "gzip"
        body = gzip.decompress(raw) if zipped else raw
        server = self.server
        if not self.path.startswith("/api/v2/write"):
            self._answer(server.others(self.path, body))
            return
        lines = body.decode().split("\n")
        server.requests.append((time.monotonic(), len(lines), len(raw)))
        server.tokens.add(self.headers.get("authorization"))
        reply = server.rule(lines)
        if reply.hang_up:
            self.close_connection = True
            return
        if reply.status < 300 and server.keep:
            server.lines += lines
            server.taken.append((time.monotonic(), lines))
        self._answer(reply)

    def do_GET(self) -> None:
        self._answer(self.server.others(self.path, b""))

    def _answer(self, reply: Reply) -> None:
        with contextlib.suppress(ConnectionError):  # the forwarder may be gone by now
            self.send_response(reply.status)
            for name, text in reply.headers:
                self.send_header(name, text)
            if reply.status != 204:
                self.send_header("content-length", str(len(reply.body)))
            self.end_headers()
            self.wfile.write(reply.body)

    def log_message(self, *_: object) -> None:
        pass


@contextlib.contextmanager
def line_server(port: int = 0, *, context: ssl.SSLContext | None = None) -> Iterator[LineServer]:
    """A server that listens from here to the end of the block, by TLS if there is a context."""
    with LineServer(port) as server:
        if context is not None:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()
