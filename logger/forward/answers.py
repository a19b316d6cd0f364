"""Interpretation of a server's responses: pure functions of status, headers and body."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from enum import Enum
from typing import NamedTuple

from logger.outlets.responses import json_object, message_of, retry_after

# Phrases with which databases refer to rows. A 400 with other words comes from a proxy or concerns
# the request; treating that as bad rows would discard the whole backlog.
ROW_WORDS = ("partial write", "unable to parse", "too long line")
TOO_OLD_WORDS = "beyond retention policy"


class RowFault(Enum):
    """Fault of refused rows."""

    BAD = "bad"  # at least one row
    TOO_OLD = "too old"  # at least one row is older than the server's retention
    TOO_MUCH = "too much"  # the request as a whole is too large


class Refusal(NamedTuple):
    """The server works but refused these rows."""

    fault: RowFault
    reason: str


class ServerError(Exception):
    """The server is unreachable or accepts nothing now; the text says why and what to do.

    `kind` stays the same as long as the cause does. `lost`: it was reached but did not respond, so
    fewer rows may succeed. `retry_after_s`: delay requested by the server.
    """

    def __init__(
        self, kind: str, text: str, *, lost: bool = False, retry_after_s: float = 0.0
    ) -> None:
        super().__init__(text)
        self.kind = kind
        self.lost = lost
        self.retry_after_s = retry_after_s


class Target(NamedTuple):
    """Destination of the rows, for messages."""

    url: str
    org: str
    bucket: str
    token: str  # where to put it


def judge(
    target: Target, status: int, headers: Mapping[str, str], body: str, now: datetime
) -> Refusal:
    """Return the refusal expressed by an unsuccessful response.

    Raise ServerError if it concerns the server instead of the rows; header names in lower case.
    """
    reason = message_of(body)
    suffix = f" ({reason})" if reason else ""
    if status == 413:
        return Refusal(RowFault.TOO_MUCH, f"request too large for the server{suffix}")
    if status in (400, 422) and _names_rows(body):
        fault = RowFault.TOO_OLD if TOO_OLD_WORDS in body else RowFault.BAD
        return Refusal(fault, reason)
    url, org, bucket, token = target
    where = f"{url} answers {status}{suffix}"
    if status in (401, 403):
        raise ServerError(
            str(status),
            f"{where}: put a token that may write to bucket {bucket} in {token}",
        )
    if status == 404:
        raise ServerError(
            str(status),
            f"{where}: create bucket {bucket} in organisation {org}, or correct bucket, org or url",
        )
    retry_after_s = retry_after(headers.get("retry-after"), now)
    raise ServerError(str(status), where, retry_after_s=retry_after_s)


def has_no_delete(status: int, headers: Mapping[str, str], body: str) -> bool:
    """True if the response to a delete request shows that the server cannot delete.

    That is: nothing exists at the address, or deletion is not implemented.
    """
    if status in (405, 501):
        return True
    if status not in (400, 404) or "x-influxdb-version" in headers:
        return False
    return json_object(body) is None


def _names_rows(body: str) -> bool:
    return json_object(body) is not None or any(words in body for words in ROW_WORDS)
