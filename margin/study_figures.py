"""Figures that finished studies carry: each method draws a new matplotlib figure in the style of the report.

Curves are named `..._over_...`, one mark a category `..._by_...`. A figure belongs to no window (see
`margin.report.drawing.Drawing`): name it last in a notebook cell, or `savefig` it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from distributions.errors import InvalidArgument
from margin.estimates.comparison_result import Comparison
from margin.estimates.error_budget import GROUPINGS, ErrorBudget
from margin.estimates.error_map import error_map
from margin.estimates.results import Results
from margin.estimates.sensitivity.grouping import By
from margin.estimates.shares import MARGIN, ErrorShares
from margin.report import budget_figures, comparison, convergence, error_map_figure, figures
from margin.report.shown import Shown, drawn, require_known

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class StudyFigures(Shown):
    """Figures of a study. Where an option may be left out, the recommended one is meant, else the best.

    InvalidArgument for an option that the study does not have, and where it lacks what is to be drawn.
    """

    results: Results

    def error_over_load(
        self, option: str | None = None, *, condition: str = "all", units: int = 8, newtons: bool = False
    ) -> Figure:
        """Error as a fraction of the permissible error over load (N): median, 5 to 95 % and 0.5 to 99.5 % bands.

        option     one calibration option; None: each beside the others
        condition  a named condition of use; 'all' pools them
        units      single units drawn as grey lines, at most
        newtons    the force error itself (N), with the permissible error as lines
        """
        if option is None:
            return drawn(
                lambda: figures.error_over_load_panels(
                    self.results, condition=condition, units=units, newtons=newtons
                )
            )
        name = self._option(option)
        return drawn(
            lambda: figures.error_over_load(
                self.results, name, condition=condition, units=units, newtons=newtons
            )
        )

    def error_by_option(self) -> Figure:
        """95 % point of |error| as a fraction of the permissible error over load (N), a line an option."""
        return drawn(lambda: figures.error_by_option(self.results))

    def error_over_temperature(self, option: str | None = None) -> Figure:
        """95 % point of |error| as a fraction of the permissible error over load (N) and temperature in use (degC)."""
        name = self._option(option)
        found = error_map(self.results.case, name)
        if found is None:
            raise InvalidArgument("the temperature in use does not vary in this case")
        return drawn(lambda: error_map_figure.error_over_temperature(found))

    def error_by_condition(self, option: str | None = None) -> Figure:
        """Force error (N) in each condition of use, at the load where it comes closest to the permissible error."""
        name = self._option(option)
        return drawn(lambda: figures.error_by_condition(self.results, name))

    def yield_by_option(self) -> Figure:
        """Decisive yield (%) of each calibration option and its lower bound, with intervals, and the target."""
        return drawn(lambda: figures.yield_by_option(self.results))

    def yield_over_limit(self, *, failing: bool = False) -> Figure:
        """Units within at every check point (%) over the permissible error as a multiple of the required one.

        failing  the rest instead, in parts per million
        """
        return drawn(lambda: figures.yield_against_limit(self.results, failing=failing))

    def yield_by_cause(self, option: str | None = None, *, most: int = 10) -> Figure:
        """Change of the yield (percentage points) with each cause frozen and halved, with intervals, by rank.

        most  causes drawn, at most; the rest are counted
        """
        if self.results.budget.empty:
            raise InvalidArgument("this study has no budget: estimate with budget=True")
        name = self._option(option)
        return drawn(lambda: figures.budget_bars(self.results, name, most=most))

    def largest_error_by_option(self) -> Figure:
        """Largest error of a unit, as a multiple of the permissible one, that the required yield keeps to."""
        return drawn(lambda: figures.largest_error(self.results))

    def worst_case_over_load(self, option: str | None = None) -> Figure:
        """Worst case over the permissible error at each check load (N) three ways, against limits at -1 and 1."""
        name = self._option(option)
        return drawn(lambda: figures.worst_case_ways(self.results, name))

    def lower_bound_over_draws(self, option: str | None = None) -> Figure:
        """Lower bound of the yield (%) after ever more outer draws, with its interval."""
        name = self._option(option)
        return drawn(lambda: convergence.lower_bound_over_draws(self.results, name))

    def effects_by_cause(self, option: str | None = None, *, output: str = MARGIN, most: int = 12) -> Figure:
        """Main and total effects of causes on an output (% of its variance), with intervals.

        output  'conformity margin', 'failing unit' or 'error at ... N' of a check load
        """
        name, shares = self._option(option), self.results.shares
        if shares is None:
            raise InvalidArgument("this study has no effects of causes: estimate with budget=True")
        return _effects(shares, name, output, str(shares.effects["by"].iloc[0]), most)

    def _option(self, option: str | None) -> str:
        if option is None:
            return self.results.focus.name
        return require_known("calibration option", option, (one.name for one in self.results.options))


@dataclass(frozen=True, repr=False)
class PairedFigures(Shown):
    """Figures of two studies on the same draws."""

    comparison: Comparison

    def difference_by_option(self) -> Figure:
        """Difference of the yields (percentage points), second less first, with its interval, option by option."""
        return drawn(lambda: comparison.difference_by_option(self.comparison))


@dataclass(frozen=True, repr=False)
class BudgetFigures(Shown):
    """Figures of an error budget. Where an option may be left out, that of the budget's page is meant.

    InvalidArgument for an option, output or grouping that the budget does not have.
    """

    budget: ErrorBudget
    option: str

    def effects_by_cause(
        self, output: str = MARGIN, *, option: str | None = None, by: By = "factor", most: int = 12
    ) -> Figure:
        """Main and total effects on an output (% of its variance), with intervals, the largest total effect on top.

        output  'conformity margin', 'failing unit' or 'error at ... N' of a check load
        by      'factor', 'part', 'level' or 'cause'
        most    groups drawn, at most; the rest are counted
        """
        return _effects(self.budget.shares, self._option(option), output, self._by(by), most)

    def failures_by_cause(self, *, option: str | None = None, by: By = "factor", most: int = 12) -> Figure:
        """Failing units (%) that would conform had one group alone been drawn afresh, with intervals."""
        name, group = self._option(option), self._by(by)
        return drawn(lambda: budget_figures.cured_dots(self.budget.shares, name, by=group, most=most))

    def error_by_change(self, *, option: str | None = None, by: By = "factor", most: int = 10) -> Figure:
        """95 % point of |error| (N) with one spread frozen, halved or doubled, with intervals."""
        name, group = self._option(option), self._by(by)
        return drawn(lambda: budget_figures.action_bars(self.budget, name, by=group, most=most))

    def effects_over_load(self, *, option: str | None = None) -> Figure:
        """Main effects of the leading causes on the force error (% of its variance) over load (N), with intervals."""
        name = self._option(option)
        return drawn(lambda: budget_figures.shares_over_load(self.budget.shares, name))

    def scopes_over_load(self, *, option: str | None = None) -> Figure:
        """Shares of the variance (%) over load (N), with intervals: common, from unit to unit, within a unit."""
        name = self._option(option)
        return drawn(lambda: budget_figures.scopes_over_load(self.budget.shares, name))

    def spread_over_load(self, *, option: str | None = None) -> Figure:
        """Standard deviation of the force error (N) over load (N): all of it, and each scope, with intervals."""
        name = self._option(option)
        return drawn(lambda: budget_figures.spread_over_load(self.budget.shares, name))

    def effects_over_temperature(self, output: str | None = None, *, option: str | None = None) -> Figure:
        """Main effects of the leading causes (% of the variance) at temperatures in use (degC), with intervals.

        output  as for `effects_by_cause`; None: the error at the check load in the middle
        """
        shares, name = self.budget.shares, self._option(option)
        loads = shares.case.check_loads
        wanted = f"error at {loads[len(loads) // 2]:g} N" if output is None else output
        found = shares.over_temperature
        if found is None or found["temperature_degC"].nunique() < 2:
            raise InvalidArgument("the temperature in use does not vary in this case")
        require_known("output", wanted, found["output"])
        return drawn(lambda: budget_figures.shares_over_temperature(shares, name, wanted))

    def _option(self, option: str | None) -> str:
        if option is None:
            return self.option
        return require_known("calibration option", option, self.budget.actions["option"])

    @staticmethod
    def _by(by: str) -> str:
        return require_known("grouping", by, GROUPINGS)


def _effects(shares: ErrorShares, option: str, output: str, by: str, most: int) -> Figure:
    require_known("output", output, shares.effects["output"])
    return drawn(lambda: budget_figures.effect_dots(shares, option, output, by=by, most=most))
