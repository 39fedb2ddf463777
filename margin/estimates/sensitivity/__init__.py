"""Variance-based sensitivity on arrays: Sobol indices (main and total effects) and Shapley effects of any function.
Knows nothing of the force chain.

study = Study(groups=("amplifier", "sensor"), outputs=("error",), runs=1 << 15)
refine(study, outputs).effects.total
"""

from margin.estimates.sensitivity.effects import Effects
from margin.estimates.sensitivity.evaluations import FailedEvaluations
from margin.estimates.sensitivity.grouping import (
    DependentGroups,
    FactorLabels,
    check_independent,
    group_columns,
)
from margin.estimates.sensitivity.interval import Interval
from margin.estimates.sensitivity.rounds import Refined, Study, refine
from margin.estimates.sensitivity.scrambled_points import BadDesign
from margin.estimates.sensitivity.shapley import ShapleyDesign, shapley_effects
from margin.estimates.sensitivity.shapley_result import ShapleyEffects

__all__ = [
    "BadDesign",
    "DependentGroups",
    "Effects",
    "FactorLabels",
    "FailedEvaluations",
    "Interval",
    "Refined",
    "ShapleyDesign",
    "ShapleyEffects",
    "Study",
    "check_independent",
    "group_columns",
    "refine",
    "shapley_effects",
]
