"""Force errors of corners, by the same chain and calibration as the draws."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import CalibrationSpec, UseCondition
from margin.estimates.worst_case.staircases import Continuous, without_staircase
from margin.estimates.worst_case.variables import Variable, single, variables_of
from margin.propagation.assemble import nominal_of
from margin.propagation.block import block_errors
from margin.propagation.draws import GivenSource
from margin.propagation.factors import factors_of
from margin.propagation.model import Model
from margin.propagation.readings import condition_name, use_conditions
from margin.propagation.tally import EvaluationError

Array = NDArray[np.float64]

CHUNK = 2048
BEYOND = 1e100
"""N. An error of this size is none: a value of the case is off by orders of magnitude, and its square is no number."""
"""Corners evaluated at a time, so that what the chain holds of them stays in the cache."""


@dataclass(frozen=True)
class Corners:
    """Evaluates corners of one calibration option under one condition of use: rows of deviations, one for each
    variable."""

    model: Model
    variables: tuple[Variable, ...]

    @classmethod
    def of(cls, model: Model, option: CalibrationSpec, condition: UseCondition | None = None) -> Corners:
        """Corners of an option, under the first condition of use unless one is given."""
        chosen = use_conditions(model.case)[0] if condition is None else condition
        case = single(model.case, option, chosen)
        return cls(dataclasses.replace(model, case=case), variables_of(case))

    def smooth(self, error: float = 0.0) -> Corners:
        """The same corners without any staircase, firmware included, so that differences show slopes and not steps.

        The rounding of each reading becomes a variable of its own (factor of quantity ROUNDING), and sorting gives
        each unit the gain that it needs, times (1 + error). These corners themselves where there is no staircase.
        """
        model, case = self.model, self.model.case
        converter = without_staircase(case.elements["converter"])
        if converter is None and not model.classes:
            return self
        if converter is not None:
            case = dataclasses.replace(case, elements={**case.elements, "converter": converter})
        classes = {name: Continuous(c.edges, c.gains, error) for name, c in model.classes.items()}
        model = dataclasses.replace(
            model, case=case, nominal=nominal_of(case), factors=factors_of(case), classes=classes
        )
        return Corners(model, variables_of(case))

    def errors_of(self, chosen: NDArray[np.bool_]) -> Callable[[Array], Array]:
        """Errors of rows of the chosen variables alone, every other at its mean; chosen: (variable,)."""
        rest = self.column("mean")

        def errors(rows: Array) -> Array:
            full = np.tile(rest, (rows.shape[0], 1))
            full[:, chosen] = rows
            return self.errors(full)

        return errors

    @property
    def condition(self) -> str:
        """Name of the condition of use."""
        return condition_name(use_conditions(self.model.case)[0])

    def column(self, name: str) -> Array:
        """One property of all variables, (variable,)."""
        return np.array([getattr(v, name) for v in self.variables], dtype=np.float64)

    def possible(self, rows: Array) -> Array:
        """Rows (corner, variable) moved to values that can be drawn."""
        found = rows
        for column, variable in enumerate(self.variables):
            if variable.gaps:
                found = rows.copy() if found is rows else found
                found[:, column] = variable.possible(rows[:, column])
        return found

    def errors(self, rows: Array) -> Array:
        """Force errors, N, (corner, load), of rows (corner, variable).

        Raises EvaluationError where one is not a finite number.
        """
        parts = [self._errors(rows[i : i + CHUNK]) for i in range(0, rows.shape[0], CHUNK)]
        return np.concatenate(parts)

    def _errors(self, rows: Array) -> Array:
        count = rows.shape[0]
        given: dict[tuple[str, str], Array] = {}
        for column, variable in enumerate(self.variables):
            values = rows[:, column].reshape(-1, 1, 1, 1, 1)
            if variable.place is None:
                given[variable.key] = values
                continue
            if variable.key not in given:
                given[variable.key] = np.full((count, 1, 1, 1, variable.loads), variable.centre)
            given[variable.key][..., variable.place] = values[..., 0]
        shared = frozenset(f.name for f in self.model.factors if f.level in ("common", "station", "lot"))
        found = block_errors(self.model, GivenSource(given, count, shared), count)
        ((name, (errors,)),) = found.by_option.items()
        if not (np.abs(errors) < BEYOND).all():
            raise EvaluationError(
                f"calibration {name!r}: a force error at the limits of the spreads is not a number, or above "
                f"{BEYOND:g} N: the chain gives no output there that a load could be read off; look at the values and "
                "the extremes of the spreads in this case"
            )
        # along a load history a load is read several times: the worst of them counts
        readings = errors[:, 0, 0]
        worst = np.abs(readings).argmax(axis=1, keepdims=True)
        return np.take_along_axis(readings, worst, axis=1)[:, 0]
