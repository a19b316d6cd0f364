"""TLS to a server with certificate checks, by the system's authorities or a configured one."""

from __future__ import annotations

import ssl
from pathlib import Path

from logger.notify.channel import NotDelivered


def context(ca_file: Path | None) -> ssl.SSLContext:
    """Return the TLS context. Raise NotDelivered if the configured authority file is unusable."""
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it holds no certificate"
        raise NotDelivered(f"ca_file {ca_file} cannot be used: {reason}") from None


def reason(error: BaseException) -> str:
    """Return why a connection failed, in the words of the system or of TLS."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    return " ".join(str(getattr(error, "strerror", None) or type(error).__name__).split())
