"""A second look at an estimate about design points: an independent run that knows none of them."""

from __future__ import annotations

import math
from dataclasses import replace

from margin.estimates.rare.draws import Draws
from margin.estimates.rare.importance import missed_points
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.result import RareResult
from margin.estimates.rare.subset import SHARED, run_subset

PER_LEVEL = 1000
NOTABLE = 0.05
APART = 3.5


def second_look(limit: CountedLimit, result: RareResult, seed: int) -> RareResult:
    """The result with a warning where one replicate of subset sampling contradicts it.

    Warned of is a most likely failing point that the result lacks and whose first-order probability is at least
    5 % of the result's, and a probability that is larger by more than three and a half standard errors. The number
    itself is not changed, nor the count of its evaluations.
    """
    run = run_subset(limit, PER_LEVEL, Draws(seed, "second look for regions"))
    warnings = [
        f"a failing region was missed: an independent run found another most likely failing point at "
        f"{point.beta:.2f} standard deviations; the probability is too low by about {point.first_order:.2g}"
        for point in missed_points(limit, result.design_points, run.failing)
        if point.first_order >= NOTABLE * result.probability
    ]
    if run.probability > 0 and result.probability > 0:
        variance = SHARED * run.variation**2 + result.coefficient_of_variation**2
        if math.log(run.probability / result.probability) > APART * math.sqrt(math.log1p(variance)):
            warnings.append(
                f"a failing region may have been missed: an independent run found a probability of "
                f"{run.probability:.2g} where the estimate is {result.probability:.2g}"
            )
    return replace(result, warnings=(*result.warnings, *warnings))
