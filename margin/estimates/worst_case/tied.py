"""Variables that are one draw: quantities with a rank correlation of 1 or -1 move together in the bounded search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.worst_case.search import Found
from margin.estimates.worst_case.variables import Variable
from margin.propagation.dependence import DependentGroup

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Tied:
    """Which variable each one follows, (variable,): itself, or an earlier one of the same draw.

    sign  -1 where it goes to its low limit as the one it follows goes to its high limit

    A spread known from few units is not tied: mean and standard deviation have draws of their own.
    """

    variables: tuple[Variable, ...]
    lead: Index
    sign: Array

    @classmethod
    def of(cls, variables: tuple[Variable, ...], groups: tuple[DependentGroup, ...]) -> Tied:
        """By the correlations of the groups, between variables of one event and load."""
        lead = np.arange(len(variables))
        sign = np.ones(len(variables))
        for group in groups:
            signs = {frozenset((group.names[i], group.names[j])): each for i, j, each in group.one_draw}
            members = [(i, v) for i, v in enumerate(variables) if v.factor.name in group.names]
            for place, (j, follower) in enumerate(members):
                for i, leader in members[:place]:
                    names = frozenset((leader.factor.name, follower.factor.name))
                    same = (leader.stream, leader.place) == (follower.stream, follower.place)
                    if same and lead[i] == i and names in signs:
                        lead[j], sign[j] = i, signs[names]
                        break
        return cls(variables, lead, sign)

    @property
    def free(self) -> Index:
        """Variables that follow no other."""
        return np.flatnonzero(self.lead == np.arange(self.lead.size))

    @property
    def any(self) -> bool:
        """Whether a variable follows another."""
        return self.free.size < self.lead.size

    def expanded(self, rows: Array) -> Array:
        """Rows of all variables, (..., variable), from those of the free ones.

        A follower goes from its low limit over its centre to its high limit as its leader does, straight between.
        """
        full = np.empty((*rows.shape[:-1], self.lead.size))
        full[..., self.free] = rows
        for j in np.flatnonzero(self.lead != np.arange(self.lead.size)):
            leader, follower = self.variables[self.lead[j]], self.variables[j]
            at = [leader.low, leader.centre, leader.high]
            to = [follower.low, follower.centre, follower.high][:: int(self.sign[j])]
            if not leader.low < leader.centre < leader.high:
                at, to = at[::2], to[::2]
            full[..., j] = np.interp(full[..., self.lead[j]], at, to)
        return full

    def found(self, reduced: Found) -> Found:
        """Extremes in all variables; what goes with a tied draw is counted once, at its leader."""
        change = np.zeros((*reduced.change.shape[:-1], self.lead.size))
        change[..., self.free] = reduced.change
        return Found(reduced.error, self.expanded(reduced.corner), change, reduced.rows)
