"""Shapes with closed-form functions, one or a few related ones a file."""

from distributions.shapes.arcsine import Arcsine
from distributions.shapes.beta import Beta
from distributions.shapes.fixed import Fixed
from distributions.shapes.gamma import Exponential, Gamma
from distributions.shapes.lognormal import Lognormal
from distributions.shapes.magnitudes import HalfNormal, Rayleigh, Weibull
from distributions.shapes.normal import Normal
from distributions.shapes.rectangular import Rectangular
from distributions.shapes.student import StudentT
from distributions.shapes.trapezoid import CurvilinearTrapezoid, Trapezoidal
from distributions.shapes.triangular import Triangular

__all__ = [
    "Arcsine",
    "Beta",
    "CurvilinearTrapezoid",
    "Exponential",
    "Fixed",
    "Gamma",
    "HalfNormal",
    "Lognormal",
    "Normal",
    "Rayleigh",
    "Rectangular",
    "StudentT",
    "Trapezoidal",
    "Triangular",
    "Weibull",
]
