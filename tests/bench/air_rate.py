"""How fast moist-air sums are: ``python -m tests.bench.air_rate``."""

from collections.abc import Callable
from time import perf_counter

import numpy as np

from forecast.air import dew_or_frost_point_c, dew_point_c, margin_k
from forecast.moisture import wet_bulb_c

_COUNT = 1_000_000


def _best_s(call: Callable[[], object], repeats: int = 7) -> float:
    spans_s = []
    for _ in range(repeats):
        began_s = perf_counter()
        call()
        spans_s.append(perf_counter() - began_s)
    return min(spans_s)


def main() -> None:
    """Print seconds per million values on arrays, and microseconds per scalar call."""
    random = np.random.default_rng(7)
    part_c, temp_c = random.uniform(-5, 35, _COUNT), random.uniform(-5, 35, _COUNT)
    humidity_pct = random.uniform(20, 100, _COUNT)
    table: dict[str, Callable[[], object]] = {
        "dew_point_c": lambda: dew_point_c(temp_c, humidity_pct),
        "dew_or_frost_point_c": lambda: dew_or_frost_point_c(temp_c, humidity_pct),
        "margin_k": lambda: margin_k(part_c, temp_c, humidity_pct),
    }
    print(f"{'on arrays':24}{'s per 1e6':>12}")
    for name, call in table.items():
        print(f"{name:24}{_best_s(call):12.4f}")
    print(f"{'wet_bulb_c':24}{_best_s(lambda: wet_bulb_c(temp_c[:100_000], 50.0), 3) * 10:12.4f}")
    print(f"\n{'scalars':24}{'us per call':>12}")
    calls = 2_000
    span_s = _best_s(lambda: [dew_point_c(20.0, 60.0) for _ in range(calls)])
    print(f"{'dew_point_c':24}{span_s / calls * 1e6:12.1f}")


if __name__ == "__main__":
    main()
