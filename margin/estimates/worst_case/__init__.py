"""Worst case three ways, side by side: limits searched, root sum square, Monte Carlo percentile.

variables   what a corner sets: every factor, in use and again at calibration
corners     force errors of corners, by the same chain and calibration as the draws
screen      each variable alone, and each pair, at their limits
search      extreme values by bounded search
moments     root sum square with terms of first and second order
dependence  correlations of the variables
verdict     how pessimistic or blind each way is, and why
ways        the frames
"""

from margin.estimates.worst_case.corners import Corners
from margin.estimates.worst_case.variables import OUTER_SHARE, Variable
from margin.estimates.worst_case.verdict import COVERAGE
from margin.estimates.worst_case.ways import WorstCase, extreme_values, first_order, worst_cases

__all__ = [
    "COVERAGE",
    "OUTER_SHARE",
    "Corners",
    "Variable",
    "WorstCase",
    "extreme_values",
    "first_order",
    "worst_cases",
]
