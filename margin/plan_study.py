"""The Python face of calibration plans: `margin.plan(case)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.load import as_case
from margin.case.types import Case
from margin.design.calibration_plan.planning import calibration_plan
from margin.design.calibration_plan.promise import PROMISE_UNITS
from margin.design.calibration_plan.result import CalibrationPlan
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.report import plan_figures, plan_page
from margin.report.shown import Shown, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class PlanStudy(Shown):
    """How to calibrate each unit. Printing it, or naming it in a notebook, shows the plan and the others.

    >>> import margin
    >>> plan = margin.plan("case.toml", units=1000)
    >>> plan.verdict
    'conforms'
    >>> print(plan.text)  # doctest: +ELLIPSIS
    [[calibration]]
    name = ...
    >>> figure = plan.yield_over_seconds()
    """

    found: CalibrationPlan

    @property
    def verdict(self) -> Verdict:
        """Of the plan chosen: 'conforms', 'does not conform' or 'undecided'."""
        return self.found.verdict

    @property
    def text(self) -> str:
        """The plan chosen as a `[[calibration]]` table to paste into the case."""
        return self.found.text

    @property
    def plans(self) -> pd.DataFrame:
        """Plans worth their time, one row each, the quickest first.

        Columns:
            plan        [text] name
            chosen      [bool] whether it is the quickest that conforms, else the one that comes nearest
            seconds     [s]    time on the station, a unit
            points      [1]    number of loads
            loads       [text] loads, ascending
            reloads     [1]    placements of each load, averaged
            direction   [text] branches of the load cycle that are used
            dwell       [s]    time under load before the signal is taken
            thermometer [bool] whether firmware corrects for the measured temperature
            space       [text] where the correction is a straight line or curve
            kind        [text] kind of calibration
            degree      [1]    of the polynomial of a multi-point calibration
            fit         [text] of a multi-point calibration
            tare        [bool] whether the unloaded signal is taken and removed first
            yield (_low, _high) [1] yield, with intervals that hold for all plans together
            lower_bound (_low, _high) [1] lower bound of the yield
            verdict     [text] of the lower bound against the required yield
            units       [1]    units drawn for these numbers
        """
        return self.found.table

    @property
    def reference(self) -> pd.DataFrame:
        """The reference load cell at the loads of the plan chosen and of the check, one row a load.

        Columns:
            load_N              [N]    load
            at                  [text] 'plan' or 'check'
            permissible_N       [N]    permissible error
            expanded_N          [N]    expanded uncertainty (k = 2) of the reference, one placement
            ratio               [1]    test uncertainty ratio: permissible error / expanded uncertainty
            expanded_averaged_N [N]    expanded uncertainty of the mean over the placements of the plan
            ratio_averaged      [1]    permissible error / that
        """
        return self.found.need.loads

    @property
    def reference_curve(self) -> pd.DataFrame:
        """Yield of the plan chosen with every error of the reference multiplied, one row a multiple.

        Columns:
            multiple    [1]    of the stated errors; 0: a perfect reference
            yield (_low, _high) [1] yield with its interval
            lower_bound (_low, _high) [1] lower bound of the yield
            verdict     [text] of the lower bound against the required yield
        """
        return self.found.need.curve

    def yield_over_seconds(self) -> Figure:
        """Yield and lower bound of each plan (%) with intervals against its time (s a unit)."""
        return drawn(lambda: plan_figures.yield_over_seconds(self.found))

    def loads_by_plan(self) -> Figure:
        """Loads of each plan on the load axis (N)."""
        return drawn(lambda: plan_figures.loads_by_plan(self.found))

    def yield_over_reference(self) -> Figure:
        """Yield and lower bound of the plan chosen (%) against the multiple of the reference's errors.

        InvalidArgument where the plan uses no load or the case states no error of the reference.
        """
        if not len(self.found.need.curve):
            raise InvalidArgument("the plan asks nothing of the reference, or the case states no error of it")
        return drawn(lambda: plan_figures.yield_over_reference(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON, CSV and TOML; the path of the page. `replace`: also over another case's report."""
        return plan_page.write(self.found, Path(folder), replace=replace)

    def __str__(self) -> str:
        return plan_page.render(self.found)

    def _repr_html_(self) -> str:
        return plan_page.notebook_html(self.found)


def plan(
    case: Case | str | Path,
    *,
    seconds: float | None = None,
    thermometer: bool | None = None,
    units: int = PROMISE_UNITS,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> PlanStudy:
    """The quickest calibration of each unit with which a case conforms, and what yield other times bring.

    case         or the path of its file
    seconds      longest time on the station, s a unit; None for any
    thermometer  True or False: with a temperature correction in firmware, or without; None tries both
    units        most units drawn for the yields

    Number, positions and space of the points, direction, reloads, dwell of the station and temperature correction are
    searched on common draws; the yields are estimated on others. Also how uncertain the station's reference may be.

    Raises CaseError for a path without a sound case, InvalidArgument for arguments that no plan can meet,
    EvaluationError where the chain gives no number.

    >>> import margin
    >>> plan = margin.plan("case.toml", seconds=30, units=1000)
    >>> plan.plans["yield"].is_monotonic_increasing
    True
    """
    case = as_case(case)
    return PlanStudy(
        calibration_plan(
            case, seconds=seconds, thermometer=thermometer, units=units, workers=workers, stage=stage
        )
    )
