"""Force error, calibration decision and yield of force-sensing pads and their front ends.

draft     write a first case of a kind of sensor and circuit
load      read a case file
change    the same case with other values
estimate  draw, calibrate and judge its units
budget    error budget: causes of the error, effect of changes
compare   two cases on the same draws
characterise  bench data to figures of merit, fits and spreads
plan      calibration plan of each unit: loads, reloads, dwell, and the reference it needs
diagnose  what of a prototype is unusual against its case or bench
problem   a case as a problem of SALib, for its methods of sensitivity analysis
rare      how rarely a unit fails, and the most probable failing unit
accept    acceptance test: test limit and guard band by consumer's and producer's risk
age       yield over the time in service, life of the units, recalibration interval
endurance  lives, or a drift, of endurance data with censoring
qualify   tests that show a life, and what a finished test shows
size      values of the circuit for the sensors and loads of a case
overturn  values of what is assumed at which the verdict turns
improve   the cheapest set of measures that reaches the required yield
validate  compare the program with exact values
register  make a sensor, circuit or interface of one's own known by its kind
errors    every error that these raise

Where a `Case` is taken, the path of its file serves as well. Results (`Study`, `BudgetStudy`, `PairedStudy`,
`RareStudy`, `AcceptStudy`, `AgeStudy`, `Characterisation`, `DiagnoseStudy`, `DriftStudy`, `ImproveStudy`,
`LifeStudy`, `OverturnStudy`, `PlanStudy`, `Qualification`, `SizeStudy`, `ValidationStudy`) print one screen, show
themselves in a notebook, have tables as pandas frames, draw figures as matplotlib figures and save a report.

In the examples `case.toml` is a case named 'Pad' with the calibration options 'none' and 'one-point', and `parts.toml`
a small table of parts.

>>> import margin
>>> case = margin.load("case.toml")
>>> study = margin.estimate(case)
>>> print(study)  # doctest: +ELLIPSIS
Pad: ...
>>> study.yields["option"].tolist()
['none', 'one-point']
>>> figure = study.error_over_load()
>>> figure.savefig("error.svg")
>>> study.save("report").name
'report.html'
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from margin import errors
    from margin.accept_study import AcceptStudy, accept
    from margin.age_study import AgeStudy, age
    from margin.bench_study import Characterisation, characterise
    from margin.case.types import Case
    from margin.chain.registry import register
    from margin.diagnose_study import DiagnoseStudy, diagnose
    from margin.drafted_case import draft
    from margin.endurance_study import DriftStudy, LifeStudy, Qualification, endurance, qualify
    from margin.estimates.shares.salib_problem import problem
    from margin.improve_study import ImproveStudy, improve
    from margin.overturn_study import OverturnStudy, overturn
    from margin.plan_study import PlanStudy, plan
    from margin.rare_study import RareStudy, rare
    from margin.size_study import SizeStudy, size
    from margin.study import budget, change, compare, estimate, load
    from margin.study_results import BudgetStudy, PairedStudy, Study
    from margin.validation_study import ValidationStudy, validate

    __version__: str

__all__ = [
    "AcceptStudy", "AgeStudy", "BudgetStudy", "Case", "Characterisation", "DiagnoseStudy", "DriftStudy",
    "ImproveStudy", "LifeStudy", "OverturnStudy", "PairedStudy", "PlanStudy", "Qualification", "RareStudy",
    "SizeStudy", "Study", "ValidationStudy", "accept", "age", "budget", "change", "characterise", "compare",
    "diagnose", "draft", "endurance", "errors", "estimate", "improve", "load", "overturn", "plan", "problem",
    "qualify", "rare", "register", "size", "validate",
]  # fmt: skip

_HOME = {
    **dict.fromkeys(("BudgetStudy", "PairedStudy", "Study"), "margin.study_results"),
    **dict.fromkeys(("budget", "change", "compare", "estimate", "load"), "margin.study"),
    **dict.fromkeys(("PlanStudy", "plan"), "margin.plan_study"),
    **dict.fromkeys(("RareStudy", "rare"), "margin.rare_study"),
    **dict.fromkeys(("AcceptStudy", "accept"), "margin.accept_study"),
    **dict.fromkeys(("SizeStudy", "size"), "margin.size_study"),
    **dict.fromkeys(("OverturnStudy", "overturn"), "margin.overturn_study"),
    **dict.fromkeys(("ImproveStudy", "improve"), "margin.improve_study"),
    **dict.fromkeys(("AgeStudy", "age"), "margin.age_study"),
    **dict.fromkeys(("ValidationStudy", "validate"), "margin.validation_study"),
    **dict.fromkeys(("Characterisation", "characterise"), "margin.bench_study"),
    **dict.fromkeys(("DiagnoseStudy", "diagnose"), "margin.diagnose_study"),
    **dict.fromkeys(
        ("DriftStudy", "LifeStudy", "Qualification", "endurance", "qualify"), "margin.endurance_study"
    ),
    "Case": "margin.case.types",
    "draft": "margin.drafted_case",
    "problem": "margin.estimates.shares.salib_problem",
    "register": "margin.chain.registry",
}


def __getattr__(name: str) -> Any:
    """Import on first use: the command line answers `--help` without waiting for the numerics."""
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    if name == "errors":
        return importlib.import_module("margin.errors")
    if name == "__version__":
        return importlib.import_module("margin.version").version()
    raise AttributeError(f"module 'margin' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Names for completion: what the docstring lists, before any of it is imported."""
    return sorted((*__all__, "__version__", *(name for name in globals() if name.startswith("__"))))
