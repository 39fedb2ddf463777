"""How often intervals of an acceptance test hold its closed form: `python tests/benchmarks/acceptance_coverage.py`.

Options: [--seeds 200] [--study WORD] [--table FILE]. The linear pad of `tests/design/accept_cases.py`, drawn by the
engine: normal units, a reference with normal scatter and, where so named, a normal gain error of its own for each outer
draw. A line for each study and limit; see the head of the table for the columns. Not run by pytest; a smaller version
is tests/design/test_acceptance_engine.py.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import ndtri

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "design"), str(TESTS.parent)]

from accept_cases import SCATTER, SD, line  # noqa: E402

from margin.case import Case  # noqa: E402
from margin.design.acceptance.choice import Operating  # noqa: E402
from margin.design.acceptance.counts import draw_and_count, limits_of  # noqa: E402
from margin.design.acceptance.risks import GlobalRisks, global_risks  # noqa: E402
from margin.design.acceptance.shares import Share  # noqa: E402
from margin.design.acceptance.station_test import StationTest  # noqa: E402
from margin.propagation.model import model_of  # noqa: E402
from margin.propagation.plan import plan_of  # noqa: E402

LIMITS, RISK = (0.8, 0.9, 1.0, 1.1), 0.008
POINTS = 801
HEAD = (
    "| study | limit | bad shipped (%) | held (%) | good scrapped (%) | held (%) | bad of shipped, held (%) | "
    "upper bound (%) | held (%) | below (%) | falsely kept (%) |\n|---|---|---|---|---|---|---|---|---|---|---|"
)


@dataclass(frozen=True)
class Study:
    """A case by seed. gain: of the reference, standard deviation over the permissible error."""

    name: str
    units: int
    gain: float = 0.0
    outer: int = 1
    points: str = "random"
    lots: bool = False

    def case(self, seed: int) -> Case:
        tables = {"requirement": {"confidence": 0.95}, "study": {"outer": self.outer, "points": self.points}}
        if self.lots:
            half = 2.0 * SD / math.sqrt(2.0)
            spread = f"{half} % (2 sigma)"
            tables["sensor"] = {"sensitivity": f"4 uS +/- {spread} per lot, +/- {spread} per unit"}
        return line(seed, self.units, self.gain, **tables)

    def mean(self, limit: float) -> GlobalRisks:
        """Risks averaged over references."""
        return exact(limit, 0.0, math.hypot(SCATTER, self.gain))

    def bound(self, limit: float) -> float:
        """95 % point over references of the share bad of those shipped."""
        if self.gain == 0.0:
            return exact(limit).consumer_of_accepted
        return bound_over_references(limit, self.gain)


@cache
def exact(limit: float, bias: float = 0.0, scatter: float = SCATTER) -> GlobalRisks:
    return global_risks(SD, scatter, (-1.0, 1.0), (-limit, limit), bias=bias)


@cache
def bound_over_references(limit: float, gain: float) -> float:
    """By a grid of quantiles of the gain error; the risk is the same for both signs."""
    shares = (np.arange(POINTS) + 0.5) / POINTS
    biases = gain * ndtri(0.5 + 0.5 * shares[::8])
    return float(np.quantile([exact(limit, float(b)).consumer_of_accepted for b in biases], 0.95))


STUDIES = (
    Study("4000 units, random", 4000),
    Study("4000 units, Sobol", 4000, points="sobol"),
    Study("20 000 units, Sobol", 20_000, points="sobol"),
    Study("4000 units in lots of 8", 4000, lots=True),
    Study("reference 0.1, 100 draws of 128", 12_800, 0.1, 100),
    Study("reference 0.1, 400 draws of 256", 102_400, 0.1, 400),
)


def held(share: Share, value: float, *, bound: bool = False) -> bool:
    found = share.bound if bound else share.sampled
    return found.low <= value <= found.high


def rows(study: Study, seeds: int) -> Iterator[str]:
    """Lines of the table of one study."""
    found: dict[float, list[tuple[bool, ...]]] = {limit: [] for limit in LIMITS}
    wrong = 0
    for seed in range(seeds):
        case = study.case(seed)
        plan = plan_of(case)
        counted = draw_and_count(model_of(case), plan, StationTest(case.check_loads), limits_of())
        operating = Operating(counted, plan.frame, case.requirement)
        verdict, column, _ = operating.keeping(RISK, "use", "shipped")
        chosen = operating.limit(column)
        wrong += verdict == "conforms" and (chosen is None or study.bound(chosen) > RISK)
        for limit in LIMITS:
            column = operating.column(limit)
            mean, bound = study.mean(limit), study.bound(limit)
            at = operating.at(column).use
            share = at.bad_of_shipped
            found[limit].append(
                (
                    held(at.shipped_bad, mean.consumer),
                    held(at.scrapped_good, mean.producer),
                    held(share, mean.consumer_of_accepted),
                    held(share, bound, bound=True),
                    share.bound.high < bound,
                )
            )
    for limit in LIMITS:
        mean = study.mean(limit)
        a, b, c, d, e = (100.0 * np.mean(np.array(found[limit]), axis=0)).tolist()
        cells = (
            study.name, f"{limit:g}", f"{100.0 * mean.consumer:.3f}", f"{a:.1f}", f"{100.0 * mean.producer:.3f}",
            f"{b:.1f}", f"{c:.1f}", f"{100.0 * study.bound(limit):.3f}", f"{d:.1f}", f"{e:.1f}",
            f"{100.0 * wrong / seeds:.1f}",
        )  # fmt: skip
        yield f"| {' | '.join(cells)} |"


def main() -> None:
    """Print the table, and write it to a file where one is named."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--study", default="")
    parser.add_argument("--table", type=Path)
    asked = parser.parse_args()
    lines = [HEAD]
    print(HEAD)
    for study in STUDIES:
        if asked.study in study.name:
            for text in rows(study, asked.seeds):
                print(text, flush=True)
                lines.append(text)
    if asked.table is not None:
        asked.table.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
