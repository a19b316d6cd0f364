"""Channel plans: the frequency in MHz of each channel, of those in common use or from a file."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

MOST_CHANNELS = 10_000
PER_MHZ = {"frequency_mhz": 1.0, "frequency_khz": 1e3}  # columns of a file

# 47 CFR 95.963 and ECC/DEC/(11)03: every 10 kHz from 26.965 MHz except five, which belong to remote
# control; channels 23 to 25 were added later and are out of order.
_FREE_MHZ = [
    round(26.965 + 0.01 * step, 3)
    for step in range(45)
    if step not in (3, 8, 13, 18, 23)  # 26.995, 27.045, 27.095, 27.145, 27.195 MHz
]
CHANNEL_MHZ: dict[int, float] = {
    **dict(enumerate(_FREE_MHZ, start=1)),
    23: 27.255,
    24: 27.235,
    25: 27.245,
}
PLANS: dict[str, Mapping[int, float]] = {
    "cept": CHANNEL_MHZ,
    "fcc": CHANNEL_MHZ,
    # The 27/81 band of the United Kingdom (IR 2027): every 10 kHz from 27.60125 MHz.
    "uk-27-81": {number: round(27.59125 + 0.01 * number, 5) for number in range(1, 41)},
}


@lru_cache(maxsize=8)
def read_plan(path: Path) -> Mapping[int, float]:
    """Read a plan from a CSV file: the columns `channel` and `frequency_mhz` or `frequency_khz`.

    Lines that begin with # are comments. Raise ValueError with a text for the user, OSError.
    """
    import csv  # most stations have no plan of their own

    with path.open(encoding="utf-8-sig", newline="") as file:
        lines = [(n, line) for n, line in enumerate(file, 1) if line.strip() and line[0] != "#"]
    rows = csv.DictReader(line for _, line in lines)
    column = next((name for name in PER_MHZ if name in (rows.fieldnames or ())), None)
    if column is None or "channel" not in (rows.fieldnames or ()):
        raise ValueError("its first line must name the columns channel and frequency_mhz")
    plan: dict[int, float] = {}
    for (number, _), row in zip(lines[1:], rows, strict=False):
        try:
            channel, mhz = int(row["channel"]), float(row[column]) / PER_MHZ[column]
        except (TypeError, ValueError):
            raise ValueError(
                f"line {number}: a channel number and its frequency expected"
            ) from None
        if not 0 < channel < MOST_CHANNELS or not 0.1 <= mhz <= 3000:
            raise ValueError(f"line {number}: channel {channel} at {mhz:g} MHz is not possible")
        if plan.setdefault(channel, mhz) != mhz:
            raise ValueError(f"line {number}: channel {channel} has another frequency above")
    if not plan:
        raise ValueError("it has no channels")
    return plan
