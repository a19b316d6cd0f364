"""Who may do what: names of hosts, the token, the cookie that stands for it, forms. Pure.

Whoever has the token gets a cookie that says when it was given, signed by the token. Nothing is
kept here, so a cookie outlives a restart, and a new token ends them all.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Collection, Mapping
from hashlib import sha256
from ipaddress import ip_address

LEAST_TOKEN = 16  # characters
COOKIE_S = 30 * 86400
NONCE_BYTES = 16


def host_of(header: str) -> str:
    """The host in a Host header or an authority, in small letters, without port and brackets."""
    header = header.strip().lower()
    if header.startswith("["):
        return header[1:].partition("]")[0]
    name, colon, port = header.rpartition(":")
    return name if colon and port.isdecimal() else header


def known_host(header: str, names: Collection[str]) -> bool:
    """Whether a request for this Host may be answered. A strange site can give its name the address
    of this machine, and would be read as if it were here; an address it cannot give itself."""
    host = host_of(header)
    try:
        ip_address(host.partition("%")[0])
    except ValueError:
        return host.rstrip(".") in names
    return True


def same_origin(headers: Mapping[str, str]) -> bool:
    """Whether a POST comes from a page of ours, by what the browser says."""
    origin = headers.get("origin")
    if origin is None:
        return headers.get("sec-fetch-site") == "same-origin"
    scheme, found, authority = origin.partition("://")
    return bool(found) and scheme in ("http", "https") and authority == headers.get("host")


class Gate:
    """What depends on the token. `now_s` are seconds since the epoch."""

    def __init__(self, token: str) -> None:
        self._secret = token.encode()

    def opens(self, token: str) -> bool:
        """Whether this is the token."""
        return hmac.compare_digest(self._signed("token", token), self._own)

    @property
    def _own(self) -> str:
        return self._signed("token", self._secret.decode())

    def cookie(self, now_s: float) -> str:
        """A new cookie for one who has the token."""
        content = f"{int(now_s)}.{secrets.token_urlsafe(NONCE_BYTES)}"
        return f"{content}.{self._signed('cookie', content)}"

    def admits(self, cookie: str, now_s: float) -> bool:
        """Whether a cookie was given here and is not too old."""
        content, _, signature = cookie.rpartition(".")
        if not hmac.compare_digest(signature.encode(), self._signed("cookie", content).encode()):
            return False
        return 0 <= now_s - int(content.partition(".")[0]) <= COOKIE_S

    def form(self, cookie: str) -> str:
        """What forms shown to the holder of this cookie carry."""
        return self._signed("form", cookie)

    def sent(self, cookie: str, form: str) -> bool:
        """Whether a form was shown to the holder of this cookie."""
        return hmac.compare_digest(form.encode(), self.form(cookie).encode())

    def _signed(self, purpose: str, content: str) -> str:
        return hmac.new(self._secret, f"{purpose} {content}".encode(), sha256).hexdigest()
