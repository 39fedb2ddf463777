"""Outputs of a unit of which the effects of its draws are taken: force errors, conformity margin, failing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.estimates import numbers
from margin.propagation.frame import Frame
from margin.propagation.outcomes import Outcomes, conforming
from margin.propagation.tally import ROUNDING

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

MARGIN, FAILING = "conformity margin", "failing unit"

FARTHEST = 2.0
"""Multiple of the permissible error from which on an error counts as this much.

An inversion that runs away gives errors of a million times the permissible one, and the variance of an unbounded
margin is then that of one unit. How far a unit is out decides nothing once it has to be rejected; up to twice the
permissible error it tells units that a small change would bring within from those that it would not. The scale is
symmetric: 1 without error, 0 at the limit, -1 at twice the limit and beyond.
"""

RUNAWAY = 10.0
"""Multiple of the permissible error from which on the error at a load counts as this much: no change for any error
that a design would be judged by, and no variance that a runaway inversion alone would set."""


def error_name(load: float) -> str:
    """Name of the force error at a check load, N."""
    return f"error at {numbers.plain(load, digits=6)} N"


def output_names(case: Case) -> tuple[str, ...]:
    """Outputs of one option: the error at each check load (N), the conformity margin, whether the unit fails."""
    return (*(error_name(load) for load in case.check_loads), MARGIN, FAILING)


def long_names(case: Case) -> tuple[str, ...]:
    """(option, output) of every option, joined by a line feed, which neither can hold."""
    return tuple(f"{option.name}\n{name}" for option in case.calibrations for name in output_names(case))


def places_of(case: Case, *names: str) -> tuple[int, ...]:
    """Places of outputs among those of all options."""
    one = output_names(case)
    return tuple(
        place for place in range(len(case.calibrations) * len(one)) if one[place % len(one)] in names
    )


@dataclass(frozen=True)
class UnitOutputs:
    """Outputs of units from what becomes of them.

    The error at a load is that of the first reading, under a condition of use drawn with equal chances where there are
    several; beyond RUNAWAY times the permissible error it counts as that. The conformity margin is 1 less the unit's
    largest |error| / permissible error over all of its readings, an error beyond FARTHEST times the permissible one
    counted as that. Failing is 1 where the unit does not conform by what the requirement counts, else 0; where readings
    are counted, the share of the unit's readings beyond. Errors below ROUNDING of the span, the rounding of the
    arithmetic, count as none.
    """

    frame: Frame
    counts: str

    @classmethod
    def of(cls, case: Case, frame: Frame) -> UnitOutputs:
        return cls(frame, case.requirement.counts)

    def __call__(self, found: Outcomes, which: Array | None) -> Array:
        """(unit, option and output), options in the order of the case.

        which  (unit,) uniforms that draw the condition of use; None where there is one
        """
        if found.first is None:
            raise ValueError("the errors of the first readings were not asked for")
        resolution = ROUNDING * self.frame.span
        largest = np.where(found.largest < resolution / self.frame.permissible.min(), 0.0, found.largest)
        # an error that is not a number leaves no margin either
        margin = np.where(np.isfinite(largest), 1.0 - np.minimum(largest, FARTHEST), np.nan)
        conditions, units = found.first.shape[1], found.first.shape[-1]
        place = np.zeros(units, dtype=np.int64) if which is None else (which * conditions).astype(np.int64)
        # advanced indices apart from each other put the units first
        errors = found.first[:, place, :, np.arange(units)]
        errors = np.where(np.abs(errors) < resolution, 0.0, errors)
        farthest = RUNAWAY * self.frame.permissible
        # an infinite error is a failure of the chain, which no bound hides
        errors = np.where(np.isfinite(errors), np.clip(errors, -farthest, farthest), errors)
        full = self.frame.readings if self.counts == "readings" else 1
        failing = 1.0 - conforming(found, self.frame, self.counts) / full
        outputs = np.concatenate([errors, margin.T[..., np.newaxis], failing.T[..., np.newaxis]], axis=2)
        return outputs.reshape(units, -1)
