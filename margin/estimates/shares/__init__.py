"""Effects of causes on force error, margin and failing units: Sobol indices and Shapley effects of a case's chain."""

from margin.estimates.shares.delta_index import moment_independent
from margin.estimates.shares.estimate import RUNS, WIDTH, error_shares, runs_of_report
from margin.estimates.shares.outputs import FAILING, MARGIN
from margin.estimates.shares.result import ErrorShares, Runs

__all__ = [
    "FAILING",
    "MARGIN",
    "RUNS",
    "WIDTH",
    "ErrorShares",
    "Runs",
    "error_shares",
    "moment_independent",
    "runs_of_report",
]
