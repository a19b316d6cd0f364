"""The station's journal: kinds of entries, and those that change the station."""

from __future__ import annotations

KINDS = ("repair", "adjustment", "weather", "remark")
WORK = ("repair", "adjustment")  # the station may read differently afterwards
