"""Messages to an MQTT broker, and a retained topic with the present state.

    <topic>/fault, <topic>/alarm, <topic>/daily, <topic>/test    messages, QoS 1
    <topic>/state    retained: {"watch": "alive" | "ended" | "died", "alarms": [...], ...}

For the entities of home automation see `discovery`.

The state lists the kinds of open alarms, and the faults that are not closed.

`died` is the last will, which the broker publishes if the daemon disconnects unexpectedly. A
message repeated after a lost acknowledgement has the same `message_id`.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Sequence
from functools import partial
from typing import Any, NamedTuple

import msgspec

from logger.config.credentials import without
from logger.config.notifiers import MqttOptions
from logger.notify import tls
from logger.notify.channel import ChannelContext, Message, NotDelivered
from logger.notify.discovery import Discovery
from logger.notify.messages import identify
from logger.outlets.exchange import Exchange
from logger.rows import Alarm, AlarmKind, ChangeKind, Fault
from logger.utc import format_ns

KEEPALIVE_S = 20  # a host that loses power is declared dead after 1.5 times this
FAREWELL_S = 0.5


class _Shown(NamedTuple):
    """Alarms and faults in the retained topic."""

    alarms: Sequence[Alarm] = ()
    faults: Sequence[Fault] = ()

    @property
    def content(self) -> tuple[list[tuple[AlarmKind, str | None, bool]], list[Fault]]:
        """Content that is worth another message."""
        alarms = [(a.kind, a.raised_utc, a.acknowledged_utc is None) for a in self.alarms]
        return alarms, list(self.faults)


class Mqtt:
    """Connects on first use and again after a failure.

    The client library reads the connection on its own thread, which ends with the connection.

    The client queues nothing: messages not acknowledged in time are dropped with the connection,
    since our queue sends them again.
    """

    changes = frozenset(ChangeKind)

    def __init__(self, options: MqttOptions, context: ChannelContext) -> None:
        self._options = options
        self._context = context
        self._topic = (options.topic or _topic(context.station)).rstrip("/")
        self._discovery = Discovery(options, self._topic, context)
        self._client: Any = None
        self._answer: tuple[bool, str] | None = None  # to the connection request
        self._answered = threading.Event()
        self._alive = False
        self._shown: _Shown | None = None  # on this connection
        self._secrets: list[str] = []
        self._closing = threading.Lock()

    def deliver(self, message: Message) -> None:
        """Publish the message and wait for the broker's acknowledgement. Raise NotDelivered."""
        self._publish(f"{self._topic}/{message['event']}", message, retain=False)

    def show(self, alarms: Sequence[Alarm], faults: Sequence[Fault] = ()) -> float | None:
        """Keep the retained topic up to date. Raise NotDelivered."""
        shown = _Shown(alarms, faults)
        is_new = self._shown is None or shown.content != self._shown.content
        if self._client is None or not self._alive or is_new:
            self._publish(f"{self._topic}/state", self._state("alive", shown), retain=True)
            self._shown = shown
        return self._discovery.show(partial(self._publish, retain=True))

    def close(self) -> None:
        """Publish that monitoring has ended, and disconnect."""
        if self._context.watching and self._alive and self._client is not None:
            with contextlib.suppress(Exception):
                state = self._state("ended", self._shown or _Shown())
                self._client.publish(
                    f"{self._topic}/state", msgspec.json.encode(state), qos=1, retain=True
                ).wait_for_publish(FAREWELL_S)
        self._drop()

    def _state(self, watch: str, shown: _Shown) -> Message:
        alarms = shown.alarms
        state = {
            "event": "state",
            "station": self._context.station,
            "utc": format_ns(time.time_ns()),
            "watch": watch,
            "alarms": sorted(alarm.kind for alarm in alarms),
            "unacknowledged": sorted(a.kind for a in alarms if a.acknowledged_utc is None),
            "faults": [
                {
                    "id": fault.id,
                    "state": fault.state,
                    "severity": fault.severity,
                    "opened_utc": fault.opened_utc,
                    "acknowledged": fault.acknowledged_utc is not None,
                    "summary": fault.summary,
                }
                for fault in shown.faults
            ],
        }
        return identify(state, self._context.station_id)

    def _publish(self, topic: str, message: Message, *, retain: bool) -> None:
        until_s = time.monotonic() + self._options.timeout_s
        broker = self._options.destination
        if self._client is None or not self._alive:
            self._connect(until_s)
        try:
            sent = self._client.publish(topic, msgspec.json.encode(message), qos=1, retain=retain)
            sent.wait_for_publish(max(0.0, until_s - time.monotonic()))
            arrived = sent.is_published()
        except (RuntimeError, ValueError):  # raised by the client in that case
            self._drop()
            raise NotDelivered(f"{broker}: the connection was lost") from None
        if not arrived:
            was_lost = not self._alive
            self._drop()
            reason = "the connection was lost" if was_lost else "no answer in time"
            raise NotDelivered(f"{broker}: {reason}")

    def _connect(self, until_s: float) -> None:
        self._drop()
        client = self._make_client()
        broker = self._options.destination
        self._answer = None
        self._answered.clear()
        try:
            with Exchange(max(0.0, until_s - time.monotonic())) as client.exchange:
                client.connect(self._options.host, self._options.port_number, KEEPALIVE_S)
        except (OSError, ValueError) as error:
            reason = tls.reason(TimeoutError() if client.exchange.expired else error)
            raise NotDelivered(f"{broker}: {self._hide(reason)}") from None
        client.loop_start()
        self._client = client
        self._answered.wait(max(0.0, until_s - time.monotonic()))
        answer = self._answer
        if answer is None or not answer[0]:
            self._drop()
            reason = "no answer in time" if answer is None else self._hide(answer[1])
            raise NotDelivered(f"{broker}: {reason}")

    def _make_client(self) -> Any:
        from paho.mqtt.enums import CallbackAPIVersion

        from logger.notify.mqtt_client import LimitedClient  # 12 MB: only where it is used

        options = self._options
        password = self._context.secret("password", options.password_env, options.password_file)
        self._secrets = [password or ""]
        client = LimitedClient(
            CallbackAPIVersion.VERSION2,
            reconnect_on_failure=False,  # left to the queue's back-off
        )
        client.connect_timeout = options.timeout_s
        if options.user is not None:
            client.username_pw_set(options.user, password)
        if options.tls:
            client.tls_set_context(tls.context(options.ca_file))
        if self._context.watching:  # then the topic of state is ours
            will = msgspec.json.encode(self._state("died", _Shown()))
            client.will_set(f"{self._topic}/state", will, qos=1, retain=True)

        def on_connect(connected: Any, _: Any, __: Any, code: Any, ___: Any) -> None:
            self._alive = not code.is_failure
            if self._alive:
                self._discovery.subscribe(connected)
            self._answer = not code.is_failure, str(code)
            self._answered.set()

        def on_disconnect(_: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
            if self._answer is None:
                self._answer = False, str(code)
            self._alive = False
            self._answered.set()
            self._context.wake()

        client.on_connect = on_connect
        client.on_message = lambda at, _, message: self._discovery.receive(at, message)
        client.on_disconnect = on_disconnect
        return client

    def _drop(self) -> None:
        with self._closing:
            client, self._client = self._client, None
        self._alive = False
        self._shown = None
        self._discovery.forget()
        if client is not None:
            client.on_disconnect = None
            client.disconnect()
            client.loop_stop()

    def _hide(self, text: str) -> str:
        return without(text, self._secrets)


def _topic(station: str) -> str:
    return "mismatchd/" + "".join("-" if char in "+#/\0" else char for char in station)
