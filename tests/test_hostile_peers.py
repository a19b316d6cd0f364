"""Every outward client against servers that behave badly: time, memory, and what counts."""

from __future__ import annotations

import contextlib
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from logger.config.load import InfluxOptions
from logger.config.notifiers import MailOptions, MqttOptions, WebhookOptions
from logger.forward import server as forward_server
from logger.forward.answers import ServerError
from logger.forward.server import Server
from logger.notify.channel import ChannelContext, NotDelivered
from logger.notify.mail import Mail
from logger.notify.mqtt import Mqtt
from logger.notify.notifier import Notifier
from logger.notify.webhook import Webhook
from logger.rows import AlarmEvent, ChangeKind
from logger.store.writer import StoreWriter
from tests.counterparts import authority
from tests.deadlines import in_time, lateness_s, wait_until
from tests.hostile_peer import (
    BOMB,
    PAGE,
    Behaviour,
    answer,
    drip,
    endless,
    hostile_peer,
    reset,
    silence,
)
from tests.line_server import Reply, line_server
from tests.test_notify_channels import ALARM, STANDING

pytestmark = pytest.mark.realtime

LIMIT_S = 1.0
UNSTORED = msgspec.structs.replace(STANDING, id=None)
MOST_GROWTH = 32 << 20
HERE = ChannelContext("harbour-workshop", Path("/"), {"INFLUX_TOKEN": "none"})


def post(port: int) -> None:
    url = f"http://127.0.0.1:{port}/alarm"
    Webhook(WebhookOptions(url=url, timeout_s=LIMIT_S), HERE).deliver(ALARM)


def post_encrypted(port: int) -> None:
    url = f"https://127.0.0.1:{port}/alarm"
    Webhook(WebhookOptions(url=url, timeout_s=LIMIT_S), HERE).deliver(ALARM)


def mail(security: str) -> Callable[[int], None]:
    def send(port: int) -> None:
        options = MailOptions(
            host="127.0.0.1",
            port=port,
            security=security,
            sender="station@example.org",
            to=["owner@example.org"],
            timeout_s=LIMIT_S,
        )
        Mail(options, HERE).deliver(ALARM)

    return send


def publish(port: int) -> None:
    channel = Mqtt(MqttOptions(host="127.0.0.1", port=port, timeout_s=LIMIT_S), HERE)
    try:
        channel.deliver(ALARM)
    finally:
        channel.close()


def forward(url: str) -> Callable[[int], None]:
    def write(port: int) -> None:
        options = InfluxOptions(url=f"{url}://127.0.0.1:{port}", org="home", bucket="station")
        server = Server(options, HERE.environ)
        try:
            assert server.write(["second,station=s swr=1.2 1"]) is not None, "accepted"
        finally:
            server.close()

    return write


CLIENTS = {
    "webhook": post,
    "webhook over TLS": post_encrypted,
    "mail": mail("none"),
    "mail with STARTTLS": mail("starttls"),
    "mail over TLS": mail("tls"),
    "MQTT": publish,
    "InfluxDB": forward("http"),
    "InfluxDB over TLS": forward("https"),
}
HTTP = ("webhook", "InfluxDB")
OK = b"HTTP/1.1 200 OK\r\n"
PACKET = b"\x30\xff\xff\xff\x7f"  # MQTT: a message of 256 MB

CASES: list[tuple[str, str, Behaviour]] = [
    *((client, "silence", silence) for client in CLIENTS),
    *((client, "reset", reset) for client in CLIENTS),
    *((client, "drip", drip(b"")) for client in CLIENTS),
    *((client, "endless", endless(b"", b"x")) for client in CLIENTS),
    *((client, "dripping header", drip(OK + b"x-slow: ")) for client in HTTP),
    *((client, "endless header", endless(OK, b"x-more: y\r\n")) for client in HTTP),
    *((client, "endless 100", endless(b"", b"HTTP/1.1 100 Go on\r\n\r\n")) for client in HTTP),
    *((client, "endless body", endless(OK + b"\r\n", b" ")) for client in HTTP),
    *((client, "page", answer("200 OK", PAGE, "content-type: text/html")) for client in HTTP),
    *((client, "nameless page", answer("200 OK", PAGE)) for client in HTTP),
    ("InfluxDB", "bomb", answer("200 OK", BOMB, "content-encoding: gzip")),
    ("InfluxDB", "refusing bomb", answer("500 No", BOMB, "content-encoding: gzip")),
    ("InfluxDB", "other bomb", answer("200 OK", BOMB, "content-encoding: deflate")),
    ("InfluxDB", "content", answer("200 OK", b'{"ok": true}')),
    ("mail", "endless greeting", endless(b"", b"220-hello\r\n")),
    ("mail", "dripping greeting", drip(b"220-hello\r\n220-")),
    ("mail", "endless line", endless(b"220-", b"y")),
    ("mail over TLS", "dripping handshake", drip(b"\x16\x03\x03\x40\x00")),
    ("InfluxDB over TLS", "dripping handshake", drip(b"\x16\x03\x03\x40\x00")),
    ("webhook over TLS", "dripping handshake", drip(b"\x16\x03\x03\x40\x00")),
    ("MQTT", "endless packet", endless(b"\x20\x02\x00\x00" + PACKET, b"z")),
]


def resident_bytes() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


# wrap_socket of the standard library leaves a socket to the collector that was reset just before.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("client", "behave"),
    [pytest.param(client, behave, id=f"{client}, {name}") for client, name, behave in CASES],
)
def test_a_hostile_peer_costs_neither_time_nor_memory(
    client: str, behave: Behaviour, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forward_server, "LIMIT_S", LIMIT_S)
    growth = [0]
    before = resident_bytes()
    with hostile_peer(behave) as port:
        done = threading.Event()

        def look() -> None:
            while not done.wait(0.02):
                growth[0] = max(growth[0], resident_bytes() - before)

        thread = threading.Thread(target=look)
        thread.start()
        begun_s = time.monotonic()
        try:
            with pytest.raises((NotDelivered, ServerError)):
                CLIENTS[client](port)
            took_s = time.monotonic() - begun_s
        finally:
            done.set()
            thread.join()
    assert in_time(took_s, LIMIT_S + 0.5 + lateness_s()), took_s
    assert growth[0] < MOST_GROWTH


def test_points_are_accepted_by_tls_on_one_connection(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trusted = authority(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(trusted.ca))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(trusted.certificate, trusted.key)
    with line_server(context=context) as receiver:
        url = f"https://127.0.0.1:{receiver.server_port}"
        server = Server(InfluxOptions(url=url, org="home", bucket="station"), HERE.environ)
        assert server.write(["second,station=s swr=1.2 1"]) is None
        assert server.write(["second,station=s swr=1.2 2"]) is None
        server.close()
    assert len(receiver.lines) == 2


@pytest.mark.parametrize("client", ["webhook", "InfluxDB"])
def test_an_address_that_does_not_answer_leaves_time_to_the_next(
    client: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forward_server, "LIMIT_S", 3.0)
    with contextlib.ExitStack() as stack, line_server() as receiver:
        receiver.others = lambda path, body: Reply()
        silent = stack.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        for _ in range(3):  # fill its queue, so that the system ignores further ones
            filler = stack.enter_context(socket.socket())
            filler.setblocking(False)
            filler.connect_ex(silent.getsockname())
        kind = (socket.AF_INET, socket.SOCK_STREAM, 0, "")
        places = [(*kind, silent.getsockname()), (*kind, receiver.server_address)]
        monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: places)
        if client == "webhook":
            url = f"http://workshop.example:{receiver.server_port}/alarm"
            Webhook(WebhookOptions(url=url, timeout_s=3.0), HERE).deliver(ALARM)
            return
        url = f"http://workshop.example:{receiver.server_port}"
        server = Server(InfluxOptions(url=url, org="home", bucket="station"), HERE.environ)
        assert server.write(["second,station=s swr=1.2 1"]) is None
        server.close()


@pytest.mark.parametrize(
    "reply", [answer("204 No", b""), answer("202 Yes", b""), answer("200 OK", b'{"ok": true}')]
)
def test_what_receivers_of_messages_answer_is_a_delivery(reply: Behaviour) -> None:
    with hostile_peer(reply) as port:
        post(port)


def test_status_shows_a_delivery_in_progress(tmp_path: Path) -> None:
    store = tmp_path / "station.sqlite"
    StoreWriter.open(store).close()
    with hostile_peer(drip(b"")) as port:
        url = f"http://127.0.0.1:{port}/alarm"
        options = WebhookOptions(url=url, timeout_s=2, detail="alarms")
        notifier = Notifier(options, store, "harbour-workshop")
        notifier.use(Webhook(options, HERE))
        thread = threading.Thread(target=notifier.run)
        thread.start()
        try:
            assert notifier.status().delivering_since_utc is None
            notifier.offer(
                AlarmEvent(ChangeKind.RAISED, msgspec.structs.replace(STANDING, id=None))
            )
            assert wait_until(lambda: notifier.status().delivering_since_utc)
            assert wait_until(lambda: notifier.status().failing)
            assert notifier.status().last_error == f"{url[:-6]}: no answer in time"
        finally:
            notifier.end()
            thread.join()
