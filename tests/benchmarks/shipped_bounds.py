"""Do the shipped cases say the same for every seed, and do their bounds hold a large study?

    PYTHONPATH=. python tests/benchmarks/shipped_bounds.py [seeds] [outer draws of the large study]

For each case under `cases/`: verdict and recommendation over seeds, drawn as shipped (until decided), and how often the
printed intervals of the lower bounds hold the value of a large study of fixed size with a seed of its own (4,096 outer
draws of 256 units by default, 1e6 units: more outer draws than 1,000, whose own scatter would be as large as what is
to be checked). The large study has an interval too; it is printed. All values invented. Not run by pytest.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

from margin.backends.run import run
from margin.case import Case, load_case, with_changes
from margin.estimates.evaluate import evaluate
from margin.estimates.results import Results
from margin.estimates.yields import yield_of

CASES = Path(__file__).parents[2] / "cases"
INNER, LARGE_SEED = 256, 987_654_321


def large_bounds(case: Case, outer: int) -> dict[str, tuple[float, float, float]]:
    """Value and ends of the lower bound of each option by a study of fixed size."""
    large = with_changes(
        case,
        {
            "study.outer": outer,
            "study.units": outer * INNER,
            "study.draw": "all units",
            "study.seed": LARGE_SEED,
        },
    )
    drawn = run(large)
    need = case.requirement
    found = {
        name: yield_of(drawn.plan.frame, tally, need.counts, need.confidence).bound
        for name, tally in drawn.tallies.items()
    }
    return {name: (bound.value, bound.low, bound.high) for name, bound in found.items()}


def spoken(results: Results) -> str:
    """Verdict, recommendation and what is left open, on one line."""
    open_ones = (
        f"; undecided: {', '.join(results.recommendation.undecided)}"
        if results.recommendation.undecided
        else ""
    )
    return f"{results.verdict}: {results.recommendation.option}{open_ones}"


def main(seeds: int = 20, outer: int = 4096) -> None:
    for path in sorted(CASES.glob("*/case.toml")):
        case = load_case(path)
        truth = large_bounds(case, outer)
        said: Counter[str] = Counter()
        held: Counter[str] = Counter()
        units = 0
        for seed in range(1, seeds + 1):
            results = evaluate(with_changes(case, {"study.seed": seed}), with_budget=False)
            said[spoken(results)] += 1
            units += results.units
            for option in results.options:
                bound = option.decisive_yield.bound
                value, low, high = truth[option.name]
                # the large study has an interval of its own: half of it, as one standard deviation and more
                slack = 0.25 * (high - low)
                held[option.name] += bound.low - slack <= value <= bound.high + slack
        print(f"{case.name}: {seeds} seeds, {units / seeds:,.0f} units on average")
        for words, count in said.most_common():
            print(f"  {count:3d} x {words}")
        for name, (value, low, high) in truth.items():
            print(
                f"  {name}: {100 * value:.2f} % ({100 * low:.2f} to {100 * high:.2f}); held by {held[name]} of {seeds}"
            )
        sys.stdout.flush()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
