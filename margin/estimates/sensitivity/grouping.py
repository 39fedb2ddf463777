"""From named factors to the groups that a Sobol study moves together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from distributions.errors import MarginError
from margin.estimates.sensitivity.scrambled_points import Array

By = Literal["factor", "part", "level", "cause"]


@dataclass(frozen=True)
class FactorLabels:
    """A factor and what an engineer may sort it by."""

    factor: str
    part: str
    level: str
    cause: str


class DependentGroups(MarginError, ValueError):
    """Groups that a correlation ties together: Sobol indices of them mean nothing."""


def group_columns(
    factors: Sequence[FactorLabels], by: By = "factor", correlated: Iterable[Iterable[str]] = ()
) -> tuple[str, ...]:
    """The group of each factor, in order, fit for a study by groups.

    by          what makes a group
    correlated  sets of factor names that depend on each other; the groups they touch become one, named
                'a + b' in order of first appearance. Sets that share a factor merge.

    Raises ValueError for an unknown or doubled factor name or an unknown `by`.
    """
    if by not in ("factor", "part", "level", "cause"):
        raise ValueError(f"cannot group by {by!r}; there are 'factor', 'part', 'level' and 'cause'")
    names = [labels.factor for labels in factors]
    if len(set(names)) != len(names):
        doubled = sorted({name for name in names if names.count(name) > 1})
        raise ValueError(f"factors named more than once: {doubled}; give each factor its own name")
    label_of = {labels.factor: str(getattr(labels, by)) for labels in factors}
    order = list(dict.fromkeys(label_of.values()))
    merged: dict[str, frozenset[str]] = {label: frozenset({label}) for label in order}
    for tied in correlated:
        members = tuple(tied)
        unknown = [name for name in members if name not in label_of]
        if unknown:
            raise ValueError(f"correlated factors {unknown} do not exist; there are {names}")
        union: frozenset[str] = frozenset().union(*(merged[label_of[name]] for name in members))
        merged.update(dict.fromkeys(union, union))
    return tuple(" + ".join(sorted(merged[label_of[name]], key=order.index)) for name in names)


def check_independent(groups: Sequence[str], correlation: Array, tolerance: float = 1e-12) -> None:
    """Raise DependentGroups where a correlation, (c, c), ties columns of different groups.

    groups  group of each column. Correlations within a group are allowed.
    """
    matrix = np.asarray(correlation, dtype=float)
    if matrix.shape != (len(groups), len(groups)):
        raise ValueError(
            f"correlation has shape {matrix.shape} for {len(groups)} columns; give one row and column each"
        )
    label = np.array(groups, dtype=object)
    across = (label[:, np.newaxis] != label) & (np.abs(matrix) > tolerance)
    pairs = {tuple(sorted((str(label[i]), str(label[j])))) for i, j in np.argwhere(across)}
    if pairs:
        named = ", ".join(f"{one!r} and {other!r}" for one, other in sorted(pairs))
        raise DependentGroups(
            f"correlated across groups: {named}. A Sobol index of one of them alone has no meaning; put them "
            f"into one group (group_columns does, given the correlated sets) or use Shapley effects"
        )
