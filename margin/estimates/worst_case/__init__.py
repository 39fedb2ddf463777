"""Worst case by three methods, side by side: limits searched, root sum square, Monte Carlo percentiles.

variables   what a corner sets: every factor, in use and again at calibration
corners     force errors of corners, by the same chain and calibration as the draws
screen      each variable alone, and each pair, at their limits
search      extreme values by bounded search
tied        variables that are one draw
moments     root sum square with terms of first and second order
staircases  converter and sorting without their steps, and the steps as inputs
dependence  correlations of the variables
verdict     how the ranges of the methods compare
effects     the factors behind a verdict
ways        the frames
"""

from margin.estimates.worst_case.corners import Corners
from margin.estimates.worst_case.effects import PESSIMISM
from margin.estimates.worst_case.variables import OUTER_SHARE, Variable
from margin.estimates.worst_case.verdict import AGREE, COVERAGE, NOTHING, TOLERANCE
from margin.estimates.worst_case.ways import WorstCase, extreme_values, first_order, worst_cases

__all__ = [
    "AGREE",
    "COVERAGE",
    "NOTHING",
    "OUTER_SHARE",
    "PESSIMISM",
    "TOLERANCE",
    "Corners",
    "Variable",
    "WorstCase",
    "extreme_values",
    "first_order",
    "worst_cases",
]
