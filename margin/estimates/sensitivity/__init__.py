"""Variance-based sensitivity on arrays: plan, run, estimate, refine. Knows nothing of the force chain.

design = SobolDesign(groups=("amplifier", "sensor", "sensor"), base=8 * 256)
found = sobol_indices(run(design, evaluate, names=("error",)))
found.to_frame()
"""

from margin.estimates.sensitivity.convergence import Refinement, converged, curve, more_runs, refine, widest
from margin.estimates.sensitivity.design import BadDesign, Piece, SobolDesign
from margin.estimates.sensitivity.evaluations import Evaluations, FailedEvaluations, Mapped, collect, run
from margin.estimates.sensitivity.grouping import (
    DependentGroups,
    FactorLabels,
    check_independent,
    group_columns,
)
from margin.estimates.sensitivity.indices import sobol_indices
from margin.estimates.sensitivity.indices_result import Interval, SobolIndices
from margin.estimates.sensitivity.shapley import ShapleyDesign, shapley_effects
from margin.estimates.sensitivity.shapley_result import ShapleyEffects

__all__ = [
    "BadDesign",
    "DependentGroups",
    "Evaluations",
    "FactorLabels",
    "FailedEvaluations",
    "Interval",
    "Mapped",
    "Piece",
    "Refinement",
    "ShapleyDesign",
    "ShapleyEffects",
    "SobolDesign",
    "SobolIndices",
    "check_independent",
    "collect",
    "converged",
    "curve",
    "group_columns",
    "more_runs",
    "refine",
    "run",
    "shapley_effects",
    "sobol_indices",
    "widest",
]
