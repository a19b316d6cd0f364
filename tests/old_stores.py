"""Stores of earlier versions, as their programs left them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

STORES = Path(__file__).parent / "stores"
VERSIONS = sorted(int(path.stem.removeprefix("version_")) for path in STORES.glob("*.sql"))


def old_store(path: Path, version: int) -> Path:
    """Make such a store at `path`: three transmissions of two seconds, with an alarm each."""
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((STORES / f"version_{version}.sql").read_text())
    return path
