"""Bench data of sensors: reading, figures of merit, fits, spreads by level, outlook on more measuring."""

from margin.bench.circuits import circuits_file, conductances, read_circuits
from margin.bench.compare import Comparison, compare
from margin.bench.components import nested_components
from margin.bench.data import BenchData, read_bench
from margin.bench.errors import BenchDataError, Fault, NotMeasurableError
from margin.bench.fits import ReferenceLoad, SensorFit, fit_curve, fit_sensor
from margin.bench.fitted import FittedSensor
from margin.bench.from_file import fit_file
from margin.bench.merits import Merit, figures_of_merit, frame_of
from margin.bench.model_file import model_text, write_model
from margin.bench.outlook import (
    outlook_of_components,
    outlook_of_sd,
    outlook_of_yield,
    predictive_share,
)
from margin.bench.sensor_model import fitted_sensor
from margin.bench.spreads import Spreads, cycle_parameters, spreads_of
from margin.bench.summary import CondensedBench, condense_bench

__all__ = [
    "BenchData",
    "BenchDataError",
    "Comparison",
    "CondensedBench",
    "Fault",
    "FittedSensor",
    "Merit",
    "NotMeasurableError",
    "ReferenceLoad",
    "SensorFit",
    "Spreads",
    "circuits_file",
    "compare",
    "condense_bench",
    "conductances",
    "cycle_parameters",
    "figures_of_merit",
    "fit_curve",
    "fit_file",
    "fit_sensor",
    "fitted_sensor",
    "frame_of",
    "model_text",
    "nested_components",
    "outlook_of_components",
    "outlook_of_sd",
    "outlook_of_yield",
    "predictive_share",
    "read_bench",
    "read_circuits",
    "spreads_of",
    "write_model",
]
