"""Objects of an archive, by name, written and read whole, through fsspec.

An archive is an object store (`s3://bucket/prefix`), or a folder with a copy of one.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import s3fs
from fsspec.implementations.local import LocalFileSystem

from logger.config.load import RemoteOptions
from logger.errors import MissingError, RefusedError, RemoteError, UsageError

CONNECT_S, READ_S = 10, 60
ATTEMPTS = 3
S3 = "s3://"
BATCH = 64  # objects read at once


class Remote:
    """One bucket and prefix, or a folder. Methods raise RemoteError."""

    def __init__(self, options: RemoteOptions, environ: Mapping[str, str]) -> None:
        scheme, separator, place = options.url.partition("://")
        if separator and (scheme != "s3" or not place.strip("/")):
            raise UsageError(
                f"{options.url}: not an archive; name s3://bucket/prefix, with its server in"
                " $AWS_ENDPOINT_URL, or a folder"
            )
        self.url = options.url.rstrip("/")
        self._at = options.endpoint or environ.get("AWS_ENDPOINT_URL") or self.url
        self.files: Any
        if not self.url.startswith(S3):
            self.files = LocalFileSystem(auto_mkdir=True)
            return
        self.files = s3fs.S3FileSystem(
            key=options.access_key,
            secret=options.secret(environ),
            endpoint_url=options.endpoint,
            use_listings_cache=False,
            skip_instance_cache=True,
            config_kwargs={
                "connect_timeout": CONNECT_S,
                "read_timeout": READ_S,
                "retries": {"total_max_attempts": 1},  # those of s3fs are enough
                # The server checks what it received, and an answer means that it has stored it.
                "request_checksum_calculation": "when_supported",
            },
        )
        self.files.retries = ATTEMPTS

    def put(self, file: Path, name: str) -> None:
        """Store a file as an object, in place of one of that name."""
        target = f"{self.url}/{name}"
        with self._translate(name):
            if self.url.startswith(S3):
                self.files.put_file(os.fspath(file), target)
                return
            self.files.put_file(os.fspath(file), f"{target}.part")
            os.replace(f"{target}.part", target)

    def get(self, name: str, file: Path) -> None:
        """Write an object to a file."""
        with self._translate(name):
            self.files.get_file(f"{self.url}/{name}", os.fspath(file))

    def read(self, names: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        """Yield names and contents of objects, of which some are read at once."""
        for name, content in self.try_read(names):
            if isinstance(content, RemoteError):
                raise content
            yield name, content

    def try_read(self, names: Iterable[str]) -> Iterator[tuple[str, bytes | RemoteError]]:
        """Yield names and contents of objects, or why one cannot be read."""
        rest = [*names]
        while rest:
            some, rest = rest[:BATCH], rest[BATCH:]
            paths = {name: self.files._strip_protocol(f"{self.url}/{name}") for name in some}
            with self._translate(""):
                contents = self.files.cat([*paths.values()], on_error="return")
            for name, path in paths.items():
                content = contents[path]
                if not isinstance(content, bytes):
                    try:
                        with self._translate(name):
                            raise content
                    except RemoteError as error:
                        content = error
                yield name, content

    def stations(self) -> list[str]:
        """Return the ids of the stations that have objects here."""
        with self._translate(""):
            try:
                places = self.files.ls(self.url, detail=False)
            except FileNotFoundError:
                return []
        ids = (place.rpartition("/")[2].partition("station_id=")[2] for place in places)
        return sorted(filter(None, ids))

    @contextlib.contextmanager
    def _translate(self, name: str) -> Iterator[None]:
        from botocore.exceptions import (
            BotoCoreError,
            ClientError,
            EndpointConnectionError,
            NoCredentialsError,
        )

        where = f"{self._at}: {name}" if name else self._at
        try:
            yield
        except PermissionError as error:
            reason = _line(error).rstrip(".")
            raise RefusedError(f"{where}: refused: {reason}; check the key") from error
        except FileNotFoundError as error:
            raise MissingError(f"{where}: not found; check the address") from error
        except NoCredentialsError as error:
            hint = "set $AWS_ACCESS_KEY_ID and $AWS_SECRET_ACCESS_KEY"
            raise RemoteError(f"{where}: no key; {hint}") from error
        except EndpointConnectionError as error:
            address = urlsplit(error.kwargs["endpoint_url"])
            server = f"{address.scheme}://{address.netloc}"
            hint = "" if server in self._at else "; set $AWS_ENDPOINT_URL to use another server"
            raise RemoteError(f"{server}: cannot connect{hint}") from error
        except (OSError, BotoCoreError, ClientError, TimeoutError, ValueError) as error:
            raise RemoteError(f"{where}: {_line(error)}") from error


def open_archive(url: str, environ: Mapping[str, str]) -> Remote:
    """Return an archive, read with key and server as S3 clients find them in the environment."""
    return Remote(RemoteOptions(url=url), environ)


@cache
def open_here(url: str) -> Remote:
    """Return an archive for the tasks of a worker, which share its connections."""
    return open_archive(url, os.environ)


def _line(error: Any) -> str:
    return " ".join(str(error).split()) or type(error).__name__
