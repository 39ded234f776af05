"""What an outlook costs beyond the forecast, and what the live screen costs.

Run ``python -m tests.bench.outlook``. Processor time, so that other programs' load counts little.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path

from collector.clock import SystemClock
from collector.journal import Told, open_journal
from dashboards.terminal.render.watch import Look, watch_lines
from dashboards.watch_feed import WatchFeed
from dashboards.watched_shed import watched_shed
from forecast.outlook_json import dump_outlook, load_outlook
from forecast.outlook_maker import make_outlook
from tests.dashboards.watching import GOOD_DAY, watched
from tests.forecast.test_outlook_maker import AT, BATCH, SHED, a_forecast, a_store

_ROUNDS = 20


def cost_ms(act: Callable[[], object]) -> float:
    """Return the processor time of an act [ms], the first (which loads things) left out."""
    act()
    began_s = time.process_time()
    for _ in range(_ROUNDS):
        act()
    return 1000.0 * (time.process_time() - began_s) / _ROUNDS


def outlook_rows(folder: Path) -> None:
    """Print what an outlook of one bay costs, with 0, 1, 4 and 16 live cures."""
    store, forecast = a_store(), a_forecast()
    for cures in (0, 1, 4, 16):
        journal = open_journal(folder / f"{cures}.sqlite")
        assert journal is not None
        laid_at = AT - timedelta(hours=5)
        for _ in range(cures):
            journal.start(BATCH, Told(laid_at, laid_at))
        book = journal.book()
        journal.close()
        took_ms = cost_ms(partial(make_outlook, store, SHED, AT, forecast=forecast, book=book))
        print(f"outlook, one bay, one job, {cures:>2} cures   {took_ms:8.1f} ms   (bar: 300)")
    outlook = make_outlook(store, SHED, AT, forecast=forecast)
    text = dump_outlook(outlook)
    print(f"as JSON, {len(text):>6} bytes              {cost_ms(lambda: dump_outlook(outlook)):8.1f} ms")
    print(f"read again                          {cost_ms(lambda: load_outlook(text)):8.1f} ms")


def screen_rows(folder: Path) -> None:
    """Print what a look and a drawing cost, and a process that watches."""
    session = watched(folder, GOOD_DAY, clock=SystemClock())
    feed = WatchFeed(watched_shed(session), session.clock)
    sight = feed.look()
    print(f"the screen looks                    {cost_ms(feed.look):8.1f} ms")
    for size in ((80, 24), (120, 40), (200, 60)):
        took_ms = cost_ms(partial(watch_lines, sight, Look(), session.reader, *size))
        print(f"the screen is drawn, {size[0]:>3}x{size[1]}         {took_ms:8.1f} ms")
    feed.close()
    code = "import sys; sys.modules['ssl'] = None; import dashboards.terminal.screens.watch;" + _MEMORY
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    print(f"loaded: {done.stdout.strip()}   (bars: 1 s to the first paint, 45 MB)")


_MEMORY = (
    "import resource;used = resource.getrusage(resource.RUSAGE_SELF);"
    "rows = [line.split() for line in open('/proc/self/status')];"
    "mb = {row[0][:-1]: int(row[1]) / 1024 for row in rows if row[0] in ('RssAnon:', 'VmRSS:')};"
    "print('%.2f s of processor, %.0f MB of its own, %.0f MB with what other programs share'"
    " % (used.ru_utime + used.ru_stime, mb['RssAnon'], mb['VmRSS']))"
)


def main() -> None:
    """Print the tables."""
    print(f"{os.cpu_count()} processors; mean of {_ROUNDS}")
    with tempfile.TemporaryDirectory() as folder:
        outlook_rows(Path(folder))
    with tempfile.TemporaryDirectory() as folder:
        screen_rows(Path(folder))


if __name__ == "__main__":
    main()
