"""The Python face of what overturns a decision: `margin.overturn(case)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from margin.case.load import as_case
from margin.case.types import Case
from margin.design.overturning import Overturning, overturning
from margin.design.overturning.of_results import units_of
from margin.estimates.evaluate import evaluate
from margin.estimates.stages import Stage, no_progress
from margin.report import overturn_figures, overturn_page
from margin.report.shown import Shown, drawn, require_known

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class OverturnStudy(Shown):
    """What would overturn a decision. Printing it, or naming it in a notebook, shows the nearest turning values.

    >>> import margin
    >>> found = margin.overturn("case.toml", "one-point", pairs=False)
    >>> found.values["quantity"].iloc[0]
    'sensor.sensitivity'
    >>> figure = found.turning_values_by_quantity()
    """

    found: Overturning
    command: str = ""
    """Command from which the changes go on; '': 'margin estimate FILE'."""

    @property
    def values(self) -> pd.DataFrame:
        """Turning values, one row a move of an assumed quantity, the nearest first.

        Columns:
            quantity                [text] as the case names it
            level                   [text] at which its spread varies, for the size of one; else ''
            kind                    [text] 'size' of a spread, mean 'value', or true size of an 'effect' within a band
            measure                 [text] what the numbers are: 'half width', 'standard deviation', 'mean', ...
            direction               [text] side of the turning value on which the design conforms
            unit                    [text] of the numbers; '%' of nominal for the size of a relative spread
            assumed                 [SI]   as assumed, in the unit of `unit`
            plausible_low, plausible_high [SI] what is plausible: limits, two standard deviations, or half to twice
            value (_low, _high)     [SI]   where the verdict turns, with its interval; none where it does not
            multiple                [1]    turning size over the assumed one; none for a mean or a true value
            score (_low, _high)     [1]    distance from the assumed value in standard scores
            searched_to             [1]    standard scores up to which was searched
            held_at                 [text] what ended the search before its usual range; '' where nothing did
            bound_there             [1]    lower bound at the end of the search where the verdict does not turn
            units                   [1]    units drawn for each bound
            change                  [text] 'key=value' of the turning value, for `--change`
        """
        return self.found.frame()

    @property
    def pairs(self) -> pd.DataFrame:
        """Pairs of the nearest quantities, moved by the same number of standard scores, the nearest first.

        Columns:
            first, first_kind, first_direction [text] a quantity, as in the turning values
            first_value             [SI]   its number where the two turn the verdict together
            second, second_kind, second_direction [text] the other quantity
            second_value            [SI]   its number there
            score (_low, _high)     [1]    distance of both from what is assumed, in standard scores
            first_alone, second_alone [1]  distance at which each turns the verdict alone
            units                   [1]    units drawn for each bound
            change                  [text] changes of both, separated by '; '
        """
        return self.found.pairs_frame()

    @property
    def sentences(self) -> tuple[str, ...]:
        """The nearest turning values in words."""
        return overturn_page.sentences(self.found)

    def turning_values_by_quantity(self, *, most: int = 12) -> Figure:
        """Turning value of each quantity as its distance from the assumed value (standard scores), with its interval.

        most  rows drawn, at most
        """
        return drawn(lambda: overturn_figures.turning_values_by_quantity(self.found, most=most))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figure, JSON and CSV; the path of the page. `replace`: also in place of another case's."""
        return overturn_page.write(self.found, Path(folder), self.command, replace=replace)

    def __str__(self) -> str:
        return overturn_page.render(self.found, self.command)

    def _repr_html_(self) -> str:
        return overturn_page.notebook_html(self.found, self.command)


def overturn(
    case: Case | str | Path,
    option: str | None = None,
    *,
    units: int | None = None,
    pairs: bool = True,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> OverturnStudy:
    """The values of assumed quantities at which the verdict on a case, or on that of the file at a path, turns.

    option  calibration option; by default the one that a study of the case recommends, or that comes nearest
    units   drawn for each bound; by default those of that study, or 102 400 with an option
    pairs   False leaves out pairs of quantities

    Raises CaseError for a path without a sound case, InvalidArgument for an unknown option or too few units,
    EvaluationError where the chain gives no number; all are ValueError.

    >>> import margin
    >>> found = margin.overturn("case.toml", "one-point", pairs=False)
    >>> found.sentences[0]  # doctest: +ELLIPSIS
    'conforms as long as the mean of sensor.sensitivity stays below ...'
    """
    case = as_case(case)
    outer = None
    if option is None:
        results = evaluate(case, with_budget=False, workers=workers, stage=stage)
        option = results.focus.name
        if units is None:
            units, outer = units_of(results)
    else:
        require_known("calibration option", option, (one.name for one in case.calibrations))
    found = overturning(case, option, units=units, outer=outer, pairs=pairs, workers=workers, stage=stage)
    return OverturnStudy(found)
