"""What the contract suite does not ask of the drivers `udp` and `mqtt`."""

from __future__ import annotations

import socket
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from drivers.contract import LinkError
from drivers.mqtt import MqttDriver, MqttOptions
from drivers.udp import UdpDriver, UdpOptions
from tests.counterparts import PASSWORD, USER, authority, broker
from tests.servers import free_port

pytestmark = pytest.mark.realtime


def test_a_datagram_may_hold_several_lines_and_the_bridges_clock() -> None:
    port = free_port()
    driver = UdpDriver(UdpOptions(port=port, address="127.0.0.1"))
    driver.open()
    lines = [f'{{"forward_v": {k}, "reflected_v": 0.5, "time_us": {1000 * k}}}' for k in range(20)]
    with socket.socket(type=socket.SOCK_DGRAM) as bridge:
        for part in (lines[:1], lines[1:12], lines[12:]):
            text = "\n".join(part).encode()
            bridge.sendto(text, ("127.0.0.1", port))
    block = driver.read(2.0, 0.2)
    driver.close()
    assert block is not None
    assert block.forward_v.tolist() == list(range(20))
    assert (block.time_ns[1:] - block.time_ns[:-1] == 1_000_000).all()


@pytest.mark.parametrize("options", [{"address": "harbour"}, {"sender": "300.1.1.1"}])
def test_addresses_are_checked_with_the_configuration(options: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="does not appear to be an IPv4 or IPv6 address"):
        UdpOptions(port=1, **options)


def test_the_broker_asks_for_tls_and_a_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trusted = authority(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(trusted.ca))  # of the host's authorities
    (tmp_path / "password").write_text(f"{PASSWORD}\n")
    (tmp_path / "wrong").write_text("a guess")
    with broker(tmp_path, trusted) as served:

        def driver(password: str) -> MqttDriver:
            return MqttDriver(
                MqttOptions(
                    host="localhost",
                    port=served.port,
                    topic="shed/#",
                    user=USER,
                    password_file=tmp_path / password,
                    tls=True,
                    columns=["forward_v", "reflected_v"],
                )
            )

        with pytest.raises(LinkError, match="refuses: Not authorized; check"):
            driver("wrong").open()
        with pytest.raises(LinkError, match="cannot log in"):
            driver("absent").open()
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "handed"))
        (tmp_path / "handed").mkdir()
        (tmp_path / "password").rename(tmp_path / "handed" / f"{tmp_path.name}_password")
        good = driver("password")
        good.open()
        bridge = paho.Client(CallbackAPIVersion.VERSION2)
        bridge.username_pw_set(USER, PASSWORD)
        bridge.tls_set(str(trusted.ca))
        bridge.connect("localhost", served.port)
        bridge.loop_start()
        bridge.publish("shed/coupler", "1.0,0.1\n1.5,0.2\n2.0,0.3", qos=1).wait_for_publish(5)
        block = good.read(2.0, 0.0)
        good.close()
        bridge.disconnect()
        bridge.loop_stop()
    assert block is not None
    assert block.forward_v.tolist()[-2:] == [1.5, 2.0]
