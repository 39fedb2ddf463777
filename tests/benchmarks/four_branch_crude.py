"""Plain Monte Carlo of the four-branch series system (Waarts 2000), the reference of the published test.

Run once: python tests/benchmarks/four_branch_crude.py. It prints the failures among 1e8 draws of two standard
normal factors with their Clopper-Pearson 95 % interval, for k = 6 and k = 7.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import binomtest

DRAWS = 100_000_000
BLOCK = 1_000_000
SEED = 20240607


def main() -> None:
    """Count in blocks, so that memory stays small, and print."""
    generator = np.random.Generator(np.random.Philox(SEED))
    failures = {6.0: 0, 7.0: 0}
    for _ in range(DRAWS // BLOCK):
        x1, x2 = generator.standard_normal((2, BLOCK))
        bowl = 3 + 0.1 * (x1 - x2) ** 2 - np.abs(x1 + x2) / np.sqrt(2)
        gap = np.abs(x1 - x2)
        for k in failures:
            failures[k] += int(np.sum(np.minimum(bowl, k / np.sqrt(2) - gap) < 0))
    for k, count in failures.items():
        interval = binomtest(count, DRAWS).proportion_ci(0.95, method="exact")
        print(f"k = {k:g}: {count} failures, {count / DRAWS:.6e} ({interval.low:.6e} to {interval.high:.6e})")


if __name__ == "__main__":
    main()
