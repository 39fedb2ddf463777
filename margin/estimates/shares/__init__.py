"""Shares of the variance of the force error of a case: Sobol indices and Shapley effects of its own chain."""

from margin.estimates.shares.delta_index import moment_independent
from margin.estimates.shares.estimate import RUNS, WIDTH, error_shares
from margin.estimates.shares.plan import LARGEST, MARGIN
from margin.estimates.shares.result import ErrorShares, Runs

__all__ = ["LARGEST", "MARGIN", "RUNS", "WIDTH", "ErrorShares", "Runs", "error_shares", "moment_independent"]
