"""Entities of the station for home automation, by the discovery of Home Assistant over MQTT.

    <prefix>/<component>/<node>/<entity>/config    retained: an entity, and where its values are
    <prefix>/status                                `online` when the home server has started
    <topic>/reading         retained: key, powers of the last second, bridge, version
    <topic>/transmission    retained: the last ended transmission, with the exported columns

Alarms, faults and availability are in the topic of the state, which `mqtt` keeps. When discovery is
switched off, what the broker still holds of all this is removed.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any
from zlib import crc32

from logger.config.notifiers import MqttOptions
from logger.errors import StoreError
from logger.live.status import Status
from logger.notify.channel import ChannelContext, Message
from logger.notify.messages import identify
from logger.rows import AlarmKind
from logger.store.reader import Store
from logger.store.tables import SECONDS, TRANSMISSIONS
from logger.utc import format_ns

LOOK_S = 1.0  # interval of looks at the key and the bridge,
STORE_S = 5.0  # and at the store while the key is up
SILENT_S = 10.0  # without pairs for so long, the bridge counts as disconnected
RECENT_NS = 5_000_000_000  # an older second is no present power
LATEST = "TRUE ORDER BY {time} DESC LIMIT 1"

Publish = Callable[[str, Message], None]  # retained


class Discovery:
    """Used by the notifier's thread, except for `subscribe` and `receive`."""

    def __init__(self, options: MqttOptions, topic: str, context: ChannelContext) -> None:
        self._is_on = options.discovery and context.watching
        self._can_remove = not options.discovery and context.watching
        self._prefix = options.discovery_prefix
        self._topic = topic
        self._context = context
        self._node = node(topic)
        self._values = [f"{topic}/{name}" for name in ("reading", "transmission")]
        self._kinds = options.alarms or list(AlarmKind)
        self._is_announced = False
        self._pending: list[tuple[str, str, Message]] = []
        self._shown: dict[str, Message] = {}  # by topic, without the time
        self._pairs = -1
        self._pairs_s = 0.0  # when that number last changed
        self._store_s: float | None = None

    # Called by the MQTT client on its own thread.

    def subscribe(self, client: Any) -> None:
        """Subscribe to what has to be known."""
        if self._is_on:
            client.subscribe(f"{self._prefix}/status", 1)
        elif self._can_remove:
            entities = f"{self._prefix}/+/{self._node}/+/config"
            client.subscribe([(topic, 1) for topic in (entities, *self._values)])

    def receive(self, client: Any, message: Any) -> None:
        """Announce entities to a home server that has started, or remove what is retained."""
        if self._can_remove and message.payload and message.retain:
            client.publish(message.topic, b"", 1, retain=True)
        elif self._is_on and message.payload == b"online" and not message.retain:
            self._is_announced = False
            self._context.wake()

    # Called by the notifier.

    def forget(self) -> None:
        """Publish everything again on the next connection."""
        self._is_announced = False
        self._shown.clear()
        self._store_s = None

    def show(self, publish: Publish) -> float | None:
        """Publish what is new; return the seconds until the next call. Raise NotDelivered."""
        if not self._is_on:
            return None
        if not self._is_announced:
            self._is_announced = True  # first, since `receive` may ask for another time
            self._pending = list(entities(self._topic, self._context.station, self._kinds))
        if self._pending:
            component, name, entity = self._pending.pop(0)
            publish(f"{self._prefix}/{component}/{self._node}/{name}/config", entity)
            return 0.0  # one at a time, so that no alarm waits for all of them
        status = self._context.status()
        if status is not None:
            self._look(status, publish)
        return LOOK_S

    def _look(self, status: Status, publish: Publish) -> None:
        now_s = time.monotonic()
        if status.pairs != self._pairs:
            self._pairs, self._pairs_s = status.pairs, now_s
        second: Message = {}
        if status.keyed or self._store_s is None or now_s - self._store_s >= STORE_S:
            self._store_s = now_s
            second, transmission = self._read(status)
            if transmission is not None:
                self._publish(publish, "transmission", transmission)
        idle = None if status.keyed else 0.0
        reading = {
            "keyed": status.keyed,
            "forward_w": second.get("forward_w") if status.keyed else idle,
            "reflected_w": second.get("reflected_w") if status.keyed else idle,
            "bridge": status.pairs > 0 and now_s - self._pairs_s < SILENT_S,
            "version": _version(),
        }
        self._publish(publish, "reading", reading)

    def _read(self, status: Status) -> tuple[Message, Message | None]:
        """Return the present second, if any, and the last transmission, if any."""
        assert self._context.store is not None
        try:
            with Store.reader(self._context.store) as store:
                seconds = store.select(SECONDS, LATEST.format(time="r.time_ns"))
                ended = store.select(TRANSMISSIONS, LATEST.format(time="r.start_ns"))
        except StoreError:
            return {}, None
        since_ns = (status.last_pair_ns or 0) - RECENT_NS
        present = [record.columns for record in seconds if record.time_ns >= since_ns]
        return present[0] if present else {}, ended[0].columns if ended else None

    def _publish(self, publish: Publish, name: str, content: Message) -> None:
        if content != self._shown.get(name):
            head = {"event": name, "station": self._context.station}
            message = {**head, "utc": format_ns(time.time_ns()), **content}
            publish(f"{self._topic}/{name}", identify(message, self._context.station_id))
            self._shown[name] = content


def node(topic: str) -> str:
    """Return the name of a station in topics of discovery, different for each topic."""
    return f"mismatchd-{re.sub('[^A-Za-z0-9]+', '-', topic)}-{crc32(topic.encode()):08x}"


def entities(
    topic: str, station: str, kinds: Sequence[AlarmKind]
) -> Iterator[tuple[str, str, Message]]:
    """Yield component, name and configuration of each entity."""
    common = {
        "device": {
            "identifiers": [node(topic)],
            "name": station,
            "model": "mismatchd",
            "sw_version": _version(),
        },
        "origin": {"name": "mismatchd", "sw_version": _version()},
        "availability_topic": f"{topic}/state",
        "availability_template": _choose("value_json.watch == 'alive'", "online", "offline"),
    }

    def entity(
        component: str, name: str, text: str, source: str, template: str, **more: Any
    ) -> tuple[str, str, Message]:
        content = {
            "name": text,
            "unique_id": f"{node(topic)}-{name}",
            "state_topic": f"{topic}/{source}",
            "value_template": template,
        }
        return component, name, content | more | common

    def sensor(name: str, text: str, source: str, value: str, **more: Any) -> Any:
        return entity("sensor", name, text, source, f"{{{{ value_json.{value} }}}}", **more)

    def binary(name: str, text: str, source: str, test: str, **more: Any) -> Any:
        return entity("binary_sensor", name, text, source, _choose(test, "ON", "OFF"), **more)

    watts = {"device_class": "power", "unit_of_measurement": "W", "state_class": "measurement"}
    yield sensor("forward", "Forward power", "reading", "forward_w", **watts)
    yield sensor("reflected", "Reflected power", "reading", "reflected_w", **watts)
    yield sensor(
        *("swr", "SWR", "transmission", "swr"),
        state_class="measurement",
        suggested_display_precision=2,
        json_attributes_topic=f"{topic}/transmission",
        json_attributes_template="{{ dict(low=value_json.swr_low, high=value_json.swr_high,"
        " channel=value_json.channel, flags=value_json.flags) | tojson }}",
    )
    last = "Last transmission"
    yield sensor("last", last, "transmission", "start_utc", device_class="timestamp")
    yield sensor(
        *("duration", f"{last} duration", "transmission", "duration_s"),
        device_class="duration",
        unit_of_measurement="s",
    )
    yield sensor(
        *("energy", f"{last} energy", "transmission", "energy_j | float(0) / 3600"),
        device_class="energy",
        unit_of_measurement="Wh",
        suggested_display_precision=4,
    )
    yield sensor("version", "Version", "reading", "version", entity_category="diagnostic")
    yield binary("key", "Key down", "reading", "value_json.keyed")
    yield binary(
        *("bridge", "Bridge", "reading", "value_json.bridge"),
        device_class="connectivity",
        entity_category="diagnostic",
    )
    yield binary(
        *(
            "fault",
            "Fault",
            "state",
            "value_json.faults | selectattr('state', 'eq', 'open') | list",
        ),
        device_class="problem",
        json_attributes_topic=f"{topic}/state",
        json_attributes_template="{{ dict(faults=value_json.faults) | tojson }}",
    )
    for kind in kinds:
        yield binary(
            *(kind, f"Alarm {kind.replace('-', ' ')}", "state", f"'{kind}' in value_json.alarms"),
            device_class="problem",
        )


def _choose(test: str, yes: str, no: str) -> str:
    return f"{{{{ '{yes}' if {test} else '{no}' }}}}"


@cache
def _version() -> str:
    from importlib.metadata import version  # slow, and not needed without discovery

    return version("mismatchd")
