"""Plan of the shares of a case: its columns with their labels, and the outputs of rows of uniforms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.backends.arrays import outcomes_of_errors
from margin.backends.compiled.units import CompiledUnits
from margin.backends.units import compiled_units
from margin.case.types import Case
from margin.chain.parameter import CAUSE_OF_ROLE, parameters_of
from margin.estimates.labels import ColumnLabels, labels_of
from margin.estimates.sensitivity import FactorLabels, FailedEvaluations, group_columns
from margin.estimates.sensitivity.grouping import By
from margin.estimates.shares.outputs import UnitOutputs, long_names
from margin.propagation.factors import varies_by_lot
from margin.propagation.frame import Frame
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked
from margin.propagation.points_source import Column, PointsEvaluator, columns_of
from margin.propagation.readings import use_conditions

Array = NDArray[np.float64]

DIRECTION = "use.direction (each loading)"
WHICH = Column("use.condition (which)", None, "in use")


def shares_frame(case: Case, units: int) -> Frame:
    """Frame of so many units, each with a lot and an outer draw of its own: rows of the plan are independent."""
    return Frame.of(case, Grouping(1, 1), units, varies_by_lot(case), units)


@dataclass(frozen=True)
class CaseOutputs:
    """Outputs of rows of uniforms, for every calibration option of a case (see `UnitOutputs`)."""

    evaluator: PointsEvaluator
    outputs: UnitOutputs
    which: bool
    kernel: CompiledUnits | None = None

    @classmethod
    def of(
        cls, model: Model, columns: tuple[Column, ...], *, tied: bool = True, rows: int = 1
    ) -> CaseOutputs:
        """For about so many rows of `columns`, with one more in front where the condition of use is drawn."""
        case = model.case
        return cls(
            PointsEvaluator(model, columns, tied),
            UnitOutputs.of(case, shares_frame(case, 1)),
            len(use_conditions(case)) > 1,
            compiled_units(model, shares_frame(case, rows), 1),
        )

    @property
    def names(self) -> tuple[str, ...]:
        """(option, output) joined by a line feed, which neither can hold."""
        return long_names(self.evaluator.case)

    def __call__(self, uniforms: Array) -> Array:
        drawn = uniforms[:, 1:] if self.which else uniforms
        found = None
        if self.kernel is not None:
            with np.errstate(all="ignore"):
                found = self.kernel.outcomes_of(self.evaluator.source(drawn), Asked(first=True))
        if found is None:
            errors = list(self.evaluator.errors(drawn).values())
            found = outcomes_of_errors(self.outputs.frame, errors, Asked(first=True))
        return self.outputs(found, uniforms[:, 0] if self.which else None)


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

    def outputs(self, *, tied: bool = True, rows: int = 1) -> CaseOutputs:
        """Outputs of about so many rows."""
        return CaseOutputs.of(self.model, self.columns, tied=tied, rows=rows)

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

    def redrawn(self, groups: tuple[str, ...]) -> dict[str, tuple[frozenset[str], bool]]:
        """Group -> names of its columns, and whether the condition of use is of it; groups: of each label, in order."""
        front = len(self.labels) - len(self.columns)
        own: dict[str, set[str]] = {group: set() for group in groups}
        for group, column in zip(groups[front:], self.columns, strict=True):
            own[group].add(column.name)
        drawn = set(groups[:front])
        return {group: (frozenset(names), group in drawn) for group, names in own.items()}

    def where_failed(self, failed: FailedEvaluations) -> str:
        """Which draws lie furthest out in the first failed run."""
        names = [one.labels.factor for one in self.labels]
        return furthest_out(zip(failed.inputs, names, strict=True), failed.count, failed.total)


def _labels_of_which(case: Case) -> ColumnLabels:
    """Labels of the choice among named conditions of use; its cause is 'temperature' where they state nothing else."""
    stated = {quantity.cause for condition in case.conditions for quantity in condition.quantities.values()}
    use = case.elements["use"]
    if any(condition.direction is not None for condition in case.conditions):
        stated.add(parameters_of(use.cls)["direction_draw"].cause_in(use.role))
    cause = stated.pop() if len(stated) == 1 else CAUSE_OF_ROLE[use.role]
    return ColumnLabels(FactorLabels(WHICH.name, use.role, "condition", cause), "within a unit")


def furthest_out(draws: Iterable[tuple[float, str]], failed: int, units: int) -> str:
    """How many units have no number, and which of the draws (uniform, factor) of the first of them lie furthest out."""
    furthest = sorted(draws, key=lambda one: -abs(one[0] - 0.5))[:3]
    told = ", ".join(f"{name} at its {100 * value:.2g} % point" for value, name in furthest)
    return (
        f"a force error is not a number in {failed} of {units} units; in the first of them the draws furthest out are "
        f"{told}. Look at the extremes of these spreads in the case"
    )


def long_frame(frame: pd.DataFrame, by: str) -> pd.DataFrame:
    """A frame of indices with option and output apart, and the grouping behind."""
    parts = frame["output"].str.split("\n", expand=True)
    rest = frame.drop(columns="output")
    told = rest.columns.intersection(["reason", "finding"])
    rest[told] = rest[told].apply(lambda texts: texts.str.replace(r"\n", ", ", regex=False))
    return pd.concat([parts.set_axis(["option", "output"], axis=1), rest], axis=1).assign(by=by)
