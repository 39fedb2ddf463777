"""What is kept of the errors of a block, and how blocks add up: whole numbers and extremes only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, Requirement
from margin.propagation.draws import Grouping
from margin.propagation.histogram import Bins

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

SECTIONS = 10
"""Units are counted in this many equal sections, so that any statistic gets an interval from its own scatter
between sections, whatever ties the units of a section together (lots, outer draws)."""

RATIO_BINS = Bins(1.0, lowest=-12, highest=12)
"""Bins of the largest error of a unit, relative to the permissible error."""


def permissible_error(requirement: Requirement, loads: Array, span: float) -> Array:
    """Maximum permissible error, N, at each load: the larger or the sum of its parts."""
    parts = np.stack(
        [
            requirement.reading * np.abs(loads),
            np.full_like(loads, requirement.span * span),
            np.full_like(loads, requirement.absolute),
        ]
    )
    total: Array = parts.sum(axis=0) if requirement.combine == "sum" else parts.max(axis=0)
    return total


@dataclass(frozen=True)
class Frame:
    """What every block of a run has in common.

    conditions  names of the conditions of use
    section_of_unit  units * SECTIONS // total, kept constant inside a block by how blocks are cut
    """

    loads: Array
    permissible: Array
    span: float
    share: float
    conditions: tuple[str, ...]
    options: tuple[str, ...]
    grouping: Grouping
    outer: int
    units: int
    by_lot: bool

    @classmethod
    def of(cls, case: Case, grouping: Grouping, outer: int, units: int, by_lot: bool) -> Frame:
        loads = np.asarray(case.check_loads, dtype=np.float64)
        return cls(
            loads,
            permissible_error(case.requirement, loads, case.span),
            case.span,
            case.requirement.share,
            tuple(c.name for c in case.conditions) or ("use",),
            tuple(o.name for o in case.calibrations),
            grouping,
            outer,
            units,
            by_lot,
        )

    @property
    def error_bins(self) -> Bins:
        return Bins(self.span)


@dataclass
class Tally:
    """Counts over any number of blocks for one calibration option.

    errors     (section, condition, load, bin) of the signed error, N
    low, high  (condition, load) extremes of the error, N
    largest    (section, bin) of each unit's largest |error| relative to the permissible one
    within     (outer draw, 3): readings within, units with the share within, units within everywhere
    squares    (2, 3): sums over clusters of (count, count squared) of the same three, cluster = lot
    within_units  (readings a unit + 1) units by how many of their readings are within
    halves     (2,): units within everywhere judged on the first and on the second half of their readings
    lots       (units a lot + 1) lots by how many of their units are within everywhere
    blind      (load,) readings that the firmware cannot tell from no load
    """

    errors: Counts
    low: Array
    high: Array
    largest: Counts
    within: Counts
    within_units: Counts
    halves: Counts
    lots: Counts
    lot_readings: Counts
    blind: Counts

    @classmethod
    def empty(cls, frame: Frame, readings: int) -> Tally:
        c, f = len(frame.conditions), frame.loads.size
        return cls(
            np.zeros((SECTIONS, c, f, frame.error_bins.size), dtype=np.int64),
            np.full((c, f), np.inf),
            np.full((c, f), -np.inf),
            np.zeros((SECTIONS, RATIO_BINS.size), dtype=np.int64),
            np.zeros((frame.outer, 3), dtype=np.int64),
            np.zeros(readings + 1, dtype=np.int64),
            np.zeros(2, dtype=np.int64),
            np.zeros((2, frame.grouping.units_per_lot + 1), dtype=np.int64),
            np.zeros(2, dtype=np.int64),
            np.zeros(f, dtype=np.int64),
        )
