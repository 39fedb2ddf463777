"""The forecast of a study in words."""

from __future__ import annotations

from margin.estimates.forecast import Range, StudyForecast
from margin.estimates.numbers import count

_PATHS = {
    "kernel": "by a compiled kernel",
    "arrays": "by array operations",
    "device": "by a kernel on an accelerator",
}


def forecast_lines(found: StudyForecast) -> tuple[str, ...]:
    """Lines for the terminal: units, way of computing with its reason, time, memory."""
    units = f"{count(found.most_units)} units at most"
    if found.first_look_units < found.most_units:
        units += f", {count(found.first_look_units)} at the first look"
    time = f"drawing: about {_seconds(found.most_seconds)} at most"
    if found.first_look_units < found.most_units:
        time += f", about {_seconds(found.first_look_seconds)} to the first look"
    if found.compiling_seconds.about > 0.0:
        time += f"; of this, about {_seconds(found.compiling_seconds)} to compile, once"
    threads = "1 thread" if found.workers == 1 else f"{found.workers} threads"
    calibrations = "1 calibration" if found.calibrations == 1 else f"{found.calibrations} calibrations"
    return (
        f"{units}, {count(found.readings_per_unit)} readings a unit, each corrected by {calibrations}",
        f"{_PATHS[found.path]} on {threads}: {found.reason}",
        f"{time}. Budget and report take further time",
        f"memory: about {_megabytes(found.block_bytes)} for a block of {count(found.block_units)} units on each "
        "thread, "
        f"about {_megabytes(found.peak_bytes.about)} ({_megabytes(found.peak_bytes.low)} to "
        f"{_megabytes(found.peak_bytes.high)}) for the whole program while it draws",
    )


def _seconds(found: Range) -> str:
    return f"{_two(found.about)} s ({_two(found.low)} to {_two(found.high)} s)"


def _megabytes(size: float) -> str:
    return f"{_two(size / 1e6)} MB"


def _two(value: float) -> str:
    """Two significant digits, without an exponent: a forecast supports no more."""
    return count(round(float(f"{value:.2g}"))) if value >= 10.0 else f"{value:.2g}"
