"""Rate limits. Pure: times are those of a monotonic clock, seconds."""

from __future__ import annotations

from collections import OrderedDict
from ipaddress import IPv6Address, ip_address

MOST_KNOWN = 1024


def network_of(address: str) -> str:
    """Return the key that an address is counted under: its /64 network for IPv6."""
    try:
        parsed = ip_address(address)
    except ValueError:
        return address
    return str(int(parsed) >> 64) if isinstance(parsed, IPv6Address) else address


class Pace:
    """Rate limiter: per name, `burst` requests at once, then `per_s` per second.

    When too many names are known, the least recently seen one is dropped.
    """

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s, self._burst = per_s, burst
        self._allowances: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, name: str, now_s: float) -> bool:
        """True if one more request is within the limit; if so, it is counted."""
        allowance, since_s = self._allowances.pop(name, (self._burst, now_s))
        allowance = min(self._burst, allowance + max(0.0, now_s - since_s) * self._per_s)
        allowed = allowance >= 1.0
        self._allowances[name] = allowance - allowed, now_s
        if len(self._allowances) > MOST_KNOWN:
            self._allowances.popitem(last=False)
        return allowed
