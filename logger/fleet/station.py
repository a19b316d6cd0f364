"""The object `station.parquet`: what a station says of itself and which objects belong to its push.

It is written last, so the objects that it names are those of one complete push. Its columns are
`COLUMNS`; one that an older program did not write is empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from drivers.channels import PLANS
from logger.config.load import Sections
from logger.errors import RemoteError
from logger.fleet import rows
from logger.store.schema import current_version

NAME = "station.parquet"
COLUMNS = {
    "name": "TEXT",
    "schema": "INTEGER",
    "pushed_ns": "INTEGER",
    "objects": "TEXT",  # names, one a line
    "digests": "TEXT",  # of their content, likewise
    "settings": "TEXT",  # JSON, see `settings_of`
    "source": "TEXT",  # digest of what its rows were derived from, by `fleet recompute`
}
SECTIONS = ("station", "transmission", "watchdog", "faults", "feedline", "antennas")


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """The sections of a station's configuration on which its rows and their meaning depend.

    `sections` are as in the file, without secrets and paths; `channels_mhz` is the plan, if that is
    a file.
    """

    sections: dict[str, Any] = {}
    channels_mhz: dict[int, float] | None = None
    verify_every_days: int | None = None


class Station(msgspec.Struct, frozen=True, kw_only=True):
    """A station as of its last push; `objects` has the digest of each, by name in its folder."""

    id: str
    name: str
    pushed_ns: int
    objects: dict[str, str]
    settings: Settings
    source: str | None = None


def settings_of(sections: Sections) -> Settings:
    """Return what is pushed of a configuration."""
    station = sections.station
    is_file = station.channel_plan not in (None, *PLANS)
    if is_file:
        channels, station = dict(station.channels), msgspec.structs.replace(station)
        station = msgspec.structs.replace(station, channel_plan=None)
    return Settings(
        sections={
            name: msgspec.to_builtins(station if name == "station" else getattr(sections, name))
            for name in SECTIONS
        },
        channels_mhz=channels if is_file else None,
        verify_every_days=sections.calibration.verify_every_days,
    )


def write(
    path: Path,
    name: str,
    pushed_ns: int,
    objects: Mapping[str, str],
    settings: Settings,
    source: str | None = None,
) -> None:
    """Write the object to a file."""
    row = (
        name,
        current_version(),
        pushed_ns,
        "\n".join(objects),
        "\n".join(objects.values()),
        msgspec.json.encode(settings).decode(),
        source,
    )
    rows.write(COLUMNS, [[row]], "", path)


def read(station_id: str, content: bytes) -> Station:
    """Return the station of an object. Raise RemoteError if it is damaged."""
    where = f"station {station_id}: {NAME}"
    try:
        ((columns, [values]),) = rows.read(content, where)
        row = dict(zip(columns, values, strict=True))
        names = row["objects"].splitlines()
        digests = (row.get("digests") or "").splitlines() or [""] * len(names)
        return Station(
            id=station_id,
            name=row["name"],
            pushed_ns=row["pushed_ns"],
            objects=dict(zip(names, digests, strict=True)),
            settings=msgspec.json.decode(row.get("settings") or "{}", type=Settings),
            source=row.get("source"),
        )
    except (KeyError, ValueError, msgspec.MsgspecError) as error:
        raise RemoteError(f"{where} is damaged: {error}") from error
