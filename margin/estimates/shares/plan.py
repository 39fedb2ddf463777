"""Plan of the shares of a case: its columns with their labels, and the outputs of rows of uniforms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case.types import Case
from margin.chain.parameter import CAUSE_OF_ROLE, parameters_of
from margin.estimates.labels import ColumnLabels, labels_of
from margin.estimates.sensitivity import FactorLabels, FailedEvaluations, group_columns
from margin.estimates.sensitivity.grouping import By
from margin.propagation.model import Model
from margin.propagation.points_source import Column, PointsEvaluator, columns_of
from margin.propagation.readings import use_conditions
from margin.propagation.tally import ROUNDING, permissible_error

Array = NDArray[np.float64]

LARGEST, MARGIN = "largest error of a unit", "conformity margin"
DIRECTION = "use.direction (each loading)"
WHICH = Column("use.condition (which)", None, "in use")


def output_names(case: Case) -> tuple[str, ...]:
    """Outputs of one option: the error at each check load (N), the unit's largest error (N) and its margin."""
    return (*(f"error at {load:g} N" for load in case.check_loads), LARGEST, MARGIN)


@dataclass(frozen=True)
class CaseOutputs:
    """Outputs of rows of uniforms, for every calibration option of a case.

    The error at a load is that of one reading, under a named condition of use drawn with equal chances where
    there are several. The conformity margin is 1 less the unit's largest |error| / permissible error, over all of
    its readings. Errors below ROUNDING of the span, the rounding of the arithmetic, count as none.
    """

    evaluator: PointsEvaluator
    permissible: Array
    which: bool

    @classmethod
    def of(cls, model: Model, columns: tuple[Column, ...], *, tied: bool = True) -> CaseOutputs:
        """For rows of `columns`, with one more in front where the condition of use is drawn."""
        case = model.case
        loads = np.asarray(case.check_loads, dtype=np.float64)
        return cls(
            PointsEvaluator(model, columns, tied),
            permissible_error(case.requirement, loads, case.span),
            len(use_conditions(case)) > 1,
        )

    @property
    def names(self) -> tuple[str, ...]:
        """(option, output) joined by a line feed, which neither can hold."""
        case = self.evaluator.case
        return tuple(f"{o.name}\n{name}" for o in case.calibrations for name in output_names(case))

    def __call__(self, uniforms: Array) -> Array:
        rows = uniforms.shape[0]
        drawn = uniforms[:, 1:] if self.which else uniforms
        outputs: list[Array] = []
        resolution = ROUNDING * self.evaluator.case.span
        for by_condition in self.evaluator.errors(drawn).values():
            place = np.zeros(rows, dtype=np.int64)
            if self.which:
                place = (uniforms[:, 0] * len(by_condition)).astype(np.int64)
            one = np.stack([errors[:, 0, 0, 0, :] for errors in by_condition])[place, np.arange(rows)]
            sizes = np.stack([np.abs(errors).max(axis=(1, 2, 3)) for errors in by_condition]).max(axis=0)
            margin = 1.0 - (sizes / self.permissible).max(axis=1)
            one[np.abs(one) < resolution] = 0.0
            largest = sizes.max(axis=1)
            margin[largest < resolution] = 1.0
            largest[largest < resolution] = 0.0
            outputs += [one, largest[:, np.newaxis], margin[:, np.newaxis]]
        return np.concatenate(outputs, axis=1)


@dataclass(frozen=True)
class SharesPlan:
    """Columns of the plans of a model, with their labels."""

    model: Model
    columns: tuple[Column, ...]
    labels: tuple[ColumnLabels, ...]

    @classmethod
    def of(cls, model: Model) -> SharesPlan:
        drawn = columns_of(model)
        labels = labels_of(drawn, model.factors)
        if len(use_conditions(model.case)) > 1:
            return cls(model, drawn, (_labels_of_which(model.case), *labels))
        return cls(model, drawn, labels)

    def outputs(self, *, tied: bool = True) -> CaseOutputs:
        return CaseOutputs.of(self.model, self.columns, tied=tied)

    def dependent(self) -> list[list[str]]:
        """Factors that depend on each other, as labelled; what is drawn again at the calibration is a set apart."""
        front = len(self.labels) - len(self.columns)
        found: list[list[str]] = []
        for group in self.model.groups:
            apart: dict[str, list[str]] = {}
            for column, label in zip(self.columns, self.labels[front:], strict=True):
                if column.factor is not None and column.factor.name in group.names:
                    apart.setdefault(column.event, []).append(label.labels.factor)
            found += [list(dict.fromkeys(names)) for names in apart.values()]
        return [names for names in found if len(names) > 1]

    def groups(self, by: By) -> tuple[str, ...]:
        """Group of each column; dependent factors are one."""
        factors = {one.labels.factor: one.labels for one in self.labels}
        grouped = group_columns(tuple(factors.values()), by, self.dependent())
        group_of = dict(zip(factors, grouped, strict=True))
        return tuple(group_of[one.labels.factor] for one in self.labels)

    def scopes(self) -> tuple[str, ...]:
        return tuple(one.scope for one in self.labels)

    def where_failed(self, failed: FailedEvaluations) -> str:
        """Which draws lie furthest out in the first failed run."""
        names = [one.labels.factor for one in self.labels]
        furthest = sorted(zip(failed.inputs, names, strict=True), key=lambda one: -abs(one[0] - 0.5))[:3]
        told = ", ".join(f"{name} at its {100 * value:.2g} % point" for value, name in furthest)
        return (
            f"a force error is not a number in {failed.count} of {failed.total} units; in the first of them the "
            f"draws furthest out are {told}. Look at the extremes of these spreads in the case"
        )


def _labels_of_which(case: Case) -> ColumnLabels:
    """Labels of the choice among named conditions of use; its cause is 'temperature' where they state nothing else."""
    stated = {quantity.cause for condition in case.conditions for quantity in condition.quantities.values()}
    use = case.elements["use"]
    if any(condition.direction is not None for condition in case.conditions):
        stated.add(parameters_of(use.cls)["direction_draw"].cause_in(use.role))
    cause = stated.pop() if len(stated) == 1 else CAUSE_OF_ROLE[use.role]
    return ColumnLabels(FactorLabels(WHICH.name, use.role, "condition", cause), "within a unit")


def long_frame(frame: pd.DataFrame, by: str) -> pd.DataFrame:
    """A frame of indices with option and output apart, and the grouping behind."""
    parts = frame["output"].str.split("\n", expand=True)
    rest = frame.drop(columns="output")
    told = rest.columns.intersection(["reason", "finding"])
    rest[told] = rest[told].apply(lambda texts: texts.str.replace(r"\n", ", ", regex=False))
    return pd.concat([parts.set_axis(["option", "output"], axis=1), rest], axis=1).assign(by=by)
