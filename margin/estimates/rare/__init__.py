"""Small failure probabilities: how rarely a product misses its requirement, and in which way."""

from margin.estimates.rare.choose import failure_probability, require_budget
from margin.estimates.rare.cross_check import cross_check
from margin.estimates.rare.design_point import DesignPoint, describe
from margin.estimates.rare.importance import importance_sampling
from margin.estimates.rare.limit import LimitState, RareEventError
from margin.estimates.rare.nearest import nearest_failing
from margin.estimates.rare.result import CrossCheck, RareResult
from margin.estimates.rare.rounds import importance_rounds
from margin.estimates.rare.subset import subset_sampling

__all__ = [
    "CrossCheck",
    "DesignPoint",
    "LimitState",
    "RareEventError",
    "RareResult",
    "cross_check",
    "describe",
    "failure_probability",
    "importance_rounds",
    "importance_sampling",
    "nearest_failing",
    "require_budget",
    "subset_sampling",
]
