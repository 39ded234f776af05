"""How often something may happen: a bucket that fills steadily and is emptied by use. Pure."""

import ipaddress
from collections import OrderedDict


class Bucket:
    """Holds up to `burst`, gains `per_s` a second; may go into debt, which time pays off."""

    __slots__ = ("_burst", "_level", "_per_s", "_seen_s")

    def __init__(self, per_s: float, burst: int, now_s: float) -> None:
        self._per_s = per_s
        self._burst = self._level = float(burst)
        self._seen_s = now_s

    def wait_s(self, count: int, now_s: float) -> float:
        """Take `count`; return how long until the bucket is out of debt [s], 0 if it is not in any."""
        level = min(self._burst, self._level + (now_s - self._seen_s) * self._per_s) - count
        self._level, self._seen_s = level, now_s
        return -level / self._per_s if level < 0 else 0.0

    def allows(self, now_s: float) -> bool:
        """Take one if there is one."""
        level = min(self._burst, self._level + (now_s - self._seen_s) * self._per_s)
        self._level, self._seen_s = level - (level >= 1), now_s
        return level >= 1


class AddressRates:
    """A bucket for each of the addresses heard last; an IPv6 network of 64 bits counts as one."""

    def __init__(self, per_s: float, burst: int, max_count: int) -> None:
        self._per_s = per_s
        self._burst = burst
        self._max_count = max_count
        self._buckets: OrderedDict[str, Bucket] = OrderedDict()

    def allows(self, address: str, now_s: float) -> bool:
        """Say whether one more from `address` is all right now."""
        key = _network(address)
        bucket = self._buckets.get(key)
        if bucket is None:
            bucket = self._buckets[key] = Bucket(self._per_s, self._burst, now_s)
            if len(self._buckets) > self._max_count:
                self._buckets.popitem(last=False)
        else:
            self._buckets.move_to_end(key)
        return bucket.allows(now_s)


def _network(address: str) -> str:
    """Return what one household or machine can't change at will."""
    if ":" not in address:
        return address
    whole = int(ipaddress.IPv6Address(address.partition("%")[0]))
    return f"{whole >> 64:x}"
