"""Mail through an SMTP server, unencrypted only if configured and without a password.

A repeated message has the same Message-ID, so that many mailboxes show it once.
"""

from __future__ import annotations

import hashlib
import smtplib
import socket
import ssl
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Any

from logger.config.credentials import without
from logger.config.notifiers import MailOptions
from logger.notify import tls
from logger.notify.channel import ChannelContext, DeliveryChannel, Message, NotDelivered
from logger.outlets.exchange import Exchange, LimitedReader
from logger.rows import ChangeKind

LEFT_OUT = {"event", "message_id", "station", "text", "advice", "summary"}


class Mail(DeliveryChannel):
    """Opens a new connection for each message, which ends after `timeout_s`."""

    changes = frozenset({ChangeKind.RAISED, ChangeKind.CLEARED})

    def __init__(self, options: MailOptions, context: ChannelContext) -> None:
        self._options = options
        self._context = context

    def deliver(self, message: Message) -> None:
        """Send the message. Raise NotDelivered, permanent if text or all recipients are refused."""
        options = self._options
        host = f"{options.host}:{options.port_number}"
        password = self._context.secret("password", options.password_env, options.password_file)
        hidden = [password or "", f"\0{options.user}\0{password}"]
        exchange = Exchange(options.timeout_s)
        try:
            with exchange, self._connect(exchange) as server:
                if options.user is not None:
                    server.login(options.user, password or "")
                server.send_message(letter(options, message))
        except smtplib.SMTPRecipientsRefused as error:
            answers = list(error.recipients.values())
            code, text = answers[0]
            raise NotDelivered(
                f"{host} refuses the recipients: {code} {without(_text(text), hidden)}",
                permanent=all(status >= 500 for status, _ in answers),
            ) from None
        except smtplib.SMTPResponseException as error:
            raise NotDelivered(
                f"{host} answers {error.smtp_code} {without(_text(error.smtp_error), hidden)}",
                permanent=isinstance(error, smtplib.SMTPDataError) and error.smtp_code >= 500,
            ) from None
        except smtplib.SMTPNotSupportedError:
            raise NotDelivered(f"{host} offers no TLS or no supported login method") from None
        except UnicodeError:
            raise NotDelivered("user and password must be plain ASCII for mail") from None
        except (smtplib.SMTPException, OSError) as error:
            reason = tls.reason(TimeoutError() if exchange.expired else error)
            raise NotDelivered(f"{host}: {without(reason, hidden)}") from None

    def _connect(self, exchange: Exchange) -> smtplib.SMTP:
        options = self._options
        context = None if options.security == "none" else tls.context(options.ca_file)
        server = _Session(exchange, context if options.security == "tls" else None)
        try:
            server.connect(options.host, options.port_number)
            if options.security == "starttls":
                server.starttls(context=context)
        except BaseException:
            server.close()
            raise
        return server


class _Session(smtplib.SMTP):
    """Session within the limits of an exchange; encrypted from the start with `context`."""

    file: Any

    def __init__(self, exchange: Exchange, context: ssl.SSLContext | None) -> None:
        super().__init__(timeout=exchange.left_s())
        self._exchange = exchange
        self._context = context

    def connect(self, host: str = "", port: int = 0, source_address: Any = None) -> Any:
        """Connect and read the greeting."""
        self._host = host  # for which starttls checks the certificate
        code, text = super().connect(host, port)
        if code != 220:
            raise smtplib.SMTPConnectError(code, text)
        return code, text

    def _get_socket(self, host: str, port: int, _: float) -> socket.socket:
        plain = self._exchange.connect((host, port))
        if self._context is None:
            return plain
        return self._context.wrap_socket(plain, server_hostname=host)

    def getreply(self) -> tuple[int, bytes]:
        """Return a reply; all of them together are limited."""
        if self.file is None and self.sock is not None:
            self.file = LimitedReader(self.sock.makefile("rb"))
        return super().getreply()


def letter(options: MailOptions, message: Message) -> EmailMessage:
    """Return the message as a mail: its text line, advice, then all other fields by name."""
    mail = EmailMessage()
    mail["From"] = options.sender
    mail["To"] = ", ".join(options.to)
    mail["Subject"] = _subject(message)
    mail["Date"] = format_datetime(datetime.fromisoformat(message["utc"]))
    digest = hashlib.sha256(message["message_id"].encode()).hexdigest()[:32]
    mail["Message-ID"] = f"<{digest}@mismatchd>"
    mail["Auto-Submitted"] = "auto-generated"
    lines = [message["text"], ""]
    lines += [f"- {advice}" for advice in message.get("advice", ())]
    for name, value in message.items():
        if name not in LEFT_OUT and value not in (None, "", []):
            shown = ", ".join(map(str, value)) if isinstance(value, list) else value
            lines.append(f"{name}: {shown}")
    mail.set_content("\n".join(lines) + "\n")
    return mail


def _subject(message: Message) -> str:
    event = message["event"]
    subject = {
        "fault": f"fault {message.get('id') or ''} {message.get('change')}",
        "alarm": f"{message.get('kind')} {message.get('change')}",
        "daily": "daily message",
        "test": "a test",
    }.get(event, event)
    count = message.get("raise_count") or 0
    return " ".join(f"{message['station']}: {subject}{f' ({count} times)' * (count > 1)}".split())


def _text(answer: bytes | str) -> str:
    text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
    return " ".join(text.split())[:200]
