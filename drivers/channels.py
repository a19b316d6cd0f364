"""The 40 citizens band channels in the common numbering of FCC and CEPT."""

from __future__ import annotations

# 47 CFR 95.963: every 10 kHz from 26.965 MHz except five, which belong to remote control; channels
# 23 to 25 were added later and are out of order.
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
