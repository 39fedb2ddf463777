"""Figures of merit of sensors, each with its definition and interval."""

from margin.bench.merits import proving
from margin.bench.merits.linearity import DEFINITIONS, Line, linearity
from margin.bench.merits.merit import Merit, frame_of, mean_interval, sd_interval
from margin.bench.merits.slow import drift, drift_line
from margin.bench.merits.static import hysteresis, repeatability
from margin.bench.merits.sweeps import Hold, Sweeps, holds_of, sweeps_of
from margin.bench.merits.table import figures_of_merit, of_sensor, pooled

__all__ = [
    "DEFINITIONS",
    "Hold",
    "Line",
    "Merit",
    "Sweeps",
    "drift",
    "drift_line",
    "figures_of_merit",
    "frame_of",
    "holds_of",
    "hysteresis",
    "linearity",
    "mean_interval",
    "of_sensor",
    "pooled",
    "proving",
    "repeatability",
    "sd_interval",
    "sweeps_of",
]
