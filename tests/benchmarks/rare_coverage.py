"""How often the interval of a rare failure covers the exact probability.

Run: python tests/benchmarks/rare_coverage.py [RUNS [WORD]]. It estimates each limit state whose name holds WORD with
seeds 0 to RUNS - 1 (400 by default) and prints the share of 95 % intervals that hold the exact value, mean and standard
deviation of estimate over exact value, the coefficient of variation claimed, evaluations, methods.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
from scipy.stats import gamma

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "rare"), str(TESTS.parent)]

from limit_states import KnownLimit  # noqa: E402
from rare_limits import exponential_sum, linear, radial  # noqa: E402

from margin.estimates.rare import failure_probability  # noqa: E402


def known_limits() -> list[KnownLimit]:
    """Smooth, curved and round limits in few and many factors."""
    return [
        *(linear(beta, dimension) for beta, dimension in ((3.0, 2), (4.0, 2), (5.0, 20), (4.0, 100))),
        *(
            exponential_sum(dimension, float(gamma.isf(probability, dimension)))
            for dimension in (2, 20, 100)
            for probability in (1e-3, 1e-6)
        ),
        *(radial(dimension, radius) for dimension, radius in ((10, 6.0), (100, 13.0))),
    ]


def main(runs: int, word: str) -> None:
    """One line a limit state."""
    print(f"{runs} runs each, 95 % intervals")
    for known in known_limits():
        if word not in known.name:
            continue
        found = [failure_probability(known.limit, known.limit.dimension, seed=seed) for seed in range(runs)]
        ratios = np.array([one.probability for one in found]) / known.probability
        covered = np.mean([one.low <= known.probability <= one.high for one in found])
        print(
            f"{known.name:30s} exact {known.probability:.2e}  covered {100 * covered:5.1f} %  "
            f"mean {ratios.mean():.3f}  sd {ratios.std(ddof=1):.3f}  "
            f"claimed {np.mean([one.coefficient_of_variation for one in found]):.3f}  "
            f"evaluations {np.mean([one.evaluations for one in found]):.0f}  "
            f"{dict(Counter(one.method for one in found))}",
            flush=True,
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 400,
        sys.argv[2] if len(sys.argv) > 2 else "",
    )
