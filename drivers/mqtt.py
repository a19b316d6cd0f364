"""Driver `mqtt`: a bridge that publishes its lines to a topic, one or more lines a message.

The lines are those of `text-lines`. The client library connects, and connects again, on its own
thread. A retained message is old, so it is dropped.
"""

import os
import select
import threading
from collections import deque
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta

from drivers.contract import LinkError
from drivers.text_lines.driver import LineDriver, LineOptions

ANSWER_S = 5.0  # of the broker at the start
CONNECT_S = 0.8  # limit of one attempt: closing waits for it
RETRY_S = (1, 3)  # shortest and longest pause between attempts
MOST_WAITING = 5000  # messages that may wait to be read


class MqttOptions(LineOptions, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Keys of `driver:` for this kind."""

    host: Annotated[str, Meta(min_length=1, description="Name or address of the broker.")]
    port: Annotated[int, Meta(ge=1, le=65535, description="Port of the broker.")] = 1883
    topic: Annotated[str, Meta(min_length=1, description="Topic to which the bridge publishes.")]
    user: Annotated[str | None, Meta(description="User name at the broker.")] = None
    password_file: Annotated[Path | None, Meta(description="File with the password.")] = None
    tls: Annotated[bool, Meta(description="Encrypts the connection.")] = False


class MqttLink:
    """A subscription; see `Link`. `_take_answer`, `_lose`, `_take` run on the client's thread."""

    def __init__(self, options: MqttOptions) -> None:
        self.generation = 0
        self.away: str | None = None
        self.counters = {"link_lost": 0, "retained": 0, "overflow": 0}
        self._options = options
        self._broker = f"the broker at {options.host}:{options.port}"
        self._notices: deque[str] = deque()
        self._waiting: deque[bytes] = deque()
        self._client: Any = None
        self._connected = threading.Event()
        self._wake = -1  # an eventfd that counts messages

    def open(self, *, wait: bool = False) -> None:
        """Connect and subscribe. Raise LinkError; with `wait` only for what waiting cannot mend."""
        from paho.mqtt.client import Client  # 12 MB
        from paho.mqtt.enums import CallbackAPIVersion

        self.close()
        self.away = f"no answer from {self._broker}"
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect_timeout = CONNECT_S
        client.reconnect_delay_set(*RETRY_S)
        client.on_connect, client.on_disconnect = self._take_answer, self._lose
        client.on_message = self._take
        try:
            if self._options.user is not None:
                file = self._options.password_file
                password = None if file is None else _handed(file).read_text("utf-8").strip()
                client.username_pw_set(self._options.user, password)
            if self._options.tls:
                client.tls_set()
            client.connect_async(self._options.host, self._options.port, keepalive=20)
        except (OSError, ValueError) as error:
            raise LinkError(f"cannot log in at {self._broker}: {error}") from error
        self._wake = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._client = client
        client.loop_start()
        if not wait and not self._connected.wait(ANSWER_S):
            self.close()
            raise LinkError(f"{self.away}; check `host`, `port`, `user`, and that it runs")

    def read(self, timeout_s: float) -> bytes:
        """Return the lines of all messages that have arrived; see `Link`."""
        if self._client is None:
            raise LinkError(f"{self._broker} is not connected")
        if select.select([self._wake], [], [], timeout_s)[0]:
            os.eventfd_read(self._wake)
        return b"".join(self._waiting.popleft() + b"\n" for _ in range(len(self._waiting)))

    def notices(self) -> list[str]:
        return [self._notices.popleft() for _ in range(len(self._notices))]

    def close(self) -> None:
        """Disconnect; messages that were not read are dropped."""
        if self._client is not None:
            client, self._client = self._client, None
            client.on_disconnect = None
            client.disconnect()
            client.loop_stop()
            os.close(self._wake)
            self._waiting.clear()
            self._connected.clear()

    def _take_answer(self, client: Any, _: Any, __: Any, code: Any, ___: Any) -> None:
        if code.is_failure:
            self.away = f"{self._broker} refuses: {code}"
            return
        client.subscribe(self._options.topic)
        if self.away is not None and self.generation:
            self._notices.append(f"connected to {self._broker} again")
        self.away = None
        self.generation += 1
        self._connected.set()

    def _lose(self, _: Any, __: Any, ___: Any, code: Any, ____: Any) -> None:
        if self.away is None:
            self.counters["link_lost"] += 1
            self.away = f"connection to {self._broker} lost: {code}"
            self._notices.append(f"{self.away}; reconnecting")

    def _take(self, _: Any, __: Any, message: Any) -> None:
        if message.retain or len(self._waiting) >= MOST_WAITING:
            self.counters["retained" if message.retain else "overflow"] += 1
        else:
            self._waiting.append(message.payload)
            os.eventfd_write(self._wake, 1)


class MqttDriver(LineDriver):
    """Reads the lines from messages."""

    Options = MqttOptions

    def __init__(self, options: MqttOptions) -> None:
        super().__init__(options, MqttLink(options))


def _handed(file: Path) -> Path:
    """Return the copy of a secret that the service manager hands to the daemon, if there is one."""
    folder = Path(os.environ.get("CREDENTIALS_DIRECTORY", ""))
    copy = folder / f"{file.parent.name}_{file.name}"
    return copy if folder.is_absolute() and copy.exists() else file
