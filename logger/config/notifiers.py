"""Options of `notify:` in the configuration: a list of mappings, each with its `kind`."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Annotated, ClassVar, Literal
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta

from logger.config.section import EnvName, Positive, Section, Text, pattern
from logger.rows import Alarm, AlarmKind, Fault, Severity
from logger.wording import suggest

LimitS = Annotated[float, Meta(gt=0, le=300)]
Port = Annotated[int, Meta(ge=1, le=65535)]
MailAddress = Annotated[
    str,
    pattern(r"^[^\s<>]+@[^\s<>]+$", "a mail address such as user@example.org, without its name"),
]


class NotifierOptions(Section, frozen=True, kw_only=True):
    """Options common to all kinds. `alarms` and `severities` limit the alarms reported; None: all.

    For a notifier of faults, `alarms` limits them to those with such an alarm, and `severities` is
    theirs. Deliveries are recorded under `title`.
    """

    kind: ClassVar[str] = ""
    needs_link: ClassVar[bool] = False  # True if it needs the link to the bridge
    name: Annotated[Text | None, Meta(description="Distinguishes two notifiers of a kind.")] = None
    alarms: Annotated[
        list[AlarmKind] | None,
        Meta(description="Only alarms of these kinds, and faults that have one; default: all."),
    ] = None
    severities: Annotated[
        list[Severity] | None,
        Meta(description="Only alarms and faults of these severities; default: all."),
    ] = None

    def __post_init__(self) -> None:
        _check_names("alarm kind", self.alarms, AlarmKind)
        _check_names("severity", self.severities, Severity)

    @property
    def title(self) -> str:
        """Name of this notifier."""
        return self.name or self.kind

    @property
    def reports_faults(self) -> bool:
        """True if it reports faults instead of alarms."""
        return False

    @property
    def daily_minute(self) -> int | None:
        """Minute of the day (UTC) of the daily message; None for no daily message."""
        return None

    @property
    def advises(self) -> bool:
        """True if messages include what to check."""
        return False

    @property
    def destination(self) -> str:
        """Destination of the messages for the user, without secrets."""
        return ""

    def wants(self, alarm: Alarm) -> bool:
        """True if such an alarm is to be reported."""
        return (self.alarms is None or alarm.kind in self.alarms) and (
            self.severities is None or alarm.severity in self.severities
        )

    def wants_fault(self, fault: Fault, kinds: Collection[str] | None) -> bool:
        """True if such a fault is to be reported; `kinds` are those of its alarms, if known."""
        return (
            self.alarms is None or kinds is None or any(kind in kinds for kind in self.alarms)
        ) and (self.severities is None or fault.severity in self.severities)


class MessageOptions(NotifierOptions, frozen=True, kw_only=True):
    """Kinds that carry messages, of faults or of alarms in `detail`.

    `daily` is the time of a daily message, HH:MM UTC.
    """

    detail: Annotated[
        Literal["faults", "alarms"],
        Meta(description="Few messages about each fault, or messages about each alarm."),
    ] = "faults"
    daily: Annotated[str | None, Meta(description="Time of a daily message, HH:MM in quotes.")] = (
        None
    )
    advice: Annotated[bool, Meta(description="Adds likely causes and what to check next.")] = False

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.daily is not None and not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", self.daily):
            raise ValueError(
                f'daily {self.daily!r} is not a time of day; write "08:00" (UTC, quoted)'
            )

    @property
    def reports_faults(self) -> bool:
        """True if it reports faults instead of alarms."""
        return self.detail == "faults"

    @property
    def advises(self) -> bool:
        """True if messages include what to check."""
        return self.advice

    @property
    def daily_minute(self) -> int | None:
        """Minute of the day of the daily message."""
        if self.daily is None:
            return None
        hour, minute = self.daily.split(":")
        return int(hour) * 60 + int(minute)


class CommandOptions(MessageOptions, frozen=True, kw_only=True):
    """A program that gets the message as JSON on stdin.

    No shell is involved; a relative path with a slash is resolved against the folder of the
    configuration.
    """

    kind: ClassVar[str] = "command"
    command: Annotated[
        list[Text],
        Meta(min_length=1, description="Program and arguments; no shell is involved."),
    ]
    timeout_s: Annotated[LimitS, Meta(description="Time limit of the program.")] = 10

    @property
    def destination(self) -> str:
        return self.command[0]


class WebhookOptions(MessageOptions, frozen=True, kw_only=True):
    """A URL that gets the message by POST, signed if there is a secret.

    A URL that is itself secret is given by `url_env` or `url_file`.
    """

    kind: ClassVar[str] = "webhook"
    url: Annotated[str | None, Meta(description="Address to which the message is posted.")] = None
    url_env: Annotated[
        EnvName | None,
        Meta(description="Environment variable with the address, if that is secret."),
    ] = None
    url_file: Annotated[
        Path | None, Meta(description="File with the address, if that is secret.")
    ] = None
    secret_env: Annotated[
        EnvName | None,
        Meta(description="Environment variable with the secret that signs the message."),
    ] = None
    secret_file: Annotated[
        Path | None, Meta(description="File with the secret that signs the message.")
    ] = None
    ca_file: Annotated[
        Path | None, Meta(description="Certificate authority of the server, PEM.")
    ] = None
    timeout_s: Annotated[LimitS, Meta(description="Time limit of a delivery.")] = 10

    def __post_init__(self) -> None:
        super().__post_init__()
        sources = [self.url, self.url_env, self.url_file]
        if sum(source is not None for source in sources) != 1:
            raise ValueError("give the address exactly once; use `url`, `url_env` or `url_file`")
        if self.url is not None:
            check_url(self.url)
        _check_source(self.secret_env, self.secret_file, "secret")

    @property
    def destination(self) -> str:
        return "a secret address" if self.url is None else shown_url(self.url)


class ServerOptions(MessageOptions, frozen=True, kw_only=True):
    """Kinds that log in to a server."""

    host: Annotated[Text, Meta(description="Name or address of the server.")]
    port: Annotated[
        Port | None,
        Meta(description="Port; default: the standard port for the kind and its encryption."),
    ] = None
    ca_file: Annotated[
        Path | None, Meta(description="Certificate authority of the server, PEM.")
    ] = None
    user: Annotated[Text | None, Meta(description="User name.")] = None
    password_env: Annotated[
        EnvName | None, Meta(description="Environment variable with the password.")
    ] = None
    password_file: Annotated[Path | None, Meta(description="File with the password.")] = None

    def __post_init__(self) -> None:
        super().__post_init__()
        _check_source(self.password_env, self.password_file, "password")
        if self.user is None and (self.password_env or self.password_file):
            raise ValueError("a password without a user; add `user`")


class MqttOptions(ServerOptions, frozen=True, kw_only=True):
    """An MQTT broker.

    Messages go to `<topic>/fault`, `/alarm`, `/daily` and `/test`; the present state is retained at
    `<topic>/state`. The default topic is `mismatchd/<station>`.
    """

    kind: ClassVar[str] = "mqtt"
    tls: Annotated[bool, Meta(description="Encrypts the connection.")] = False
    topic: Annotated[
        Text | None,
        Meta(description="First part of the topics; default: mismatchd/ and the station's name."),
    ] = None
    timeout_s: Annotated[LimitS, Meta(description="Time limit of a delivery.")] = 10
    discovery: Annotated[
        bool,
        Meta(description="Offers the station's entities to Home Assistant; false removes them."),
    ] = False
    discovery_prefix: Annotated[
        Text, Meta(description="First part of the topics of discovery.")
    ] = "homeassistant"

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.ca_file is not None and not self.tls:
            raise ValueError("ca_file has no effect without TLS; add `tls: true`")
        if re.search(r"[+#\0]", (self.topic or "") + self.discovery_prefix):
            raise ValueError("a topic cannot contain + or #; write it in full")

    @property
    def port_number(self) -> int:
        """Port number, by default that of MQTT with or without TLS."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def destination(self) -> str:
        return f"{self.host}:{self.port_number}"


class MailOptions(ServerOptions, frozen=True, kw_only=True):
    """A mail server: STARTTLS (port 587), TLS from the start (465) or neither (25)."""

    kind: ClassVar[str] = "mail"
    security: Annotated[
        Literal["starttls", "tls", "none"],
        Meta(description="Encryption: STARTTLS (port 587), TLS from the start (465) or none (25)."),
    ] = "starttls"
    sender: Annotated[MailAddress, Meta(description="Address of the sender.")] = msgspec.field(
        name="from"
    )
    to: Annotated[list[MailAddress], Meta(min_length=1, description="Addresses of the recipients.")]
    timeout_s: Annotated[LimitS, Meta(description="Time limit of a delivery.")] = 20
    advice: Annotated[bool, Meta(description="Adds likely causes and what to check next.")] = True

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.user is not None and self.security == "none":
            raise ValueError("a password is not sent in the clear; use `security: starttls`")

    @property
    def port_number(self) -> int:
        """Port number, by default the standard one."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]

    @property
    def destination(self) -> str:
        return f"{', '.join(self.to)} by {self.host}:{self.port_number}"


class InhibitOptions(NotifierOptions, frozen=True, kw_only=True):
    """A message to the bridge while an alarm lasts, so that it can hold the key up.

    A convenience, and no substitute for the transmitter's own protection: it depends on this host,
    this program, a serial line and the bridge. `message` is repeated every `refresh_s` seconds
    until the alarm clears or is acknowledged, or for `release_after_s` seconds at most; then
    `release`, if set, is written once. The key is not held up again before that kind of alarm is
    raised again.
    """

    kind: ClassVar[str] = "inhibit"
    needs_link: ClassVar[bool] = True
    alarms: Annotated[list[AlarmKind] | None, Meta(description="Kinds of alarm that inhibit.")] = (
        msgspec.field(default_factory=lambda: [AlarmKind.HIGH_SWR, AlarmKind.HIGH_REFLECTED_POWER])
    )
    message: Annotated[Text, Meta(description="Text written to the bridge while an alarm lasts.")]
    release: Annotated[
        Text | None, Meta(description="Text written once when the alarm is over.")
    ] = None
    refresh_s: Annotated[
        float, Meta(ge=0.05, le=60, description="Time between repetitions of `message`.")
    ] = 1.0
    release_after_s: Annotated[Positive, Meta(description="Longest inhibition.")] = 60.0

    @property
    def destination(self) -> str:
        return f"the bridge ({self.message!r})"


KINDS: dict[str, type[NotifierOptions]] = {
    options.kind: options
    for options in (CommandOptions, WebhookOptions, MqttOptions, MailOptions, InhibitOptions)
}


def check_url(url: str) -> None:
    """Raise ValueError, which does not contain the URL, if it is invalid."""
    try:
        parts = urlsplit(url)
        usable = parts.scheme in ("http", "https") and parts.hostname and (parts.port or 1)
    except ValueError:
        usable = False
    if not usable or not url.isascii() or not url.isprintable() or " " in url:
        raise ValueError("not a URL; write http://host/path or https://host/path")
    if parts.username is not None or parts.password is not None:
        raise ValueError("no user or password in the url; use a path or a signature instead")


def shown_url(url: str) -> str:
    """Return scheme and host: the rest of a webhook's URL may work as a password."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"


def _check_names(what: str, names: Sequence[str] | None, allowed: Iterable[str]) -> None:
    if names is not None and not names:
        raise ValueError(f"an empty list of {what}s; omit the key to receive all")
    words = [str(word) for word in allowed]
    for name in map(str, names or ()):
        if name not in words:
            raise ValueError(f"there is no {what} {name!r}; {suggest(name, words, 'known')}")


def _check_source(env: str | None, file: Path | None, what: str) -> None:
    if env is not None and file is not None:
        raise ValueError(f"{what}_env and {what}_file are both given; remove one")
