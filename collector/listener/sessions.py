"""Which clients have a session here, and which wills wait.

A publisher's session holds nothing on this side: no subscriptions, no messages to send. But a
client that is told it has none may throw its unacknowledged messages away (section 3.2.2.1.1),
so it is worth remembering that it was here.
"""

import asyncio
from collections import OrderedDict
from collections.abc import Callable
from math import inf

from collector.listener.packets import NEVER_EXPIRES


class Sessions:
    """Sessions of clients that are away, the longest away first; all on one loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop, max_count: int) -> None:
        self._loop = loop
        self._max_count = max_count
        self._ends_s: OrderedDict[str, float] = OrderedDict()
        self._wills: dict[str, tuple[asyncio.TimerHandle, Callable[[], None]]] = {}

    def take_up(self, client_id: str, *, clean: bool) -> bool:
        """Say whether a client that connects finds its session; a clean start ends it."""
        found = self._ends_s.pop(client_id, -inf) > self._loop.time()
        handle, publish = self._wills.pop(client_id, (None, None))
        if handle and publish:
            handle.cancel()
            if clean:
                publish()  # the end of the session sends the will (section 3.1.2.5)
        return found and not clean

    def leave(self, client_id: str, expiry_s: int, will_delay_s: int, publish: Callable[[], None]) -> None:
        """Remember a client that went; publish its will after its delay, or with the session's end."""
        if expiry_s:
            self._ends_s[client_id] = inf if expiry_s == NEVER_EXPIRES else self._loop.time() + expiry_s
            if len(self._ends_s) > self._max_count:
                self._ends_s.popitem(last=False)
        delay_s = min(will_delay_s, expiry_s)
        if not delay_s or len(self._wills) >= self._max_count:
            publish()
            return

        def due() -> None:
            self._wills.pop(client_id, None)
            publish()

        self._wills[client_id] = self._loop.call_later(delay_s, due), publish

    def forget(self) -> None:
        """Drop what waits; nobody has died, the listener stops."""
        for handle, _ in self._wills.values():
            handle.cancel()
        self._wills.clear()
