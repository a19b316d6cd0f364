"""Real counterparts of notifiers, started by the tests that need them."""

from __future__ import annotations

import contextlib
import http.server
import json
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from paho.mqtt.enums import CallbackAPIVersion

from tests.deadlines import scale, wait_until
from tests.servers import free_port, needed

USER, PASSWORD = "watch", "correct-horse-battery"


class Authority(NamedTuple):
    """A certificate authority of our own, and a certificate of it for this host."""

    ca: Path
    certificate: Path
    key: Path


def authority(folder: Path) -> Authority:
    """Made by openssl, good for 127.0.0.1 and localhost."""
    openssl = needed("openssl")
    found = Authority(*(folder / name for name in ("ca.pem", "server.pem", "server.key")))
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]

    def run(*arguments: str | Path) -> None:
        subprocess.run([openssl, *map(str, arguments)], check=True, capture_output=True)

    run(
        *("req", "-x509", *curve, "-days", "2", "-subj", "/CN=test authority"),
        *("-keyout", folder / "ca.key", "-out", found.ca),
    )
    run(
        *("req", *curve, "-subj", "/CN=localhost"),
        *("-keyout", found.key, "-out", folder / "server.csr"),
    )
    (folder / "san.cnf").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    run(
        *("x509", "-req", "-in", folder / "server.csr", "-CA", found.ca, "-days", "2"),
        *("-CAkey", folder / "ca.key", "-CAcreateserial", "-extfile", folder / "san.cnf"),
        *("-out", found.certificate),
    )
    return found


class Broker:
    """mosquitto on a port of its own; with an authority by TLS and password only."""

    def __init__(self, folder: Path, trusted: Authority | None = None) -> None:
        self.port = free_port()
        self.trusted = trusted
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(not trusted).lower()}"]
        if trusted:
            passwords = folder / "passwords"
            passwords.touch(mode=0o600)
            subprocess.run(
                [needed("mosquitto_passwd"), "-b", passwords, USER, PASSWORD],
                check=True,
                capture_output=True,
            )
            lines += [
                f"password_file {passwords}",
                f"cafile {trusted.ca}",
                f"certfile {trusted.certificate}",
                f"keyfile {trusted.key}",
                "user root",
            ]
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        """Start and wait until it listens."""
        self._process = subprocess.Popen(
            [needed("mosquitto"), "-c", self._folder / "mosquitto.conf"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

        def listens() -> bool:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return True
            return False

        assert wait_until(listens)

    def kill(self) -> None:
        """SIGKILL."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextlib.contextmanager
def broker(folder: Path, trusted: Authority | None = None) -> Iterator[Broker]:
    """A broker that runs from here to the end of the block."""
    found = Broker(folder, trusted)
    found.start()
    try:
        yield found
    finally:
        found.kill()


class Heard(NamedTuple):
    """A message at a subscriber, and when it came."""

    at_s: float
    utc_s: float
    topic: str
    payload: dict[str, Any]
    retained: bool


def _content(payload: bytes) -> Any:
    """Content of JSON, else the text: a message that removes a retained one is empty."""
    try:
        return json.loads(payload)
    except ValueError:
        return payload.decode()


class Subscriber:
    """Hears all that the broker passes on; comes back when the broker does."""

    def __init__(self, to: Broker) -> None:
        self.heard: list[Heard] = []
        self._there = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2)
        if to.trusted:
            client.username_pw_set(USER, PASSWORD)
            client.tls_set(str(to.trusted.ca))
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe("#", 1)
        client.on_subscribe = lambda *_: self._there.set()
        client.on_message = self._message
        client.connect("127.0.0.1", to.port)
        client.loop_start()
        self._client = client
        assert self._there.wait(scale(10))

    def _message(self, _: Any, __: Any, message: Any) -> None:
        self.heard.append(
            Heard(
                time.perf_counter(),
                time.time(),
                message.topic,
                _content(message.payload),
                message.retain,
            )
        )

    def of(self, topic: str) -> list[dict[str, Any]]:
        """The payloads of topics that end so."""
        return [heard.payload for heard in self.heard if heard.topic.endswith(topic)]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def subscriber(to: Broker) -> Iterator[Subscriber]:
    """A subscriber from here to the end of the block."""
    found = Subscriber(to)
    try:
        yield found
    finally:
        found.close()


class MailServer:
    """SMTP with STARTTLS and a password. `answer` is what it says to the text."""

    def __init__(self, trusted: Authority, port: int | None = None) -> None:
        self.port = port or free_port()
        self.mails: list[EmailMessage] = []
        self.tried: list[EmailMessage] = []
        self.encrypted: list[bool] = []
        self.answer = "250 kept"
        self.recipients = "250 OK"
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(trusted.certificate, trusted.key)
        self._context = context
        self._controller: Any = None

    def start(self) -> None:
        self._controller = Controller(
            self,
            hostname="127.0.0.1",
            port=self.port,
            tls_context=self._context,
            require_starttls=True,
            auth_required=True,
            authenticator=self._authenticate,
        )
        self._controller.start()

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None

    def _authenticate(self, *args: Any) -> AuthResult:
        data = args[-1]
        good = isinstance(data, LoginPassword) and (data.login, data.password) == (
            USER.encode(),
            PASSWORD.encode(),
        )
        return AuthResult(success=good, handled=False)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, _: Any):  # noqa: N802
        if self.recipients.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.recipients

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        mail = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.tried.append(mail)
        self.encrypted.append(session.ssl is not None)
        if self.answer.startswith("250"):
            self.mails.append(mail)
        return self.answer


@contextlib.contextmanager
def mail_server(trusted: Authority) -> Iterator[MailServer]:
    """A mail server from here to the end of the block."""
    server = MailServer(trusted)
    server.start()
    try:
        yield server
    finally:
        server.stop()


class Posted(NamedTuple):
    """What was posted, and the answer to it."""

    headers: dict[str, str]
    body: bytes
    status: int

    @property
    def message(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.body)
        return found


class HookServer(http.server.ThreadingHTTPServer):
    """Takes posts. `status` is its answer, `stall_s` how long it is silent first; `drip`: it then
    sends a byte now and then without an end."""

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, port: int = 0) -> None:
        super().__init__(("127.0.0.1", port), _HookHandler)
        self.status = 204
        self.stall_s = 0.0
        self.drip = False
        self.said = b""
        self.posts: list[Posted] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}/alarm"

    def taken(self) -> list[dict[str, Any]]:
        """The messages that it answered with success."""
        return [post.message for post in self.posts if post.status < 300]


class _HookHandler(http.server.BaseHTTPRequestHandler):
    server: HookServer

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        server = self.server
        status = server.status
        if server.stall_s:
            server.posts.append(Posted(dict(self.headers), body, 599))
            time.sleep(server.stall_s)
            return
        server.posts.append(Posted(dict(self.headers), body, 599 if server.drip else status))
        with contextlib.suppress(ConnectionError):
            if server.drip:
                for byte in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"x" * 1000:
                    self.wfile.write(bytes([byte]))
                    time.sleep(0.1)
                return
            self.send_response(status)
            self.send_header("content-length", str(len(server.said)))
            self.end_headers()
            self.wfile.write(server.said)

    def log_message(self, *_: object) -> None:
        pass


@contextlib.contextmanager
def hook_server(port: int = 0) -> Iterator[HookServer]:
    """A server that listens from here to the end of the block."""
    with HookServer(port) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()
