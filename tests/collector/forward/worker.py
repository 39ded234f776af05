"""A forwarder in a process of its own, to be killed.

Run as ``python -m tests.collector.forward.worker PATH ADDRESS TIMEOUT``.
"""

import sys
import threading
from pathlib import Path

from collector.clock import SystemClock
from collector.forward import forwarder
from collector.forward.forwarder import Forwarder
from collector.forward.sender import Sender
from collector.forward.spool import Spool
from collector.store.address import NO_ACCESS, parse_address


def main(path: str, address: str, timeout_s: float) -> None:
    """Forward until killed, impatiently: a test need not wait a minute after trouble."""
    forwarder._FIRST_WAIT_S, forwarder._LAST_WAIT_S = 0.02, 0.2
    to, clock = parse_address(address), SystemClock()
    with Spool(Path(path)) as spool:
        sender = Sender(to, NO_ACCESS, "layday", clock, timeout_s=timeout_s)
        print("up", flush=True)
        found = Forwarder(spool, sender, clock, shed=to.shed, address=address, every_s=0.1)
        found.run(threading.Event())


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
