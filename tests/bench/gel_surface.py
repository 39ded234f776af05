"""What the gel surface says about cells it has not seen: ``python -m tests.bench.gel_surface``.

Below the published tables it is put to made-up ones like them: energies of 31 to 83 kJ/mol, exponents of
0.55 to 1.4, an exponent that changes with temperature, a bend, scatter, whole minutes or fives, ranges or
not. Of its 80 % bands, 80 % should hold. Last, what a fit costs.
"""

from collections.abc import Sequence
from time import perf_counter

import numpy as np

from collector.units import ZERO_C_K
from tests.forecast.left_out import HEAD, LeftOut, Row, all_left_out, gel_tables, left_out, surface

SHAPES = ((2, 2), (3, 2), (3, 3), (4, 1), (6, 1))
GAS_KJ = 8.314462618e-3


def made_up(rng: np.random.Generator, temps: int, pcts: int) -> Sequence[Row]:
    """Make up a table as sheets print them; one that is upside down by its own scatter is made anew."""
    while True:
        temps_c = np.sort(rng.choice(np.arange(5.0, 44.0, 5.0), temps, replace=False))
        u = (1.0 / (temps_c + ZERO_C_K) - 1.0 / (20.0 + ZERO_C_K)) / GAS_KJ
        z = np.log(np.array([1.0, 1.5, 2.0])[: max(1, pcts)])
        energy, exponent, drift, bend = (
            rng.uniform(31.0, 83.0),
            rng.uniform(0.55, 1.4),
            rng.normal(0.0, 20.0),
            rng.normal(0.0, 300.0),
        )
        scatter = np.exp(rng.normal(np.log(0.05), 0.5))
        ln_min = np.log(rng.uniform(15.0, 60.0)) + (energy * u + 0.5 * bend * u**2)[:, None]
        ln_min = ln_min - exponent * z - drift * u[:, None] * z + rng.normal(0.0, scatter, (temps, pcts))
        half, step = (rng.uniform(0.08, 0.15), 5.0) if rng.random() < 0.4 else (0.0, 1.0)
        low, high = (np.maximum(step, step * np.round(np.exp(ln_min + s * half) / step)) for s in (-1, 1))
        table = [
            Row(
                float(temps_c[i]),
                None if pcts == 1 else float(np.exp(z[j])),
                float(low[i, j]),
                float(high[i, j]),
            )
            for i in range(temps)
            for j in range(pcts)
        ]
        try:
            surface(table)
        except ValueError:
            continue
        return table


def robustness(count: int = 40) -> str:
    """Return a table of how often the band holds and how large errors are, by shape of table."""
    lines = ["made-up tables   cells   in the 80 % band   error median, 95 %"]
    for temps, pcts in SHAPES:
        rng = np.random.default_rng(temps * 10 + pcts)
        cells: list[LeftOut] = []
        for _ in range(count):
            cells += left_out("made up", made_up(rng, temps, pcts))
        held = np.mean([cell.inside_band for cell in cells])
        errors = np.abs([cell.error_share for cell in cells])
        lines.append(
            f"{temps} x {pcts:<13} {len(cells):>5}   {100 * held:>14.0f} %   "
            f"{100 * np.median(errors):.0f} %, {100 * np.quantile(errors, 0.95):.0f} %"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the tables."""
    cells = all_left_out()
    print(HEAD, *cells, sep="\n")
    print(f"in the 80 % band: {sum(cell.inside_band for cell in cells)} of {len(cells)}\n")
    print(robustness())
    spans = []
    for _ in range(5):
        began = perf_counter()
        surface(gel_tables()["R0503"])
        spans.append(perf_counter() - began)
    print(f"\na fit: {1e3 * min(spans):.0f} ms")


if __name__ == "__main__":
    main()
