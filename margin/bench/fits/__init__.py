"""Fits: any curve by least squares, sensor models in their proper domain, the choice among them."""

from margin.bench.fits.curve import CurveFit, fit_curve
from margin.bench.fits.judge import LackOfFit, aicc, lack_of_fit
from margin.bench.fits.models import POLYNOMIALS, THIN_FILM_MODELS, ThinFilmModel
from margin.bench.fits.polynomial import fit_polynomial
from margin.bench.fits.sensor import ReferenceLoad, SensorFit, fit_sensor

__all__ = [
    "POLYNOMIALS",
    "THIN_FILM_MODELS",
    "CurveFit",
    "LackOfFit",
    "ReferenceLoad",
    "SensorFit",
    "ThinFilmModel",
    "aicc",
    "fit_curve",
    "fit_polynomial",
    "fit_sensor",
    "lack_of_fit",
]
