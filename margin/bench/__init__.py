"""Bench data of sensors: reading, figures of merit, fits, spreads by level, outlook on more measuring."""

from margin.bench.compare import Comparison, compare
from margin.bench.components import nested_components
from margin.bench.data import BenchData, read_bench
from margin.bench.errors import BenchDataError, Fault, NotMeasurableError
from margin.bench.fits import ReferenceLoad, SensorFit, fit_curve, fit_sensor
from margin.bench.merits import Merit, figures_of_merit, frame_of
from margin.bench.outlook import (
    outlook_of_components,
    outlook_of_sd,
    outlook_of_yield,
    predictive_share,
)
from margin.bench.spreads import Spreads, cycle_parameters, spreads_of

__all__ = [
    "BenchData",
    "BenchDataError",
    "Comparison",
    "Fault",
    "Merit",
    "NotMeasurableError",
    "ReferenceLoad",
    "SensorFit",
    "Spreads",
    "compare",
    "cycle_parameters",
    "figures_of_merit",
    "fit_curve",
    "fit_sensor",
    "frame_of",
    "nested_components",
    "outlook_of_components",
    "outlook_of_sd",
    "outlook_of_yield",
    "predictive_share",
    "read_bench",
    "spreads_of",
]
