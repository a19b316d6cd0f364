"""Each way out against a real counterpart; and secrets stay secret."""

from __future__ import annotations

import gc
import hashlib
import hmac
import json
import os
import re
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivers.contract import LinkError
from logger.config.credentials import from_file, secret, without
from logger.config.notifiers import (
    CommandOptions,
    InhibitOptions,
    MailOptions,
    MqttOptions,
    WebhookOptions,
)
from logger.errors import ConfigError
from logger.notify import messages
from logger.notify.channel import ChannelContext, NotDelivered
from logger.notify.command import Command
from logger.notify.inhibit import Inhibit
from logger.notify.mail import Mail, letter
from logger.notify.mqtt import Mqtt
from logger.notify.webhook import Webhook
from logger.rows import (
    Alarm,
    AlarmEvent,
    AlarmKind,
    ChangeKind,
    Fault,
    FaultChangeKind,
    FaultEvent,
    FaultState,
    Severity,
)
from tests.counterparts import (
    PASSWORD,
    USER,
    Authority,
    Broker,
    authority,
    broker,
    hook_server,
    mail_server,
    subscriber,
)
from tests.deadlines import in_time, wait_until
from tests.servers import free_port
from tests.test_store import T0

pytestmark = pytest.mark.realtime

SECRETS = {"PW": PASSWORD, "WRONG": "no-such-password", "KEY": "signing-key-1234"}
HERE = ChannelContext("harbour-workshop", Path("/"), SECRETS, watching=True)
STANDING = Alarm(
    id=7,
    kind=AlarmKind.HIGH_SWR,
    severity=Severity.CRITICAL,
    raised_utc="2026-03-01T19:00:05.123456Z",
    value=8.5,
    limit=3.0,
    transmission_id=3,
    detail="SWR 8.50 for 50 ms",
    flags="",
)
ALARM = messages.alarm(
    "harbour-workshop",
    AlarmEvent(
        ChangeKind.RAISED,
        msgspec.structs.replace(STANDING, cleared_utc="2026-03-01T19:00:09.000000Z"),
    ),
    utc_ns=T0,
    raises=1,
    clears=0,
    summary=False,
    open_alarms=["high-swr"],
    advice=["bypass the meter"],
)


FAULT = Fault(
    id=3,
    state=FaultState.OPEN,
    severity=Severity.CRITICAL,
    opened_utc="2026-03-01T19:00:05.123456Z",
    summary="SWR 8.50 for 50 ms",
    channels="20",
)
FAULT_MESSAGE = messages.fault(
    "harbour-workshop",
    FaultEvent(FaultChangeKind.OPENED, FAULT, FAULT.opened_utc),
    T0,
    ["bypass the meter"],
)


@pytest.fixture(scope="module")
def trusted(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def secured(tmp_path: Path, trusted: Authority) -> Iterator[Broker]:
    with broker(tmp_path, trusted) as started:
        yield started


def reason(channel: Any, message: Any = ALARM) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        channel.deliver(message)
    text = str(caught.value)
    assert "\n" not in text
    assert not any(value in text for value in SECRETS.values())
    return caught.value


def test_the_message_is_flat_and_tells_of_its_own_change_only() -> None:
    assert ALARM["message_id"] == "harbour-workshop/high-swr/2026-03-01T19:00:05.123456Z/raised"
    assert [*messages.identify(ALARM, "a-b").items()] == [*ALARM.items(), ("station_id", "a-b")]
    assert messages.identify(ALARM, "") == ALARM
    assert ALARM["cleared_utc"] is None
    assert not any(isinstance(value, dict) for value in ALARM.values())
    assert "high-swr raised 2026-03-01 19:00:05 UTC: SWR 8.50" in ALARM["text"]


# command


def command(tmp_path: Path, script: str, **more: Any) -> Command:
    (tmp_path / "tell.py").write_text(script)
    argv = [sys.executable, "tell.py", "$HOME; touch owned", "two words"]
    return Command(
        CommandOptions(command=argv, **more), ChannelContext("here", tmp_path, os.environ)
    )


def test_a_command_gets_arguments_as_they_are_and_json_on_stdin(tmp_path: Path) -> None:
    script = "import sys, json; json.dump([sys.argv[1:], json.load(sys.stdin)], open('out', 'w'))"
    command(tmp_path, script).deliver(ALARM)
    arguments, message = json.loads((tmp_path / "out").read_text())
    assert arguments == ["$HOME; touch owned", "two words"]
    assert message == ALARM
    assert not (tmp_path / "owned").exists()


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("import sys; sys.exit('the bell is stuck')", "exit code 1): the bell is stuck"),
        ("import os; os.kill(os.getpid(), 9)", "signal 9"),
        ("import time; time.sleep(60)", "did not end within 0.5 s and was killed"),
        ("import sys\nwhile True: sys.stderr.write('x' * 9999)", "did not end within 0.5 s"),
    ],
)
def test_a_command_that_fails_or_hangs_is_told(tmp_path: Path, script: str, said: str) -> None:
    begun_s = time.monotonic()
    error = reason(command(tmp_path, script, timeout_s=0.5))
    assert said in str(error)
    assert not error.permanent
    assert in_time(time.monotonic() - begun_s, 3)


def test_what_a_command_has_started_is_killed_with_it(tmp_path: Path) -> None:
    script = (
        "import os, subprocess, time\n"
        "child = subprocess.Popen(['sleep', '60'])\n"
        "open('pid', 'w').write(str(child.pid))\n"
        "time.sleep(60)\n"
    )
    reason(command(tmp_path, script, timeout_s=1.0))
    child = Path("/proc", (tmp_path / "pid").read_text(), "stat")
    assert wait_until(lambda: not child.exists() or " Z " in child.read_text())


def test_a_command_that_reads_nothing_or_leaves_something_behind_has_run(tmp_path: Path) -> None:
    command(tmp_path, "pass").deliver({**ALARM, "detail": "x" * 300_000})
    begun_s = time.monotonic()
    script = "import subprocess; subprocess.Popen(['sleep', '3'])"  # which holds stderr open
    command(tmp_path, script).deliver(ALARM)
    assert in_time(time.monotonic() - begun_s, 2)


def test_a_command_that_is_aborted_is_killed_and_not_run_again(tmp_path: Path) -> None:
    way = command(
        tmp_path, "import time; open('ran', 'a').write('x'); time.sleep(60)", timeout_s=60
    )
    threading.Timer(1.0, way.abort).start()
    assert "signal 9" in str(reason(way))
    assert "the daemon is stopping" in str(reason(way))
    assert (tmp_path / "ran").read_text() == "x"


def test_a_command_that_is_not_there(tmp_path: Path) -> None:
    lost = Command(CommandOptions(command=["./nowhere"]), ChannelContext("here", tmp_path, {}))
    assert "./nowhere cannot be run: No such file" in str(reason(lost))


# webhook


def webhook(url: str, **more: Any) -> Webhook:
    return Webhook(WebhookOptions(url=url, secret_env="KEY", **more), HERE)


def test_a_webhook_is_signed_and_carries_its_id() -> None:
    with hook_server() as server:
        webhook(server.url).deliver(ALARM)
        (post,) = server.posts
    assert post.message == ALARM
    digest = hmac.new(SECRETS["KEY"].encode(), post.body, hashlib.sha256).hexdigest()
    assert post.headers["X-Mismatchd-Signature"] == f"sha256={digest}"
    assert post.headers["Idempotency-Key"] == ALARM["message_id"].replace(":", "%3A")


@pytest.mark.parametrize(
    ("status", "permanent"), [(500, False), (503, False), (401, False), (404, False), (422, True)]
)
def test_a_webhook_that_fails(status: int, permanent: bool) -> None:
    with hook_server() as server:
        server.status, server.said = status, b'{"message": "not today, signing-key-1234"}'
        error = reason(webhook(server.url))
    assert f"answers {status} (not today, ***)" in str(error)
    assert error.permanent == permanent


def test_a_webhook_that_stalls_or_drips_is_left_in_time() -> None:
    with hook_server() as server:
        for server.drip, server.stall_s in ((False, 2.0), (True, 0.0)):
            begun_s = time.monotonic()
            error = reason(webhook(server.url, timeout_s=0.6))
            assert in_time(time.monotonic() - begun_s, 1.5, at_least_s=0.5)
            assert "no answer in time" in str(error)


def test_a_webhook_that_is_away_or_leads_elsewhere() -> None:
    assert "Connection refused" in str(reason(webhook(f"http://127.0.0.1:{free_port()}/x")))
    with hook_server() as server:
        server.status = 301
        assert "configure the address it redirects to" in str(reason(webhook(server.url)))


def test_a_url_that_is_a_secret_is_not_told(tmp_path: Path) -> None:
    with hook_server() as server:
        server.status, server.said = 500, b"no route for /hooks/T0PSECRET"
        (tmp_path / "url").write_text(server.url.replace("/alarm", "/hooks/T0PSECRET") + "\n")
        options = WebhookOptions(url_file=tmp_path / "url")
        error = reason(Webhook(options, HERE))
    assert "T0PSECRET" not in str(error) + repr(options) + options.destination
    assert "answers 500 (no route for ***)" in str(error)


# mail


def mail(port: int, trusted: Authority | None, password: str = "PW", **more: Any) -> Mail:
    ca = None if trusted is None else trusted.ca
    options = msgspec.convert(
        {
            "host": "127.0.0.1",
            "port": port,
            "user": USER,
            "password_env": password,
            "from": "watch@workshop.example",
            "to": ["keeper@workshop.example", "deputy@workshop.example"],
            "timeout_s": 5,
            **more,
        },
        MailOptions,
    )
    return Mail(msgspec.structs.replace(options, ca_file=ca), HERE)


def test_mail_goes_by_starttls_with_password(trusted: Authority) -> None:
    with mail_server(trusted) as server:
        for _ in range(2):
            mail(server.port, trusted).deliver(ALARM)
    first, again = server.mails
    assert server.encrypted == [True, True]
    assert first["subject"] == "harbour-workshop: high-swr raised"
    assert first["message-id"] == again["message-id"]
    assert "deputy@workshop.example" in first["to"]
    text = first.get_content()
    assert text.startswith("harbour-workshop: high-swr raised 2026-03-01 19:00:05 UTC: SWR 8.50")
    assert "- bypass the meter" in text
    assert "value: 8.5" in text
    fault = letter(MailOptions(host="h", sender="a@b.c", to=["d@e.f"]), FAULT_MESSAGE)
    assert fault["subject"] == "harbour-workshop: fault 3 opened"
    assert "- bypass the meter" in fault.get_content()


def test_mail_that_is_not_taken(trusted: Authority) -> None:
    with mail_server(trusted) as server:
        error = reason(mail(server.port, trusted, "WRONG"))
        assert "answers 535" in str(error)
        assert not error.permanent
        assert "$ABSENT is not set" in str(reason(mail(server.port, trusted, "ABSENT")))
        server.answer = "451 come back later"
        error = reason(mail(server.port, trusted))
        assert ("451 come back later" in str(error), error.permanent) == (True, False)
        server.recipients = f"550 nobody here, {PASSWORD}"
        error = reason(mail(server.port, trusted))
        assert ("550 nobody here, ***" in str(error), error.permanent) == (True, True)
    assert "Connection refused" in str(reason(mail(server.port, trusted)))
    assert server.mails == []


def test_mail_to_a_server_that_is_not_trusted(secured: Broker) -> None:
    """Any server that speaks TLS from the start will do."""
    error = reason(mail(secured.port, None, security="tls"))
    assert "its certificate is not trusted" in str(error)


def test_a_password_is_not_sent_where_no_tls_is_offered(trusted: Authority) -> None:
    import socket
    import threading

    heard = b""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            nonlocal heard
            caller, _ = listening.accept()
            with caller:
                caller.sendall(b"220 plain\r\n")
                while data := caller.recv(1000):
                    heard += data
                    caller.sendall(b"250-plain\r\n250 AUTH PLAIN\r\n")

        thread = threading.Thread(target=serve)
        thread.start()
        error = reason(mail(listening.getsockname()[1], trusted))
        thread.join()
    assert "offers no TLS" in str(error)
    assert b"AUTH" not in heard


# mqtt


def mqtt(to: Broker, password: str = "PW", here: ChannelContext = HERE, **more: Any) -> Mqtt:
    if to.trusted:
        more = {"tls": True, "ca_file": to.trusted.ca, "user": USER, **more}
        more.setdefault("password_env", password)
    options = MqttOptions(host="127.0.0.1", port=to.port, timeout_s=3, **more)
    return Mqtt(options, here)


def test_mqtt_by_tls_and_password(secured: Broker) -> None:
    with subscriber(secured) as there:
        way = mqtt(secured)
        way.show(())
        way.deliver(ALARM)
        way.show([STANDING])
        way.show([msgspec.structs.replace(STANDING, capture_id=9)])  # worth no message
        assert wait_until(lambda: len(there.heard) == 3)
        way.close()
        assert wait_until(lambda: len(there.heard) == 4)
        assert there.of("mismatchd/harbour-workshop/alarm") == [ALARM]
        states = there.of("/state")
        assert [(state["watch"], state["alarms"]) for state in states] == [
            ("alive", []),
            ("alive", ["high-swr"]),
            ("ended", ["high-swr"]),
        ]
    with subscriber(secured) as late:
        assert wait_until(lambda: late.heard)
        (state,) = late.heard
        assert state.retained
        assert state.payload["watch"] == "ended"


def test_mqtt_has_messages_of_faults_and_the_faults_in_the_state(secured: Broker) -> None:
    with subscriber(secured) as there:
        way = mqtt(secured)
        way.show([STANDING], [FAULT])
        way.deliver(FAULT_MESSAGE)
        way.show([STANDING], [msgspec.structs.replace(FAULT, state=FaultState.QUIET)])
        way.show([STANDING], [])
        assert wait_until(lambda: len(there.of("/state")) == 3)
        assert there.of("/fault") == [FAULT_MESSAGE]
        first, quiet, last = (state["faults"] for state in there.of("/state"))
        assert first == [
            {
                "id": 3,
                "state": "open",
                "severity": "critical",
                "opened_utc": FAULT.opened_utc,
                "acknowledged": False,
                "summary": "SWR 8.50 for 50 ms",
            }
        ]
        assert [quiet[0]["state"], last] == ["quiet", []]
        way.close()


def test_mqtt_comes_back_with_the_broker(secured: Broker) -> None:
    way = mqtt(secured)
    way.show([STANDING])
    secured.kill()
    assert re.search("refused|was lost", str(reason(way)))
    assert "Connection refused" in str(reason(way))
    secured.start()
    way.show([STANDING])
    way.deliver(ALARM)
    with subscriber(secured) as there:
        assert wait_until(lambda: there.of("/state"))
        assert there.of("/state")[0]["alarms"] == ["high-swr"]
    way.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_mqtt_that_is_not_let_in(secured: Broker) -> None:
    assert "Not authorized" in str(reason(mqtt(secured, "WRONG")))
    assert "its certificate is not trusted" in str(reason(mqtt(secured, ca_file=None)))
    gc.collect()  # the client library leaves it to this to close what was not trusted


def test_a_test_message_leaves_the_retained_state_alone(secured: Broker) -> None:
    with subscriber(secured) as there:
        way = mqtt(secured, here=replace(HERE, watching=False))
        way.deliver(messages.test("harbour-workshop", T0))
        way.close()
        assert wait_until(lambda: there.heard)
        time.sleep(0.1)
        assert [heard.topic for heard in there.heard] == ["mismatchd/harbour-workshop/test"]


# inhibit


class Bridge:
    def __init__(self) -> None:
        self.written: list[str] = []
        self.away = False

    def send(self, data: bytes) -> None:
        if self.away:
            raise LinkError("the port is not there")
        self.written.append(data.decode())


def inhibit(bridge: Bridge, now: list[float]) -> Inhibit:
    options = InhibitOptions(message="stop", release="go", refresh_s=1, release_after_s=30)
    surroundings = ChannelContext("here", Path("/"), {}, bridge.send)
    return Inhibit(options, surroundings, clock=lambda: now[0])


def test_inhibit_is_refreshed_while_it_lasts_but_not_for_ever() -> None:
    bridge, now = Bridge(), [100.0]
    way = inhibit(bridge, now)
    assert way.show(()) is None
    way.on_change("raised", "high-swr")
    for now[0] in (100.0, 100.4, 101.0, 102.0):
        wait_s = way.show(())
        assert wait_s is not None
        assert wait_s <= 1.0
    assert bridge.written == ["stop"] * 3
    now[0] = 129.5
    assert way.show(()) == pytest.approx(0.5)
    now[0] = 130.0
    assert way.show(()) is None
    assert way.show(()) is None
    assert bridge.written == ["stop"] * 4 + ["go"]
    way.on_change("raised", "high-swr")
    way.on_change("raised", "high-reflected-power")
    way.show(())
    way.on_change("cleared", "high-swr")
    assert way.show(()) is not None
    way.on_change("cleared", "high-reflected-power")
    assert way.show(()) is None
    assert bridge.written[5:] == ["stop", "go"]


def test_inhibit_is_released_by_acknowledging_and_at_the_end() -> None:
    bridge, now = Bridge(), [0.0]
    way = inhibit(bridge, now)
    way.on_change("raised", "high-swr")
    way.show(())
    way.on_change("acknowledged", "high-swr")
    way.show(())
    assert bridge.written == ["stop", "go"]
    way.on_change("raised", "high-swr")
    way.show(())
    bridge.away = True
    way.on_change("acknowledged", "high-swr")
    assert reason_of_show(way).retry_s == 1
    bridge.away = False
    way.show(())
    assert bridge.written == ["stop", "go", "stop", "go"]
    way.on_change("raised", "high-swr")
    way.show(())
    way.close()
    way.close()
    assert bridge.written[4:] == ["stop", "go"]


def reason_of_show(way: Inhibit) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        way.show(())
    return caught.value


# secrets


def test_a_secret_is_found_where_the_service_manager_puts_it(tmp_path: Path) -> None:
    handed, home = tmp_path / "handed", tmp_path / "secrets"
    handed.mkdir()
    home.mkdir()
    (home / "mail").write_text("from-home\n")
    environ = {"CREDENTIALS_DIRECTORY": str(handed)}
    assert from_file("password_file", home / "mail", environ) == "from-home"
    (handed / "secrets_mail").write_text("of-the-folder\n")
    assert from_file("password_file", home / "mail", environ) == "of-the-folder"
    (handed / "mail").write_text("of-that-name\n")
    assert from_file("password_file", home / "mail", environ) == "of-that-name"
    with pytest.raises(ConfigError, match="cannot be read"):
        secret("password", None, home / "none", {})
    assert secret("password", None, None, {}) is None


def test_secrets_are_blotted_out() -> None:
    assert without("a correct-horse b\n", ["correct-horse", ""]) == "a *** b "
    assert without("AGNvcnJlY3QtaG9yc2U=", ["\0correct-horse"]) == "***"
