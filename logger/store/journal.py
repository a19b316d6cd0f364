"""What people note about the station: kinds of entries, and which of them change it."""

from __future__ import annotations

KINDS = ("repair", "adjustment", "weather", "remark")
WORK = ("repair", "adjustment")  # the station may read otherwise from then on
