"""How often a caller may ask: a bucket of permits for each, in memory, refilled as time passes.

The places are bounded: who asks from ever new addresses pushes out the one that was quiet the longest,
and a bucket that was pushed out is full again, as it would be after that long.
"""

from __future__ import annotations

import ipaddress
import math
import time
from collections import OrderedDict
from collections.abc import Callable

MOST_CALLERS = 10_000


class Limit:
    """`per_second` permits a second, and `burst` of them at once."""

    def __init__(self, per_second: float, burst: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._per_second = per_second
        self._burst = burst
        self._clock = clock
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()  # permits, as of when

    def take(self, caller: str) -> int:
        """Take a permit: 0, or the whole seconds after which there will be one."""
        wait = self.wait(caller)
        if wait == 0:
            permits, at = self._buckets[caller]
            self._buckets[caller] = (permits - 1, at)
        return wait

    def wait(self, caller: str) -> int:
        """The same without taking one."""
        now = self._clock()
        permits, at = self._buckets.get(caller, (self._burst, now))
        permits = min(self._burst, permits + (now - at) * self._per_second)
        self._buckets[caller] = (permits, now)
        self._buckets.move_to_end(caller)
        while len(self._buckets) > MOST_CALLERS:
            self._buckets.popitem(last=False)
        return 0 if permits >= 1 else math.ceil((1 - permits) / self._per_second)


def caller_address(client: tuple[str, int] | None) -> str:
    """What counts as one caller: an IPv4 address, or the /64 that one IPv6 host has to itself (RFC 4291)."""
    if client is None:
        return ""
    try:
        address = ipaddress.ip_address(client[0])
    except ValueError:
        return client[0]
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.IPv6Network((address.packed[:8] + bytes(8), 64)))
    return str(address)
