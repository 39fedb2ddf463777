"""Conformity of units as a function of independent standard normal draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.backends.compiled.units import CompiledUnits
from margin.backends.units import compiled_units
from margin.case.types import Case
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked
from margin.propagation.plan import LARGEST_BLOCK, default_block
from margin.propagation.points_source import Column, PointsEvaluator, columns_of
from margin.propagation.tally import ROUNDING, EvaluationError, permissible_error

Array = NDArray[np.float64]

NO_OUTPUT = 10.0
"""Margin below zero at which a unit without a finite output counts, and beyond which no margin goes."""

OF_SMALL_BATCHES = 10
"""Searches ask for a few units at a time: array operations then cost so many times what they cost for large blocks."""


@dataclass(frozen=True)
class UnitLimit:
    """Conformity margin of units in the space of independent standard normal draws: negative means failure.

    A unit has one draw for what is drawn for it once, and one for each placement and sample in use
    and at its calibration. The margin is 1 less |error| / permissible error: of the worst reading ('units at every
    check point'), of the reading that may not fail ('units by share of readings'), or of one reading taken at random
    ('readings'; one more draw in front). Far out in the spreads a unit may have no output at all: it fails.
    """

    evaluator: PointsEvaluator
    permissible: Array
    kernel: CompiledUnits | None = None

    @classmethod
    def of(cls, model: Model, units: int = 0) -> UnitLimit:
        """For a model with one calibration option, of which about so many units will be asked."""
        case = model.case
        loads = np.asarray(case.check_loads, dtype=np.float64)
        permissible = permissible_error(case.requirement, loads, case.span)
        kernel = None
        if case.requirement.counts == "units at every check point":
            frame = Frame.of(case, Grouping(1, 1), max(units, 2), False, max(units, 2))
            kernel = compiled_units(model, frame, OF_SMALL_BATCHES)
        return cls(PointsEvaluator(model, columns_of(model)), permissible, kernel)

    @property
    def case(self) -> Case:
        return self.evaluator.case

    @property
    def columns(self) -> tuple[Column, ...]:
        return self.evaluator.columns

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each draw."""
        own = tuple(
            column.name if column.many == 1 else f"{column.name} {k + 1}"
            for column in self.columns
            for k in range(column.many)
        )
        return ("reading (which)", *own) if self.one_reading else own

    @property
    def one_reading(self) -> bool:
        return self.case.requirement.counts == "readings"

    def uniforms(self, z: Array) -> Array:
        """Uniforms of the draws of units z; beyond +-8.2 standard deviations, where less than one unit in 1e15 lies,
        draws count as if there."""
        return np.clip(ndtr(z[:, 1:] if self.one_reading else z), SMALLEST_UNIFORM, LARGEST_UNIFORM)

    @staticmethod
    def picked(score: Array, readings: int) -> NDArray[np.int64]:
        """Which of so many readings a draw picks, in the order (condition of use, placement, sample, load)."""
        return np.minimum((ndtr(score) * readings).astype(np.int64), readings - 1)

    def ratios(self, z: Array) -> list[Array]:
        """|error| / permissible, (unit, condition, loading, reading, load), for each condition of use."""
        with np.errstate(all="ignore"):
            (errors,) = self.evaluator.errors_of_draws(self.uniforms(z)).values()
            return [np.abs(e) / self.permissible for e in errors]

    def __call__(self, z: Array, /) -> Array:
        """Margins (unit,) of units z (unit, draw)."""
        step = default_block(self.case) if self.kernel is None else LARGEST_BLOCK
        return np.concatenate([self._margins(z[i : i + step]) for i in range(0, len(z), step)])

    def _largest(self, z: Array) -> Array | None:
        """(unit,) largest |error| / permissible by a kernel; None without one, or where an error is not a number."""
        if self.kernel is None:
            return None
        ends = ndtri(np.array([SMALLEST_UNIFORM, LARGEST_UNIFORM]))
        scores: dict[str, Array] = {}
        first = 0
        for column in self.columns:
            scores[column.name] = np.clip(z[:, first : first + column.many], *ends)
            first += column.many
        with np.errstate(all="ignore"):
            source = self.evaluator.source_of_scores(scores, len(z))
            found = self.kernel.outcomes_of(source, Asked(), scores)
        return None if found is None else found.largest[0]

    def _margins(self, z: Array) -> Array:
        largest = self._largest(z)
        if largest is not None:
            return np.asarray(1.0 + ROUNDING - np.minimum(largest, 1.0 + NO_OUTPUT))
        try:
            ratios = self.ratios(z)
        except EvaluationError:
            if len(z) == 1:
                return np.array([-NO_OUTPUT])
            half = len(z) // 2
            return np.concatenate([self._margins(z[:half]), self._margins(z[half:])])
        flat = np.concatenate([r.reshape(len(z), -1) for r in ratios], axis=1)
        flat = np.minimum(np.where(np.isnan(flat), np.inf, flat), 1.0 + NO_OUTPUT)
        need = self.case.requirement
        if need.counts == "units by share of readings":
            may_fail = flat.shape[1] - int(np.ceil(need.share * flat.shape[1] - 1e-9))
            worst = -np.partition(-flat, may_fail, axis=1)[:, may_fail]
        elif self.one_reading:
            worst = flat[np.arange(len(z)), self.picked(z[:, 0], flat.shape[1])]
        else:
            worst = flat.max(axis=1)
        # a unit exactly at its limit conforms, as in the study
        return np.asarray(1.0 + ROUNDING - worst)
