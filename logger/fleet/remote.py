"""The object store of `store.remote`: objects by name, written and read whole, through fsspec."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import s3fs

from logger.config.load import RemoteOptions
from logger.errors import RemoteError

CONNECT_S, READ_S = 10, 60
ATTEMPTS = 3


class Remote:
    """One bucket and prefix. Methods raise RemoteError."""

    def __init__(self, options: RemoteOptions, environ: Mapping[str, str]) -> None:
        self.url = options.url.rstrip("/")
        self._at = options.endpoint or self.url
        self._files = s3fs.S3FileSystem(
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
        self._files.retries = ATTEMPTS

    def put(self, file: Path, name: str) -> None:
        """Store a file as an object, in place of one of that name."""
        with self._translate(name):
            self._files.put_file(os.fspath(file), f"{self.url}/{name}")

    def get(self, name: str, file: Path) -> None:
        """Write an object to a file."""
        with self._translate(name):
            self._files.get_file(f"{self.url}/{name}", os.fspath(file))

    def stations(self) -> list[str]:
        """Return the ids of the stations that have objects here."""
        with self._translate(""):
            try:
                places = self._files.ls(self.url, detail=False)
            except FileNotFoundError:
                return []
        ids = (place.rpartition("/")[2].partition("station_id=")[2] for place in places)
        return sorted(filter(None, ids))

    @contextlib.contextmanager
    def _translate(self, name: str) -> Iterator[None]:
        from botocore.exceptions import BotoCoreError, ClientError

        where = f"{self._at}: {name}" if name else self._at
        try:
            yield
        except PermissionError as error:
            raise RemoteError(f"{where}: refused: {_line(error)} Check the key") from error
        except FileNotFoundError as error:
            raise RemoteError(f"{where}: not found; check url and prefix") from error
        except (OSError, BotoCoreError, ClientError, TimeoutError) as error:
            raise RemoteError(f"{where}: {_line(error)}") from error


def _line(error: Any) -> str:
    return " ".join(str(error).split()) or type(error).__name__
