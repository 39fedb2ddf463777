"""Shares of the variance of the force error, as data."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from margin.case.types import Case
from margin.estimates.sensitivity import Refinement

MOST_ADVISED = 10_000_000_000
"""Units that could be drawn in days; more are not advised."""


@dataclass(frozen=True)
class Runs:
    """How much was evaluated for one grouping, and why it ended.

    stopped_by  'width': every interval is at most `width` wide; 'budget': the next doubling would cost too much
    widest      full width of the widest interval of an index
    more        units still needed for `width`, by the root law
    """

    by: str
    groups: int
    base: int
    runs: int
    widest: float
    width: float
    stopped_by: str
    more: int

    @classmethod
    def of(cls, by: str, found: Refinement, width: float) -> Runs:
        design, last = found.indices.design, found.history.iloc[-1]
        return cls(
            by,
            len(design.names),
            design.base,
            design.runs,
            float(last["widest"]),
            width,
            found.stopped_by,
            found.runs_more,
        )

    @property
    def told(self) -> str:
        """One sentence."""
        done = f"by {self.by}: {self.runs} units ({self.base} base points, {self.groups} groups)"
        if self.stopped_by == "width":
            return f"{done}; every interval is at most {self.width:g} wide"
        mend = (
            f"about {self.more} more would do it"
            if self.more <= MOST_ADVISED
            else "more than can be drawn would be needed"
        )
        return (
            f"{done}; the widest interval is {self.widest:.2g} wide where {self.width:g} was wanted: the budget of "
            f"units was spent, {mend}"
        )


@dataclass(frozen=True)
class ErrorShares:
    """Sobol indices of the force error. Outputs are 'error at L N', 'largest error of a unit', 'conformity margin'.

    indices      one row an option, output, grouping (`by`) and group, columns as `SobolIndices.to_frame`
    sums         one row an option, output and grouping: variance, sums of the orders, finding
    scopes       one row an option and output: standard_deviation and the shares common, between, within, each with
                 _low and _high: common to all units, from unit to unit (what a calibration could remove), within a
                 unit (what no calibration of the unit removes)
    over_temperature  the indices by cause at fixed temperatures in use, with temperature_degC, standard_deviation
                 and mean of the output; None where not asked for
    second       one row an option, output and pair of groups; None where not asked for
    shapley      one row an option, output and factor; None where not asked for
    dependent    factors that are one group because they depend on each other
    inert        groups that change no output of any option: did they reach the model?
    """

    case: Case
    indices: pd.DataFrame
    sums: pd.DataFrame
    scopes: pd.DataFrame
    over_temperature: pd.DataFrame | None
    second: pd.DataFrame | None
    shapley: pd.DataFrame | None
    runs: tuple[Runs, ...]
    dependent: tuple[str, ...]
    inert: tuple[str, ...]
