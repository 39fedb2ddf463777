"""Finished studies: tables as pandas frames, figures as methods, one screen printed, a report on disk.

Under 'Columns' each table lists its columns: name with those of its interval, unit ([1] a ratio or count, [SI] the unit
stated beside it), and meaning.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from margin.design.overturning import Overturning
from margin.design.overturning.of_results import of_results
from margin.estimates.error_map import error_map
from margin.estimates.shares import ErrorShares
from margin.estimates.stages import Stage, no_progress
from margin.estimates.what_if import what_if_payload
from margin.estimates.yield_result import Verdict
from margin.report import budget_page, files, frames, overturn_page, terminal
from margin.report import comparison as comparison_report
from margin.study_figures import BudgetFigures, PairedFigures, StudyFigures


@dataclass(frozen=True, repr=False)
class Study(StudyFigures):
    """A finished study. `results` contains everything; printing it, or naming it in a notebook, shows one screen.

    Tables are pandas frames, figures methods that give a matplotlib figure (`study.error_over_load()`).

    >>> import margin
    >>> study = margin.estimate("case.toml", budget=False)
    >>> study.conforms, study.yields["verdict"].tolist()
    (True, ['does not conform', 'conforms'])
    >>> figure = study.error_by_condition("one-point")
    """

    command: str | None = None
    """Command that made the study, from which 'What if' on the page goes on; None: 'margin estimate FILE'."""

    overturning: Overturning | None = None
    """What would overturn the decision, where it was asked for (see `with_overturning`): part of screen and page."""

    @property
    def conforms(self) -> bool:
        """Whether an option reaches the required yield with its lower bound, and the design checks are kept."""
        return self.results.conforms

    @property
    def verdict(self) -> Verdict:
        """'conforms', 'does not conform', or 'undecided' by the units drawn."""
        return self.results.verdict

    @property
    def yields(self) -> pd.DataFrame:
        """Decisive yield of each calibration option, one row an option.

        Columns:
            option                        [text] calibration option
            counts                        [text] what the requirement counts: units or readings
            yield (_low, _high)           [1]    share that conforms, with the interval that finite draws leave
            knowledge_low, knowledge_high [1]    5 % and 95 % points over the outer draws; none where there is one
            known_low (_low, _high)       [1]    the 5 % point with the interval that finite draws leave to it
            lots_low, lots_high           [1]    5 % and 95 % points over lots; none where lots are alike
            lower_bound                   [1]    what the requirement is held against
            largest_ratio (_low, _high)   [1]    largest error of a unit, as a multiple of the permissible one, that the
                                                 required share of units keeps to
            seconds                       [s]    on the calibration station, a unit
            readings_bias                 [1]    change of the yield where half as many readings judge a unit
            verdict                       [text] 'conforms', 'does not conform' or 'undecided'
            conforms                      [bool] whether the verdict is 'conforms'
        """
        return frames.yields_frame(self.results)

    @property
    def errors(self) -> pd.DataFrame:
        """Percentiles of the force error, one row an option, condition and check load.

        Columns:
            option                  [text] calibration option
            condition               [text] condition of use; 'all' pools them
            load_N                  [N]    check load
            permissible_N           [N]    permissible error there
            mean_N, sd_N            [N]    mean and standard deviation of the error, from bins of 1/128 of the value
            smallest_N, largest_N   [N]    least and greatest error drawn
            p0_5_N (_low, _high)    [N]    0.5 % point with its interval
            p2_5_N (_low, _high)    [N]    2.5 % point
            p5_N (_low, _high)      [N]    5 % point
            p50_N (_low, _high)     [N]    median
            p95_N (_low, _high)     [N]    95 % point
            p97_5_N (_low, _high)   [N]    97.5 % point
            p99_5_N (_low, _high)   [N]    99.5 % point
            p95_abs_N (_low, _high) [N]    95 % point of |error|
            p95_abs_reading         [%]    the same, of reading; none at zero load
            p95_abs_span            [%]    the same, of span
        """
        return frames.errors_frame(self.results)

    @property
    def budget(self) -> pd.DataFrame:
        """What each cause, frozen or halved, does to error and yield; empty for a study without a budget.

        Columns:
            option                       [text] calibration option
            by                           [text] what makes a line: 'factor', 'part', 'level' or 'cause'
            factor                       [text] name of the line
            part                         [text] part of the chain that it belongs to
            level                        [text] level at which it varies
            change                       [text] 'frozen' or 'halved'
            yield                        [1]    decisive yield after the change
            yield_change (_low, _high)   [1]    what the change brings, with its interval on the same draws
            error_N                      [N]    95 % point of |error| over all readings after the change
            error_change_N (_low, _high) [N]    what the change brings, with its interval
            rank                         [1]    place by the change of error; unresolved ties share one
            verdict                      [text] 'resolved' or 'below resolution'
            units                        [1]    units drawn again under every change
        """
        return self.results.budget

    @property
    def worst_cases(self) -> pd.DataFrame:
        """Worst case three ways over all conditions of use, one row an option and check load.

        Columns:
            option                               [text] calibration option
            load_N                               [N]    check load
            extreme_low_N, extreme_high_N        [N]    extreme values: every cause searched within its limits
            rss_mean_N, root_sum_square_N        [N]    centre, and half width (k = 3) of the root sum square
            rss_second_mean_N                    [N]    centre with terms of second order
            root_sum_square_second_N             [N]    half width with terms of second order
            monte_carlo_low_N, monte_carlo_high_N [N]   0.135 % and 99.865 % points of the draws
            extreme_over_draws                   [1]    half width of the extreme values over that of the draws
            rss_over_draws                       [1]    half width of the root sum square over that of the draws
            verdict                              [text] how the three compare
            why                                  [text] causes of a difference
        """
        return frames.worst_case_frame(self.results)

    @property
    def checks(self) -> pd.DataFrame:
        """The design checks beside the error, one row a check.

        Columns:
            name    [text] what is checked
            value   [SI]   of the unit that 99.9 % are better than, in the worst condition, in the unit of `unit`
            limit   [SI]   in the unit of `unit`; none where there is no limit
            unit    [text] of value and limit
            margin  [1]    relative distance to the limit, positive when kept; none without a limit
            verdict [text] 'kept', 'exceeded' or 'for information'
            note    [text] where that unit is found
        """
        return frames.checks_frame(self.results)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. See `write_report` for errors.

        replace  also in place of the report of another case
        """
        payload = what_if_payload(self.results, command=self.command)
        return files.write_report(
            self.results,
            Path(folder),
            replace=replace,
            payload=payload,
            error_map=error_map(self.results.case, self.results.focus.name),
            command=self.command,
            overturning=self.overturning,
        )

    def with_overturning(self, *, workers: int | None = None, stage: Stage = no_progress) -> Study:
        """The same study with what would overturn its decision: hundreds of further studies on the same draws.

        >>> import margin
        >>> study = margin.estimate("case.toml", budget=False).with_overturning()
        >>> study.overturning.nearest[0].quantity
        'sensor.sensitivity'
        """
        return replace(self, overturning=of_results(self.results, workers=workers, stage=stage))

    def __str__(self) -> str:
        return terminal.render(self.results) + overturn_page.lines_of_a_study(self.overturning)

    def _repr_html_(self) -> str:
        return overturn_page.html_of_a_study(terminal.notebook_html(self.results), self.overturning)


@dataclass(frozen=True, repr=False)
class PairedStudy(PairedFigures):
    """Two finished studies and the differences of their yields on the same draws.

    >>> import margin
    >>> pair = margin.compare("case.toml", "case.toml")
    >>> pair.differences["difference"].tolist()
    [0.0, 0.0]
    >>> pair.first.verdict == pair.second.verdict
    True
    >>> figure = pair.difference_by_option()
    """

    @property
    def conforms(self) -> bool:
        """Whether either case conforms."""
        return self.verdict == "conforms"

    @property
    def verdict(self) -> Verdict:
        """'conforms' where either case does; 'undecided' where none does and one is."""
        found = {self.comparison.first.verdict, self.comparison.second.verdict}
        if "conforms" in found:
            return "conforms"
        return "undecided" if "undecided" in found else "does not conform"

    @property
    def first(self) -> Study:
        """The study of the first case."""
        return Study(self.comparison.first)

    @property
    def second(self) -> Study:
        """The study of the second case."""
        return Study(self.comparison.second)

    @property
    def differences(self) -> pd.DataFrame:
        """Differences of the decisive yields, one row a calibration option that both cases have.

        Columns:
            option                    [text] calibration option
            yield_first, yield_second [1]    decisive yield of each case
            difference (_low, _high)  [1]    second less first, with its interval on the same draws
            verdict                   [text] 'first better', 'second better' or 'below resolution'
        """
        return self.comparison.differences

    @property
    def checks(self) -> pd.DataFrame:
        """Design checks of both cases side by side, one row a check that either has.

        Columns:
            check          [text] name of the check
            unit           [text] SI unit of value and limit
            value_first    [SI]   first case: value of the unit that 99.9 % are better than; none without the check
            limit_first    [SI]   held against; none where nothing is
            margin_first   [1]    relative distance to the limit, positive where the check is passed
            verdict_first  [text] verdict of the check
            value_second   [SI]   the same of the second case
            limit_second   [SI]   the same of the second case
            margin_second  [1]    the same of the second case
            verdict_second [text] the same of the second case
        """
        return self.comparison.checks

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write both reports and the differences; the path of the page that compares.

        replace  also in place of a report of other cases
        """
        return files.write_comparison(self.comparison, Path(folder), replace=replace)

    def __str__(self) -> str:
        return comparison_report.render(self.comparison)

    def _repr_html_(self) -> str:
        return comparison_report.notebook_html(self.comparison)


@dataclass(frozen=True, repr=False)
class BudgetStudy(BudgetFigures):
    """A finished error budget; page, summary and figures show one calibration option, the data every one.

    >>> import margin
    >>> budget = margin.budget("case.toml", runs=3000, width=1.0)
    >>> budget.option
    'one-point'
    >>> sorted(budget.actions["by"].unique())
    ['cause', 'factor', 'level', 'part']
    >>> figure = budget.error_by_change()
    """

    @property
    def actions(self) -> pd.DataFrame:
        """Error and yield with each factor and group changed alone, one row an option, line and change.

        Columns:
            option                       [text] calibration option
            by                           [text] what makes a line: 'factor', 'part', 'level' or 'cause'
            factor                       [text] name of the line
            part                         [text] part of the chain that it belongs to
            level                        [text] level at which it varies
            change                       [text] 'frozen', 'halved', 'doubled', 'one grade tighter' or 'one grade looser'
            yield                        [1]    decisive yield after the change
            yield_change (_low, _high)   [1]    what the change brings, with its interval on the same draws
            error_N                      [N]    95 % point of |error| over all readings after the change
            error_change_N (_low, _high) [N]    what the change brings, with its interval
            rank                         [1]    place by the change of error; unresolved ties share one
            verdict                      [text] 'resolved' or 'below resolution'
            units                        [1]    units drawn again under every change
        """
        return self.budget.actions

    @property
    def effects(self) -> pd.DataFrame:
        """Main and total effects (Sobol indices), one row an option, output, grouping and group.

        Columns:
            option               [text] calibration option
            output               [text] 'conformity margin', 'failing unit' or 'error at ... N'
            group                [text] name of the group
            main (_low, _high)   [1]    share of the variance that the group makes by itself, with its interval
            total (_low, _high)  [1]    share that would go if the group were fixed
            cured (_low, _high)  [1]    share of the failing units that would conform had it been drawn afresh; none for
                                        other outputs
            main_standard        [SI]   root of the variance by the group itself: N for an error, 1 for the others
            total_standard       [SI]   the same of the total effect
            rank                 [1]    place by the total effect; groups that the draws do not part share one
            main_verdict         [text] 'resolved', 'below resolution' or 'undefined', of the main effect
            verdict              [text] the same of the total effect
            reason               [text] why there are no effects, '' where there are
            confidence           [1]    level of the intervals
            units                [1]    independent units drawn
            by                   [text] what makes a group: 'factor', 'part', 'level' or 'cause'
        """
        return self.budget.shares.effects

    @property
    def scopes(self) -> pd.DataFrame:
        """Where the variance arises, one row an option and output.

        Columns:
            option                [text] calibration option
            output                [text] 'conformity margin', 'failing unit' or 'error at ... N'
            standard_deviation    [SI]   of the output: N for an error, 1 for the others
            common (_low, _high)  [1]    share of the variance common to all units, with its interval
            between (_low, _high) [1]    share from unit to unit: what a better calibration could remove
            within (_low, _high)  [1]    share within a unit: what no calibration of the unit removes
            reason                [text] why there are none, '' where there are
        """
        return self.budget.shares.scopes

    @property
    def shares(self) -> ErrorShares:
        """Effects in full: sums, at fixed temperatures, of pairs, Shapley effects, and what was evaluated."""
        return self.budget.shares

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page.

        replace  also in place of the report of another case
        """
        return budget_page.write(self.budget, Path(folder), self.option, replace=replace)

    def __str__(self) -> str:
        return budget_page.render(self.budget, self.option)

    def _repr_html_(self) -> str:
        return budget_page.notebook_html(self.budget, self.option)
