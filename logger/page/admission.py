"""Access rules: host names, the token, the cookie issued for it, and form tokens. Pure.

A cookie holds its time of issue, signed with the token. No state is stored on the server, so
cookies survive a restart, and a new token invalidates all of them.
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
    """Return the host of a Host header or authority, in lower case, without port and brackets."""
    header = header.strip().lower()
    if header.startswith("["):
        return header[1:].partition("]")[0]
    name, colon, port = header.rpartition(":")
    return name if colon and port.isdecimal() else header


def known_host(header: str, names: Collection[str]) -> bool:
    """True if a request with this Host header may be answered.

    Addresses are always accepted. Names must be listed: a hostile site can point its own name at
    this machine (DNS rebinding), but it cannot choose an address as its name.
    """
    host = host_of(header)
    try:
        ip_address(host.partition("%")[0])
    except ValueError:
        return host.rstrip(".") in names
    return True


def same_origin(headers: Mapping[str, str]) -> bool:
    """True if the browser's headers say that a POST comes from a page of this site."""
    origin = headers.get("origin")
    if origin is None:
        return headers.get("sec-fetch-site") == "same-origin"
    scheme, separator, authority = origin.partition("://")
    return bool(separator) and scheme in ("http", "https") and authority == headers.get("host")


class Gate:
    """Checks and issues what is derived from the token. `now_s` is in seconds since the epoch."""

    def __init__(self, token: str) -> None:
        self._secret = token.encode()

    def opens(self, token: str) -> bool:
        """True if `token` is the right one."""
        return hmac.compare_digest(self._signed("token", token), self._own)

    @property
    def _own(self) -> str:
        return self._signed("token", self._secret.decode())

    def cookie(self, now_s: float) -> str:
        """Return a new cookie for a visitor who has given the token."""
        content = f"{int(now_s)}.{secrets.token_urlsafe(NONCE_BYTES)}"
        return f"{content}.{self._signed('cookie', content)}"

    def admits(self, cookie: str, now_s: float) -> bool:
        """True if the cookie was issued with this token and has not expired."""
        content, _, signature = cookie.rpartition(".")
        if not hmac.compare_digest(signature.encode(), self._signed("cookie", content).encode()):
            return False
        return 0 <= now_s - int(content.partition(".")[0]) <= COOKIE_S

    def form(self, cookie: str) -> str:
        """Return the form token for the holder of this cookie."""
        return self._signed("form", cookie)

    def sent(self, cookie: str, form: str) -> bool:
        """True if the form token was issued to the holder of this cookie."""
        return hmac.compare_digest(form.encode(), self.form(cookie).encode())

    def _signed(self, purpose: str, content: str) -> str:
        return hmac.new(self._secret, f"{purpose} {content}".encode(), sha256).hexdigest()
