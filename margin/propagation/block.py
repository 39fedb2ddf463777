"""A block of units drawn, calibrated by every option and used: its force errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.propagation.along_history import readings_of_use
from margin.propagation.calibrated import Bench, Coordinates, calibrate, smallest_estimate
from margin.propagation.draws import Source
from margin.propagation.model import Model
from margin.propagation.tally import counted_by_load

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]


@dataclass(frozen=True)
class Errors:
    """Force errors of the units of a block.

    by_option  option name -> one array (unit, condition, loading, reading, load), N, for each condition of use
    clipped    (load,) readings at a limit of circuit or converter, over all conditions
    blind      (load,) readings by which the design curve sees no load at all
    marks      clipped and blind readings, arrays of truths like the errors, for each condition of use
    """

    by_option: dict[str, list[Array]]
    clipped: NDArray[np.int64]
    blind: NDArray[np.int64]
    marks: list[tuple[Marks, Marks]]


def _by_load(marks: Marks) -> NDArray[np.int64]:
    if isinstance(marks, np.ndarray):
        return counted_by_load(marks, [0])[:, 0]
    # an array that stands for one of numpy's
    counted: NDArray[np.int64] = np.count_nonzero(marks, axis=(0, 1, 2, 3))
    return counted


@np.errstate(all="ignore")  # what is not a number is found in the errors and refused there
def block_errors(
    model: Model, source: Source, count: int, means: Mapping[str, Array] | None = None
) -> Errors:
    """Calibrate `count` drawn units by every option, use them, and compare with the true load.

    means  option name -> means of the lots (see `lot_means`), where they have been computed

    Errors are NaN where the chain gave no finite code in use. Raises EvaluationError where it gave none at the
    calibration.
    """
    case, nominal = model.case, model.nominal
    loads = np.asarray(case.check_loads, dtype=np.float64)
    bench = Bench(case, source, nominal, count)
    calibrated = {
        o.name: calibrate(o, bench, model.classes.get(o.name), (means or {}).get(o.name))
        for o in case.calibrations
    }
    by_option: dict[str, list[Array]] = {name: [] for name in calibrated}
    design = Coordinates(nominal, "force", smallest_estimate(case))
    clipped, blind = np.zeros(loads.size, dtype=np.int64), np.zeros(loads.size, dtype=np.int64)
    marks: list[tuple[Marks, Marks]] = []
    for readings in readings_of_use(case, source, count):
        for name, units in calibrated.items():
            error = units.load(readings) - loads
            # a design curve may read a code that is no number as no load: that would hide it
            by_option[name].append(error if readings.finite else np.where(readings.known, error, np.nan))
        no_load = nominal.firmware.no_load(design.of_readings(readings, corrected=False))
        clipped += _by_load(readings.clipped)
        blind += _by_load(no_load)
        marks.append((readings.clipped, no_load))
    return Errors(by_option, clipped, blind, marks)
