"""The Python face of measures: `margin.improve(case)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.load import as_case
from margin.case.types import Case
from margin.design.measures import (
    Effort,
    Engine,
    Improvement,
    Measures,
    SetResult,
    cheapest,
    load_measures,
    propose,
)
from margin.design.measures.tables import cost_frame, path_frame, sets_frame, worth_frame
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.report import measures_figure, measures_page
from margin.report.shown import Shown, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BESIDE = "measures.toml"
"""File of measures that is read where it stands beside the case."""


@dataclass(frozen=True, repr=False)
class ImproveStudy(Shown):
    """The cheapest set of measures that reaches the required yield. Printing it shows the answer first.

    >>> import margin
    >>> found = margin.improve("case.toml")
    >>> found.verdict
    'conforms'
    >>> figure = found.yield_over_cost()
    """

    case: Case
    found: Improvement

    @property
    def verdict(self) -> Verdict:
        """'conforms' where a set was confirmed, 'does not conform' where every set was rejected, else 'undecided'."""
        return self.found.verdict

    @property
    def answer(self) -> SetResult | None:
        """The cheapest set, with its changes of the case and the command that estimates it; None without one."""
        return self.found.answer

    @property
    def sets(self) -> pd.DataFrame:
        """The answer, sets left open, next-best sets and today's design.

        Columns:
            standing    [text]  'answer', 'undecided', 'next best' or 'today'
            set         [text]  its measures
            option      [text]  calibration option in force
            verdict     [text]  of the lower bound against the required yield
            stage       [text]  'screened' on few units or 'confirmed' on many
            yield (_low, _high)  [1]  decisive yield with its interval
            lower_bound (_low, _high)  [1]  its lower bound with its interval
            units       [1]     drawn
            seconds     [s]     station time of a unit
            made_cost   [money] cost of a unit as it leaves the station, in the currency of the prices
            good_cost (_low, _high)  [money]  cost of a good unit, with the interval of the yield
            command     [text]  that estimates the case with the set
        """
        return sets_frame(self.found)

    @property
    def path(self) -> pd.DataFrame:
        """Steps from today's design to the answer, the best next measure first; empty without an answer.

        Columns:
            added       [text]  measure that the step adds
            set         [text]  measures so far
            option      [text]  calibration option in force
            verdict     [text]  of the lower bound against the required yield
            stage       [text]  'confirmed': on many units
            yield (_low, _high)  [1]  decisive yield with its interval
            lower_bound (_low, _high)  [1]  its lower bound with its interval
            units       [1]     drawn
            seconds     [s]     station time of a unit
            made_cost   [money] cost of a unit as it leaves the station
            good_cost (_low, _high)  [money]  cost of a good unit, with the interval of the yield
            command     [text]  that estimates the case with the measures so far
        """
        return path_frame(self.found)

    @property
    def worth(self) -> pd.DataFrame:
        """What each measure brings alone, and what the answer would lose without it; changes are paired.

        Columns:
            measure     [text]  its name
            group       [text]  of which at most one measure is taken, '' for none
            in_answer   [bool]  whether the answer holds it
            added_cost  [money] what it alone adds to a unit made today
            yield_alone (_low, _high)  [1]  yield of today's design with it; none where the case refuses it
            change_alone (_low, _high)  [1]  change of the yield by it alone
            yield_without (_low, _high)  [1]  yield of the answer without it; none where it is not part of it
            change_in_answer (_low, _high)  [1]  what it adds to the yield of the answer
            verdict_without  [text]  of the answer without it, on few units
            source      [text]  of its cost
        """
        return worth_frame(self.found)

    @property
    def costs(self) -> pd.DataFrame:
        """Parts of the cost of a good unit.

        Columns:
            part         [text]  what is paid for; 'a unit made' and 'a good unit' are sums
            today_cost   [money] of today's design
            answer_cost  [money] of the answer; none without one
        """
        return cost_frame(self.found)

    def yield_over_cost(self) -> Figure:
        """Yield and lower bound (%) over the cost of a unit made, one measure a step, with intervals.

        The figure belongs to no window (see `margin.report.drawing.Drawing`): name it last in a notebook cell, or
        `savefig` it.
        """
        return drawn(lambda: measures_figure.yield_over_cost(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, JSON, CSV and figure; the path of the page. `replace`: also in place of another report."""
        return measures_page.write(self.case, self.found, Path(folder), replace=replace)

    def __str__(self) -> str:
        return measures_page.render(self.case, self.found)

    def _repr_html_(self) -> str:
        return measures_page.notebook_html(self.case, self.found)


def measures_for(
    case: Case, measures: Measures | str | Path | None, option: str | None, workers: int | None = None
) -> Measures:
    """Measures given, of a file, of `measures.toml` beside the case, or else proposed from the case.

    option  today's calibration where they are proposed. Raises CaseError for a file with faults.
    """
    beside = None if case.path is None else case.path.parent / BESIDE
    given = measures if measures is not None or beside is None or not beside.is_file() else beside
    if given is None:
        return propose(case, option, workers=workers)
    found = given if isinstance(given, Measures) else load_measures(given, case)
    if option is not None and option != found.option:
        where = "the measures given" if found.path is None else str(found.path)
        raise InvalidArgument(
            f"today's calibration is stated by {where} ({found.option!r}): leave the option out"
        )
    return found


def improve(
    case: Case | str | Path,
    measures: Measures | str | Path | None = None,
    *,
    option: str | None = None,
    effort: Effort | None = None,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> ImproveStudy:
    """The cheapest set of measures with which a case, or that of the file at a path, reaches its required yield.

    measures  to choose from, or the path of their file; by default `measures.toml` beside the case, else they are
              proposed from the case with prices to be replaced
    option    today's calibration where measures are proposed; by default the first of the case
    effort    where the search ends at the latest
    workers   threads; the results do not depend on it

    Raises CaseError for a case or file with faults, InvalidArgument as `cheapest`.

    >>> import margin
    >>> found = margin.improve("case.toml")
    >>> found.answer.names
    ('calibration: one-point',)
    >>> "--change" in found.answer.command
    False
    """
    case = as_case(case)
    chosen = measures_for(case, measures, option, workers)
    need = case.requirement
    found = cheapest(
        chosen,
        Engine(case, chosen, workers=workers),
        target=need.target,
        confidence=need.confidence,
        case=case,
        effort=effort,
        stage=stage,
    )
    return ImproveStudy(case, found)
