"""The five readable lines: load a case, estimate, look, save.

import margin
case = margin.load("case.toml")
study = margin.estimate(case)
print(study)
study.save("report")
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from margin.case.changes import with_changes
from margin.case.load import as_case, load_case
from margin.case.types import Case
from margin.estimates.budget import budget_of
from margin.estimates.budget_plan import BUDGET_UNITS
from margin.estimates.compare import compare as compare_runs
from margin.estimates.compare import require_comparable
from margin.estimates.error_budget import error_budget
from margin.estimates.evaluate import drawn_pair, evaluate
from margin.estimates.shares import RUNS, WIDTH
from margin.estimates.stages import Stage, no_progress
from margin.report.shown import require_known
from margin.study_results import BudgetStudy, PairedStudy, Study


def load(path: str | Path) -> Case:
    """Read a case file; CaseError names every fault in it.

    >>> import margin
    >>> case = margin.load("case.toml")
    >>> case.load_low, case.load_high
    (2.0, 20.0)
    >>> print(case)  # doctest: +ELLIPSIS
    Pad
    File: case.toml
    Load: 2 N to 20 N, checked at ...
    """
    return load_case(path)


def change(case: Case | str | Path, changes: Mapping[str, Any]) -> Case:
    """The case, or that of the file at a path, with other values by dotted key.

    See `with_changes` for keys and errors.

    >>> import margin
    >>> case = margin.change("case.toml", {"circuit.feedback": "5.6 kohm +/- 1 %", "study.seed": 7})
    >>> case.elements["circuit"].quantities["feedback"].nominal, case.study.seed
    (5600.0, 7)
    """
    return with_changes(as_case(case), changes)


def estimate(
    case: Case | str | Path,
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

    case            or the path of its file
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

    Raises CaseError for a path without a sound case, EvaluationError where the chain gives no number, RunFolderError
    where the folder holds another run, ClusterError and UnlikeWorker where the cluster fails, CannotCompile and
    NotOnDevice where the case cannot be computed as asked for (all of them ValueError), GpuUnavailable without an
    accelerator, InvalidArgument for ways to compute that exclude each other. All are in `margin.errors`.

    >>> import margin
    >>> study = margin.estimate("case.toml", budget=False)
    >>> study.verdict
    'conforms'
    >>> study.yields[["option", "verdict"]].values.tolist()
    [['none', 'does not conform'], ['one-point', 'conforms']]
    >>> bool(study.errors["p95_abs_N"].gt(0.0).all())
    True
    """
    return Study(
        evaluate(
            as_case(case),
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
    case: Case | str | Path,
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

    case     or the path of its file
    option   that page, summary and figures show; by default the one with the highest yield
    runs     most evaluations of a unit for each grouping; units are added until the intervals of the leading causes,
             on conformity margin and failing units, are at most `width` wide
    second_order, shapley  also how pairs act together, and effects that tell dependent factors apart

    Raises CaseError for a path without a sound case, EvaluationError where the chain gives no number, InvalidArgument
    for an unknown option, BadDesign for too few runs; all are ValueError.

    >>> import margin
    >>> found = margin.budget("case.toml", option="none", runs=3000, width=1.0)
    >>> rows = found.effects.query("option == 'none' and output == 'conformity margin' and by == 'factor'")
    >>> rows.sort_values("total", ascending=False)["group"].iloc[0]
    'sensor.sensitivity per unit'
    >>> figure = found.effects_over_load()
    """
    case = as_case(case)
    if option is not None:
        require_known("calibration option", option, (one.name for one in case.calibrations))
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
    first: Case | str | Path,
    second: Case | str | Path,
    *,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> PairedStudy:
    """Two cases, or those of the files at two paths, on the same draws.

    Raises CaseError for a path without a sound case; NotComparable, before anything is drawn, without common options
    or with different requirements or loads.

    >>> import margin
    >>> tighter = margin.change("case.toml", {"sensor.sensitivity": "40 uS +/- 20 %"})
    >>> pair = margin.compare("case.toml", tighter)
    >>> pair.differences[["option", "verdict"]].values.tolist()[0]
    ['none', 'second better']
    """
    cases = as_case(first), as_case(second)
    require_comparable(*cases)
    runs = drawn_pair(cases, workers=workers, stage=stage)
    budgets = [
        budget_of(r.model, workers=workers, progress=stage(f"budget of {r.model.case.name}", BUDGET_UNITS))
        for r in runs
    ]
    return PairedStudy(compare_runs(runs[0], runs[1], budgets[0], budgets[1]))
