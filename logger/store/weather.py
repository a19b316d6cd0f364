"""Weather noted for the station."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from logger.store.database import Store
from logger.store.schema import transaction
from logger.weather import WeatherRow

FIELDS = WeatherRow.__struct_fields__
# What is known already stays where a row of the same moment says nothing of it.
PUT = (
    f"INSERT INTO weather ({', '.join(FIELDS)}) VALUES ({', '.join('?' * len(FIELDS))})"
    " ON CONFLICT (time_ns) DO UPDATE SET "
    + ", ".join(f"{name} = coalesce(excluded.{name}, {name})" for name in FIELDS[1:])
)


class WeatherRecord(Store):
    """Open with `WeatherRecord.reader`, also beside the daemon."""

    def add(self, rows: Sequence[WeatherRow]) -> None:
        """Keep rows, all or none; one of a moment that is known lands on it. Raises StoreError."""
        with self._errors(), transaction(self._connection):
            self._connection.executemany(PUT, [msgspec.structs.astuple(row) for row in rows])
