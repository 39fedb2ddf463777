"""Probability distributions, tolerances, random numbers and dependence."""

from distributions.composed import Discrete, Empirical, Mixture, SelectedOut, Shifted, Truncated
from distributions.dependence import (
    GaussianCopula,
    NotPositiveDefinite,
    correlation_matrix,
    nearest_correlation,
)
from distributions.distribution import Distribution, NoDensity
from distributions.fitting import ShapeFit, ShapeFits, fit_shapes
from distributions.intervals import shortest_interval, symmetric_interval
from distributions.points import points_of_pieces, unit_points
from distributions.scaling import scaled
from distributions.seeded import uniforms_from
from distributions.shapes import (
    Arcsine,
    Beta,
    CurvilinearTrapezoid,
    Exponential,
    Fixed,
    Gamma,
    HalfNormal,
    Lognormal,
    Normal,
    Rayleigh,
    Rectangular,
    StudentT,
    Trapezoidal,
    Triangular,
    Weibull,
)
from distributions.streams import Stream
from distributions.tolerance import ReadTolerance, coverage_factor, read_tolerance
from distributions.validity import InvalidParameter

__all__ = [
    "Arcsine",
    "Beta",
    "CurvilinearTrapezoid",
    "Discrete",
    "Distribution",
    "Empirical",
    "Exponential",
    "Fixed",
    "Gamma",
    "GaussianCopula",
    "HalfNormal",
    "InvalidParameter",
    "Lognormal",
    "Mixture",
    "NoDensity",
    "Normal",
    "NotPositiveDefinite",
    "Rayleigh",
    "ReadTolerance",
    "Rectangular",
    "SelectedOut",
    "ShapeFit",
    "ShapeFits",
    "Shifted",
    "Stream",
    "StudentT",
    "Trapezoidal",
    "Triangular",
    "Truncated",
    "Weibull",
    "correlation_matrix",
    "coverage_factor",
    "fit_shapes",
    "nearest_correlation",
    "points_of_pieces",
    "read_tolerance",
    "scaled",
    "shortest_interval",
    "symmetric_interval",
    "uniforms_from",
    "unit_points",
]
