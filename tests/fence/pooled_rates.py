"""How often pooled readings hold the truth, by simulation: ``python -m tests.fence.pooled_rates [RUNS]``.

Cuts of one sled with u of their own and a scatter that no u states; for 2, 3, 5 and 8 of them the share of the
intervals that hold the truth, and the median half width, deg.
"""

from __future__ import annotations

import sys

import numpy as np

from visioncheck.fence.pooled import Seen, pool
from visioncheck.quantity import Quantity

COUNTS = (2, 3, 5, 8)


def held(generator: np.random.Generator, runs: int, u: float, scatter: float, count: int) -> tuple[float, float]:
    """Share of the intervals that hold the truth, which is 0, and their median half width."""
    halves, hits = [], 0
    for _ in range(runs):
        values = generator.normal(0, np.hypot(u, scatter), count)
        error = pool([Seen(Quantity(float(v), u, "deg"), str(k)) for k, v in enumerate(values)]).error
        hits += abs(error.value) <= error.expanded()
        halves.append(error.expanded())
    return hits / runs, float(np.median(halves))


def main(runs: int) -> None:
    """Print the table."""
    generator = np.random.default_rng(1)
    print("| u, scatter (deg) |", " | ".join(f"{count} cuts" for count in COUNTS), "|")
    print("| --- |", " --- |" * len(COUNTS))
    for u in (0.009, 0.0014):
        for scatter in (0.0, 0.0015, 0.003, 0.006, 0.012):
            rows = [held(generator, runs, u, scatter, count) for count in COUNTS]
            said = " | ".join(f"{share:.0%}, ± {half:.4f}" for share, half in rows)
            print(f"| {u}, {scatter} | {said} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
