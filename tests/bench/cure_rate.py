"""How fast 20 cures go through 200 sample paths of 72 h: ``python -m tests.bench.cure_rate``."""

from collections.abc import Callable
from time import perf_counter, process_time

import numpy as np

from forecast.course import course
from forecast.cure import progress, reached_h
from forecast.rate import Floats, Rate, arrhenius_rate

PATHS, STEPS, CURES = 200, 864, 20
# hours at 23 °C and E/R in K of gel and four stages; made up, only their size matters here
STAGES = ((0.6, 6000.0), (4.0, 6000.0), (10.0, 8000.0), (24.0, 9000.0), (90.0, 9500.0))


def bay_paths() -> Floats:
    """Make paths of a cold tent: a day and night swing and a slowly wandering error."""
    rng = np.random.default_rng(7)
    hours = np.arange(STEPS) / 12.0
    swing = 14.0 + 7.0 * np.sin(2.0 * np.pi * hours / 24.0)
    return np.asarray(swing + np.cumsum(rng.normal(0.0, 0.1, (PATHS, STEPS)), axis=1))


def best_ms(work: Callable[[], object], rounds: int = 7) -> tuple[float, float]:
    """Time the quickest of some rounds: by the clock, and of the processor where others want it too."""
    walls, processors = [], []
    for _ in range(rounds):
        began, began_cpu = perf_counter(), process_time()
        work()
        walls.append(perf_counter() - began)
        processors.append(process_time() - began_cpu)
    return 1e3 * min(walls), 1e3 * min(processors)


def main() -> None:
    """Print the table."""
    hours, paths = np.arange(STEPS) / 12.0, bay_paths()
    rates: list[list[Rate]] = [
        [arrhenius_rate(q_k, 23.0, hours_at * (1.0 + 0.02 * cure)) for hours_at, q_k in STAGES]
        for cure in range(CURES)
    ]

    def moments(how_many: int) -> Callable[[], object]:
        def work() -> list[Floats]:
            bay = course(hours, paths)
            return [
                reached_h(bay, rate, from_h=0.1 * i)
                for i, of_cure in enumerate(rates[:how_many])
                for rate in of_cure
            ]

        return work

    def curves() -> None:
        bay = course(hours, paths)
        for i, of_cure in enumerate(rates):
            for rate in of_cure:
                progress(bay, rate, from_h=0.1 * i)

    print(f"{PATHS} paths x {STEPS} steps, {CURES} cures of five stages, each with rates of its own")
    for words, work in (
        ("the bay's course made ready", lambda: course(hours, paths)),
        ("one cure, when each stage is reached", moments(1)),
        ("20 cures, when each stage is reached", moments(CURES)),
        ("20 cures, progress at every sample", curves),
    ):
        wall_ms, cpu_ms = best_ms(work)
        print(f"{words:40s} {wall_ms:8.1f} ms   (processor {cpu_ms:.1f} ms)")


if __name__ == "__main__":
    main()
