"""MQTT discovery at a real broker: what is announced, what is shown, and what is removed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.client as paho
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from logger.config.notifiers import MqttOptions
from logger.live.status import Status
from logger.notify.channel import ChannelContext
from logger.notify.discovery import entities, node
from logger.notify.mqtt import Mqtt
from logger.rows import AlarmKind
from logger.store.tables import TRANSMISSIONS
from logger.store.writer import StoreWriter
from tests.counterparts import Broker, Subscriber, broker, subscriber
from tests.deadlines import wait_until
from tests.test_fault_notifiers import status as invented_status
from tests.test_notify_channels import ALARM, STANDING
from tests.test_store import ALWAYS, SECOND, T0, second, transmission

pytestmark = pytest.mark.realtime

KNOWN = yaml.safe_load((Path(__file__).parent / "references/mqtt_discovery.yaml").read_text())
TOPIC = "shed/feed-line"
COUNT = 10 + len(AlarmKind)


def status(**changes: Any) -> Status:
    last_pair_ns = T0 + 2 * SECOND
    idle = {"pairs": 100, "last_pair_ns": last_pair_ns, "keyed": False}
    return msgspec.structs.replace(invented_status(), **{**idle, **changes})


class Home:
    """A channel with discovery and its store; `status` is the daemon's."""

    def __init__(self, folder: Path, to: Broker) -> None:
        self.store = StoreWriter.open(folder / "station.sqlite")
        self.status = status()
        self.woken = 0
        self.context = ChannelContext(
            "harbour",
            folder,
            {},
            watching=True,
            wake=self._wake,
            status=lambda: self.status,
            store=self.store.path,
        )
        self._to = to
        self.channel = self.open()

    def _wake(self) -> None:
        self.woken += 1

    def open(self, **options: Any) -> Mqtt:
        options = {"topic": TOPIC, "discovery": True, **options}
        made = MqttOptions(host="127.0.0.1", port=self._to.port, timeout_s=3, **options)
        return Mqtt(made, self.context)

    def show(self, *alarms: Any) -> None:
        """Call until there is nothing left to announce."""
        for _ in range(COUNT + 1):
            if self.channel.show(alarms) != 0.0:
                return
        raise AssertionError


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Broker]:
    with broker(tmp_path) as running:
        yield running


@pytest.fixture
def home(tmp_path: Path, server: Broker) -> Iterator[Home]:
    made = Home(tmp_path, server)
    yield made
    made.channel.close()
    made.store.close()


def configured(there: Subscriber) -> dict[str, Any]:
    """Retained configurations by topic."""
    return {heard.topic: heard.payload for heard in there.heard if heard.topic.endswith("/config")}


def publish(to: Broker, topic: str, payload: str, *, retain: bool = False) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", to.port)
    client.loop_start()
    client.publish(topic, payload, 1, retain).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


def test_configurations_are_as_home_assistant_accepts_them() -> None:
    names = set()
    for component, name, entity in entities(TOPIC, "harbour", list(AlarmKind)):
        assert entity.keys() <= {*KNOWN["common"], *KNOWN[component]}
        assert entity.keys() >= set(KNOWN["required"])
        assert entity["device"].keys() == set(KNOWN["device"])
        assert entity["origin"].keys() == set(KNOWN["origin"])
        kind = entity.get("device_class")
        allowed = KNOWN["device_classes"][component]
        assert kind is None or kind in allowed
        if component == "sensor" and kind:
            assert entity.get("unit_of_measurement") in (allowed[kind]["units"] or [None])
            assert entity.get("state_class") in (None, *allowed[kind]["state_classes"])
        names.add(entity["unique_id"])
        assert re.match(KNOWN["topic"], f"x/{component}/{node(TOPIC)}/{name}/config")
    assert len(names) == COUNT


def test_stations_have_nodes_of_their_own() -> None:
    topics = ("a/b", "a-b", "ä/b", "ö/b", "A/b")
    assert len({node(topic) for topic in topics}) == len(topics)


def test_entities_are_announced_and_stay_with_the_broker(home: Home, server: Broker) -> None:
    home.show()
    with subscriber(server) as late:
        assert wait_until(lambda: len(late.of("/config")) == COUNT)
        assert all(heard.retained for heard in late.heard)
        for topic, entity in configured(late).items():
            assert topic.startswith("homeassistant/")
            assert entity["availability_topic"] == f"{TOPIC}/state"
            assert entity["state_topic"].removeprefix(f"{TOPIC}/") in (
                "state",
                "reading",
                "transmission",
            )


def test_a_transmission_is_shown_while_it_lasts_and_when_it_has_ended(
    home: Home, server: Broker
) -> None:
    def readings(there: Subscriber) -> list[tuple[Any, ...]]:
        names = ("keyed", "forward_w", "reflected_w", "bridge")
        return [tuple(reading[name] for name in names) for reading in there.of("/reading")]

    with subscriber(server) as there:
        home.show()
        home.status = status(keyed=True, pairs=200)
        home.show()
        home.store.write(
            [transmission(ended=False), second(T0), second(T0 + SECOND, forward_w=3.5)]
        )
        home.show()
        home.show()  # nothing new, no message
        home.store.write([transmission()])
        home.status = status(pairs=300)
        home.channel._discovery._store_s = -1e9  # some seconds later
        home.show()
        assert wait_until(lambda: there.of("/transmission"))
        assert readings(there) == [
            (False, 0.0, 0.0, True),
            (True, None, None, True),  # no second of it yet
            (True, 3.5, 0.04, True),
            (False, 0.0, 0.0, True),
        ]
        (shown,) = there.of("/transmission")
        (row,) = home.store.records(TRANSMISSIONS, *ALWAYS)
        assert shown.items() >= row.columns.items()


def test_a_silent_bridge_is_disconnected(home: Home, server: Broker) -> None:
    with subscriber(server) as there:
        home.show()
        home.channel._discovery._pairs_s -= 11  # so long ago was the last pair
        home.show()
        assert wait_until(lambda: [r["bridge"] for r in there.of("/reading")] == [True, False])


def test_a_home_server_that_starts_hears_everything_again(home: Home, server: Broker) -> None:
    with subscriber(server) as there:
        home.show()
        home.show()
        assert wait_until(lambda: len(there.of("/config")) == COUNT)
        publish(server, "homeassistant/status", '"offline"')
        publish(server, "homeassistant/status", "online")
        assert wait_until(lambda: home.woken)
        home.show()
        assert wait_until(lambda: len(there.of("/config")) == 2 * COUNT)


def test_a_broker_without_memory_hears_everything_again(home: Home, server: Broker) -> None:
    home.show()
    server.kill()
    server.start()
    with subscriber(server) as there:
        home.channel.close()  # as after the failure that the notifier sees
        home.show(STANDING)
        assert wait_until(lambda: len(there.of("/config")) == COUNT)
        assert wait_until(lambda: there.of("/reading"))
        assert there.of("/state")[-1]["alarms"] == ["high-swr"]


def test_no_alarm_waits_for_all_entities(home: Home, server: Broker) -> None:
    with subscriber(server) as there:
        assert home.channel.show(()) == 0.0
        home.channel.deliver(ALARM)
        assert wait_until(lambda: there.of("/alarm"))
        assert len(there.of("/config")) == 1


def test_entities_are_removed_when_switched_off(home: Home, server: Broker) -> None:
    other = "homeassistant/sensor/mismatchd-other-00000000/swr/config"
    publish(server, other, "{}", retain=True)
    home.show()
    home.channel.close()
    home.channel = home.open(discovery=False)
    home.show()

    def left() -> set[str]:
        with subscriber(server) as there:
            wait_until(lambda: there.of("/state"))
            return {heard.topic for heard in there.heard}

    assert wait_until(lambda: left() == {other, f"{TOPIC}/state"})


def test_without_discovery_nothing_is_published_but_the_state(home: Home, server: Broker) -> None:
    with subscriber(server) as there:
        home.channel = home.open(discovery=False)
        assert home.channel.show(()) is None
        home.channel.close()
        home.context = replace(home.context, watching=False)  # `notify test`
        home.channel = home.open()
        home.channel.deliver(ALARM)
        assert wait_until(lambda: there.of("/alarm"))
        assert {heard.topic for heard in there.heard} == {f"{TOPIC}/state", f"{TOPIC}/alarm"}
