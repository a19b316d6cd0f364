"""Names the antennas of stored transmissions whose pairs are not archived any more."""

from __future__ import annotations

from collections.abc import Container

import numpy as np

from logger.config.load import Config
from logger.stages.antennas import COLUMN, Antennas
from logger.store.writer import StoreWriter

PAGE_ROWS = 10_000


def name_antennas(store: StoreWriter, config: Config, derived: Container[int]) -> int:
    """Set the antenna by band and journal; return the number of transmissions that had another.

    Those that start at `derived` have been derived from their pairs. An antenna that the bridge
    reported stays where band and journal give none. Raises StoreError.
    """
    if not config.antennas:
        return 0
    antennas = Antennas(config.antennas, config.station)
    antennas.know_changes(store.notes().antennas)
    changed = 0
    fields = ("start_ns", "channel", "frequency_khz", "antenna")
    for page in store.pages("transmissions", fields, PAGE_ROWS):
        rows = [row for row in page if row[1] not in derived]
        if not rows:
            continue
        ids, start_ns, channel, khz, names = zip(*rows, strict=True)
        aux = {
            "channel": np.array(channel, dtype=np.float64),
            "frequency_khz": np.array(khz, dtype=np.float64),
        }
        numbers = antennas.mark(np.array(start_ns), aux)[COLUMN].tolist()
        news = [antennas.name(number) for number in numbers]
        updates = [
            (row_id, new)
            for row_id, new, name in zip(ids, news, names, strict=True)
            if new not in (None, name)
        ]
        store.update("transmissions", ("antenna",), updates)
        changed += len(updates)
    return changed
