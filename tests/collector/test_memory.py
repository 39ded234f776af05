"""A process whose memory is settled still lets go of what nobody holds."""

import subprocess
import sys

_CODE = """
import gc, weakref
from collector.memory import give_back_memory, settle_memory

class Knot:
    def __init__(self): self.me = self

settle_memory()
assert gc.isenabled() and gc.get_freeze_count() > 1000
first = weakref.ref(Knot())
assert first() is not None
held = [Knot() for _ in range(10_000)]
assert first() is not None, "looked for as often as ever"
held += [Knot() for _ in range(20_000)]
assert first() is None, "never looked for"
give_back_memory()
"""


def test_cycles_are_found_though_looked_for_seldom() -> None:
    """In a process of its own: it is settled once and for all."""
    done = subprocess.run([sys.executable, "-c", _CODE], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
