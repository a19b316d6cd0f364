"""Channel `webhook`: an HTTP POST of the message as JSON, signed if there is a secret.

Headers: `Idempotency-Key` is the message's id, the same when it is sent again;
`X-Mismatchd-Signature` is `sha256=` and the HMAC-SHA256 of the body with the secret, in hex: the
form of W3C WebSub (Recommendation of 23 January 2018, section 8, "Authenticated Content
Distribution"; from memory).
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import http.client
from datetime import UTC, datetime
from urllib.parse import quote, urlsplit

import msgspec

from logger.config.credentials import without
from logger.config.notifiers import WebhookOptions, check_url, shown_url
from logger.notify import tls
from logger.notify.channel import ChannelContext, DeliveryChannel, Message, NotDelivered
from logger.outlets.exchange import MOST_BYTES, Exchange
from logger.outlets.http_connection import http_connection
from logger.outlets.responses import is_page, message_of, retry_after
from logger.rows import ChangeKind

SIGNATURE = "X-Mismatchd-Signature"
# Status codes by which a server refuses this message, whatever the moment or the set-up.
REFUSALS = {400, 406, 409, 410, 413, 414, 415, 422, 451}


class Webhook(DeliveryChannel):
    """Opens a connection for each message; redirections are not followed.

    2xx means delivered, unless the answer is an HTML page: that is how a login page or the portal
    of a network answers, whatever the request was. Receivers of messages answer with nothing, JSON
    or a word.
    """

    changes = frozenset(ChangeKind)

    def __init__(self, options: WebhookOptions, context: ChannelContext) -> None:
        self._options = options
        self._context = context

    def deliver(self, message: Message) -> None:
        """POST the message. Raise NotDelivered; a 4xx that concerns the message is permanent."""
        options = self._options
        url = options.url or self._context.secret("url", options.url_env, options.url_file)
        key = self._context.secret("secret", options.secret_env, options.secret_file)
        assert url is not None
        try:
            check_url(url)
        except ValueError as error:
            raise NotDelivered(str(error)) from None
        parts = urlsplit(url)
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        hidden = [key or "", url, path if options.url is None else "", parts.query]
        body = msgspec.json.encode(message)
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "mismatchd",
            "Idempotency-Key": quote(message["message_id"]),
        }
        if key is not None:
            digest = hmac.new(key.encode(), body, hashlib.sha256).hexdigest()
            headers[SIGNATURE] = f"sha256={digest}"
        shown = shown_url(url)
        try:
            status, answer, retry_s = self._post(url, path, body, headers)
        except (OSError, http.client.HTTPException) as error:
            raise NotDelivered(f"{shown}: {without(tls.reason(error), hidden)}") from None
        if 200 <= status < 300 and not is_page(answer) and len(answer) <= MOST_BYTES:
            return
        text = without(answer, hidden)
        reason = f"{shown} answers {status}{f' ({message_of(text)})' if text else ''}"
        if 200 <= status < 300:
            reason = f"{shown} answers with a page; configure the address of the receiver"
        if 300 <= status < 400:
            reason += "; configure the address it redirects to"
        raise NotDelivered(reason, status in REFUSALS, retry_s)

    def _post(
        self, url: str, path: str, body: bytes, headers: dict[str, str]
    ) -> tuple[int, str, float]:
        parts, ca_file = urlsplit(url), self._options.ca_file
        context = tls.context(ca_file) if parts.scheme == "https" else None
        with (
            Exchange(self._options.timeout_s) as exchange,
            contextlib.closing(http_connection(parts, exchange, context)) as connection,
        ):
            try:
                connection.request("POST", path, body, headers)
                with connection.getresponse() as answer:
                    retry_s = retry_after(answer.getheader("retry-after"), datetime.now(UTC))
                    body = answer.read(MOST_BYTES + 1)
            except (OSError, http.client.HTTPException) as error:
                raise TimeoutError if exchange.expired else error from None
        if exchange.expired:  # a header that was cut off looks complete
            raise TimeoutError
        return answer.status, body.decode("utf-8", "replace"), retry_s
