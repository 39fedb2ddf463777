"""Shapley effects of the factors of a case: what dependent factors do together is shared among them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from margin.estimates.labels import budget_name
from margin.estimates.sensitivity import ShapleyDesign, shapley_effects
from margin.estimates.shares.plan import SharesPlan, long_frame

SCRAMBLINGS = 8
ORDERS = 32
"""Random orders a scrambling: a scrambling needs at least as many base rows."""


def shapley_shares(plan: SharesPlan, runs: int) -> pd.DataFrame:
    """Shapley effects of each factor on every output, from at most about `runs` units (at least 256 orders).

    One row an option, output and factor, columns as `ShapleyEffects.to_frame`. Raises ValueError where a dependent
    factor is drawn many times for one unit, and where correlations themselves are uncertain.
    """
    model, columns = plan.model, plan.columns
    front = len(plan.labels) - len(columns)
    names = [column.name for column in columns]
    correlation = np.eye(len(plan.labels))
    labels = [one.labels.factor for one in plan.labels]
    for group in model.groups:
        drawn = {column.name for column in columns if column.factor in group.factors}
        if drawn != set(group.names) or group.measured_on is not None:
            raise InvalidArgument(
                f"Shapley effects of {', '.join(group.names)}: dependent factors can be separated only where they "
                "are drawn once for a unit, with a correlation that is known. Leave them as one group"
            )
        places = [front + names.index(f.name) for f in group.factors]
        correlation[np.ix_(places, places)] = group.copula.normal_correlation
        for place, factor in zip(places, group.factors, strict=True):
            labels[place] = budget_name(factor)
    rows = max(runs // (SCRAMBLINGS * (len(dict.fromkeys(labels)) + 1)), ORDERS)
    base = SCRAMBLINGS * (1 << (rows.bit_length() - 1))
    case = model.case
    design = ShapleyDesign(tuple(labels), correlation, base, case.study.seed, all_sets=False, orders=ORDERS)
    outputs = plan.outputs(tied=False, rows=runs)
    effects = shapley_effects(design, outputs, outputs.names, level=case.requirement.confidence)
    found = effects.to_frame()
    # estimates of weak effects scatter to either side of zero, true effects do not
    ends = ["effect", "effect_low", "effect_high"]
    found[ends] = found[ends].clip(0.0, 1.0)
    return long_frame(found, "factor")
