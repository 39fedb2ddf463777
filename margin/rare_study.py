"""The Python face of rare failures: `margin.rare(case, option)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.load import as_case
from margin.case.types import Case
from margin.estimates.failing_unit import COLUMNS, FailingUnit
from margin.estimates.rare import RareResult
from margin.estimates.rare_failures import RareFailures, rare_failures
from margin.estimates.stages import Stage, no_progress
from margin.report import rare_figures, rare_page
from margin.report.shown import Shown, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class RareStudy(Shown):
    """How rarely a unit fails. Printing it, or naming it in a notebook, shows how rarely, and which unit first.

    >>> import margin
    >>> rare = margin.rare("case.toml", "none", target_cv=0.5, budget=4000)
    >>> rare.result.method
    'crude'
    >>> figure = rare.failing_unit_by_factor()
    """

    found: RareFailures
    command: str | None = None
    """Command that made the study, with which the page says how to run it again; None: the call in Python."""

    @property
    def result(self) -> RareResult:
        """Probability, interval, method, evaluations, warnings."""
        return self.found.result

    @property
    def unit(self) -> FailingUnit | None:
        """The most probable failing unit, and where it fails; None where none was seen."""
        return self.found.unit

    @property
    def parts(self) -> pd.DataFrame:
        """What makes that unit fail, one row a factor away from its median, the furthest first; empty without a unit.

        Columns:
            factor    [text] factor
            where     [text] where it is drawn ('in use, cool morning, 20 N'), '' for what holds for the unit
            score     [1]    deviation from the median in standard deviations of a normal
            deviation [SI]   from nominal: a ratio where `relative`, else SI units or a standardised draw; none for
                             epistemic uncertainty
            relative  [bool] whether the deviation is a ratio
            value     [text] the value in the units of the case
        """
        return pd.DataFrame(columns=list(COLUMNS)) if self.found.unit is None else self.found.unit.parts

    def failing_unit_by_factor(self, *, most: int = 12) -> Figure:
        """Deviation of each factor of the most probable failing unit from its median (standard deviations).

        most  factors drawn, at most; the rest are counted

        InvalidArgument where no failing unit was seen. The figure belongs to no window (see
        `margin.report.drawing.Drawing`): name it last in a notebook cell, or `savefig` it.
        """
        unit = self.found.unit
        if unit is None:
            raise InvalidArgument("no failing unit was seen: there is none to draw")
        return drawn(lambda: rare_figures.failing_unit_by_factor(unit, most=most))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figure, JSON and CSV; the path of the page. `replace`: also over the report of another case."""
        return rare_page.write(self.found, Path(folder), replace=replace, command=self.command)

    def __str__(self) -> str:
        return rare_page.render(self.found)

    def _repr_html_(self) -> str:
        return rare_page.notebook_html(self.found)


def rare(
    case: Case | str | Path,
    option: str | None = None,
    *,
    target_cv: float = 0.1,
    budget: int = 200_000,
    stage: Stage = no_progress,
) -> RareStudy:
    """How rarely a unit of a case, or of that of the file at a path, fails with one calibration option, down to 1e-7.

    The first option by default. See `rare_failures` for the arguments and errors; CaseError for a path without a sound
    case.

    >>> import margin
    >>> found = margin.rare("case.toml", "none", target_cv=0.5, budget=4000)
    >>> 0.0 <= found.result.low <= found.result.probability <= found.result.high <= 1.0
    True
    >>> found.parts["factor"].iloc[0]
    'sensor.sensitivity per unit'
    """
    case = as_case(case)
    name = case.calibrations[0].name if option is None else option
    return RareStudy(rare_failures(case, name, target_cv=target_cv, budget=budget, stage=stage))
