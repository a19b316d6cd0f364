"""Parts of an HTTP response read by every client: when to retry, and the message."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

LONGEST_RETRY_S = 3600.0
MESSAGE_CHARS = 200


def retry_after(header: str | None, now: datetime) -> float:
    """Return the seconds requested by a Retry-After header, at most an hour; 0 if unreadable."""
    try:
        seconds = float(header or "0")
    except ValueError:
        try:
            retry_time = parsedate_to_datetime(header or "")
        except ValueError:
            return 0.0
        seconds = (retry_time.replace(tzinfo=retry_time.tzinfo or UTC) - now).total_seconds()
    return min(max(seconds, 0.0), LONGEST_RETRY_S) if seconds == seconds else 0.0


def message_of(body: str) -> str:
    """Return the message in a response body on one line, shortened."""
    content = json_object(body)
    text = str(content.get("message") or content.get("error") or body) if content else body
    return " ".join(text.split())[:MESSAGE_CHARS]


def is_page(body: str) -> bool:
    """True if a response body is an HTML page, which people read and programs do not send."""
    return body.lstrip("\ufeff \t\r\n").startswith("<")


def json_object(body: str) -> dict[str, object] | None:
    """Return a body as a JSON object, None if it is something else."""
    try:
        content = json.loads(body)
    except ValueError:
        return None
    return content if isinstance(content, dict) else None
