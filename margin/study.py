"""The five readable lines: load a case, estimate, look, save.

import margin
case = margin.load("case.toml")
study = margin.estimate(case)
print(study)
study.save("report")
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from margin.case.changes import with_changes
from margin.case.load import load_case
from margin.case.types import Case
from margin.estimates.budget import budget_of
from margin.estimates.budget_plan import BUDGET_UNITS
from margin.estimates.compare import compare as compare_runs
from margin.estimates.comparison_result import Comparison
from margin.estimates.error_budget import ErrorBudget, error_budget
from margin.estimates.evaluate import Stage, drawn_pair, evaluate, no_progress
from margin.estimates.results import Results, Verdict
from margin.estimates.shares import RUNS, WIDTH, ErrorShares
from margin.report import budget_page, files, terminal
from margin.report import comparison as comparison_report


@dataclass(frozen=True)
class Study:
    """A finished study. `results` holds everything; printing it, or naming it in a notebook, shows one screen."""

    results: Results

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
        """One row a calibration option: decisive yield with interval and lower bound, seconds a unit."""
        return files.yields_frame(self.results)

    @property
    def errors(self) -> pd.DataFrame:
        """Error percentiles by option, condition and load."""
        return files.errors_frame(self.results)

    @property
    def budget(self) -> pd.DataFrame:
        """What each factor, frozen or halved, does to error and yield."""
        return self.results.budget

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. See `write_report` for errors.

        replace  also in place of the report of another case
        """
        return files.write_report(self.results, Path(folder), replace=replace)

    def __str__(self) -> str:
        return terminal.render(self.results)

    def _repr_html_(self) -> str:
        return terminal.notebook_html(self.results)


@dataclass(frozen=True)
class PairedStudy:
    """Two finished studies and the differences of their yields on the same draws."""

    comparison: Comparison

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
    def differences(self) -> pd.DataFrame:
        """One row a calibration option that both cases have."""
        return self.comparison.differences

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write both reports and the differences; the path of the page that compares.

        replace  also in place of a report of other cases
        """
        return files.write_comparison(self.comparison, Path(folder), replace=replace)

    def __str__(self) -> str:
        return comparison_report.render(self.comparison)

    def _repr_html_(self) -> str:
        return comparison_report.notebook_html(self.comparison)


@dataclass(frozen=True)
class BudgetStudy:
    """A finished error budget; page and summary show one calibration option, the data every one."""

    budget: ErrorBudget
    option: str

    @property
    def actions(self) -> pd.DataFrame:
        """Error and yield with each factor and group frozen, halved, doubled, or moved by a part grade."""
        return self.budget.actions

    @property
    def shares(self) -> ErrorShares:
        """Main and total effects by factor, part, level and cause, on every output; failing units cured."""
        return self.budget.shares

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page.

        replace  also in place of the report of another case
        """
        return budget_page.write(self.budget, Path(folder), self.option, replace=replace)

    def __str__(self) -> str:
        return budget_page.render(self.budget, self.option)


def load(path: str | Path) -> Case:
    """Read a case file; CaseError names every fault in it."""
    return load_case(path)


def change(case: Case, changes: Mapping[str, Any]) -> Case:
    """The case with other values by dotted key: {"circuit.feedback": "33 kohm +/- 1 %"}."""
    return with_changes(case, changes)


def estimate(
    case: Case,
    *,
    workers: int | None = None,
    block: int | None = None,
    cluster: str | int | None = None,
    resume: str | Path | None = None,
    elements: Iterable[str | Path] = (),
    budget: bool = True,
    gpu: bool = False,
    compiled: bool | None = None,
    stage: Stage = no_progress,
) -> Study:
    """Draw, calibrate and judge the units of a case.

    workers, block  threads and units in a block
    cluster         address of a Dask scheduler, or a number of worker processes to start on this machine
    resume          folder that keeps finished parts of the draws; a run that was cut off goes on from there
    elements        Python files that registered elements of the case: the workers of a cluster run them too
    budget          False leaves out what each factor does, about half of the time
    gpu             draw the units on an accelerator (extra 'gpu'): the same draws, rounded in the device's own way;
                    what else there is stays on the processor
    compiled        compute readings by a compiled kernel: True, False, or None to decide by the size
                    of the study; only the last bits of exponentials and logarithms depend on it
    stage           called with (title, total) when something long begins; returns the counter of progress

    workers, block, cluster and resume change the time, not a bit of the results.

    Raises EvaluationError where the chain gives no number, RunFolderError where the folder holds another run,
    ClusterError and UnlikeWorker where the cluster fails, CannotCompile and NotOnDevice where the case cannot be
    computed as asked for (all of them ValueError), GpuUnavailable without an accelerator, ValueError for ways to
    compute that exclude each other.
    """
    return Study(
        evaluate(
            case,
            workers=workers,
            block=block,
            cluster=cluster,
            resume=resume,
            elements=elements,
            with_budget=budget,
            gpu=gpu,
            compiled=compiled,
            stage=stage,
        )
    )


def budget(
    case: Case,
    *,
    option: str | None = None,
    runs: int = RUNS,
    width: float = WIDTH,
    second_order: bool = False,
    shapley: bool = False,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> BudgetStudy:
    """What sets the error of a case, and what changing it would bring.

    option   that page and summary show; by default the one with the highest yield
    runs     most evaluations of a unit for each grouping; units are added until the intervals of the leading causes,
             on conformity margin and failing units, are at most `width` wide
    second_order, shapley  also how pairs act together, and effects that tell dependent factors apart

    Raises EvaluationError where the chain gives no number, ValueError for an unknown option or too few runs.
    """
    names = [one.name for one in case.calibrations]
    if option is not None and option not in names:
        there = ", ".join(map(repr, names))
        raise ValueError(f"no calibration option {option!r} in {case.name!r}; there are {there}")
    found = error_budget(
        case,
        runs=runs,
        width=width,
        second_order=second_order,
        shapley=shapley,
        workers=workers,
        stage=stage,
    )
    return BudgetStudy(found, found.leading_option if option is None else option)


def compare(
    first: Case, second: Case, *, workers: int | None = None, stage: Stage = no_progress
) -> PairedStudy:
    """Two cases on the same draws; NotComparable without common options or with different requirements or loads."""
    runs = drawn_pair((first, second), workers=workers, stage=stage)
    budgets = [
        budget_of(r.model, workers=workers, progress=stage(f"budget of {r.model.case.name}", BUDGET_UNITS))
        for r in runs
    ]
    return PairedStudy(compare_runs(runs[0], runs[1], budgets[0], budgets[1]))
