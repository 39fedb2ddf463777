"""Force error, calibration decision and yield of force-sensing pads and their front ends.

draft     write a first case of a kind of sensor and circuit
load      read a case file
change    the same case with other values
estimate  draw, calibrate and judge its units
budget    what sets the error, and what changing it would bring
compare   two cases on the same draws
characterise  bench data to figures of merit, fits and spreads
problem   a case as a problem of SALib, for its methods of sensitivity analysis
rare      how rarely a unit fails, and which one most likely does
validate  compare the program with exact values
register  make a sensor, circuit or interface of one's own known by its kind
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from margin.bench_study import characterise
    from margin.chain.registry import register
    from margin.drafted_case import draft
    from margin.estimates.shares.salib_problem import problem
    from margin.rare_study import rare
    from margin.study import budget, change, compare, estimate, load
    from margin.validation_study import validate

__all__ = [
    "budget", "change", "characterise", "compare", "draft", "estimate", "load", "problem", "rare", "register",
    "validate",
]  # fmt: skip

_HOME = dict.fromkeys(("budget", "change", "compare", "estimate", "load"), "margin.study")
_HOME["draft"] = "margin.drafted_case"
_HOME["register"] = "margin.chain.registry"
_HOME["problem"] = "margin.estimates.shares.salib_problem"
_HOME["rare"] = "margin.rare_study"
_HOME["validate"] = "margin.validation_study"
_HOME["characterise"] = "margin.bench_study"


def __getattr__(name: str) -> Any:
    """Import on first use: the command line answers `--help` without waiting for the numerics."""
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'margin' has no attribute {name!r}")
