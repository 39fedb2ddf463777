"""A case as a problem of SALib, evaluated by the engine of this project: every method of SALib runs on it.

problem = margin.problem(case, option="one-point")
problem.sample_sobol(1024, seed=1).evaluate().analyze_sobol(seed=1)
problem.to_df()
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from SALib import ProblemSpec

from distributions.errors import InvalidArgument
from margin.case.load import as_case
from margin.case.types import Case
from margin.estimates.sensitivity.grouping import By
from margin.estimates.shares.draw_inputs import DrawInputs, chosen_outputs
from margin.estimates.shares.outputs import MARGIN

Array = NDArray[np.float64]

EDGE = 0.005
"""Quantile at the ends of the range of methods whose points lie on the ends themselves (Morris, factorial): those of
an unbounded spread are infinite. A choice without source: the normal is cut at 2.6 standard deviations."""

_ON_EDGES = ("morris", "ff")
_WITHOUT_GROUPS = ("latin", "shapley", "rsa", "discrepancy")
"""Samplers and analyses that know no groups, or (SALib 1.6) give all inputs of a group one value, or fail on groups."""


class CaseProblem(ProblemSpec):  # type: ignore[misc]
    """A case as a SALib problem. Made by `problem`; used as any `ProblemSpec`, with `evaluate()` filled in."""

    def __init__(self, inputs: DrawInputs, by: By, places: Sequence[int], outputs: Sequence[str]) -> None:
        self.inputs, self.places = inputs, tuple(places)
        groups = inputs.groups(by)
        super().__init__(
            names=list(inputs.names),
            groups=list(groups),
            bounds=[[0.0, 1.0] for _ in inputs.names],
            outputs=list(outputs),
        )

    def sample(self, func: Callable[..., Array], *args: Any, **kwargs: Any) -> CaseProblem:
        """Draw samples, as `ProblemSpec.sample`; `sample_sobol(...)` and its like end here.

        A Latin hypercube is drawn input by input: SALib's own would give all inputs of a group the same value.
        Morris and factorial plans run from the quantile EDGE to 1 - EDGE.
        """
        method = _method(func)
        given = self._copied()
        if method in _WITHOUT_GROUPS:
            given["groups"] = list(self["names"])
        if method in _ON_EDGES:
            given["bounds"] = [[EDGE, 1.0 - EDGE] for _ in self.inputs.names]
        super().sample(lambda _, *a, **k: func(given, *a, **k), *args, **kwargs)
        return self

    def analyze(self, func: Callable[..., Any], *args: Any, **kwargs: Any) -> CaseProblem:
        """Analyse the results, as `ProblemSpec.analyze`; `analyze_sobol(...)` and its like end here."""
        kept = self._copied()
        if _method(func) in _WITHOUT_GROUPS:
            self["groups"] = list(self["names"])
        try:
            super().analyze(func, *args, **kwargs)
        finally:
            self.update(kept)
        return self

    def _copied(self) -> dict[str, Any]:
        """The specification in lists of its own: factorial plans append names that stand for nothing."""
        return {key: list(value) if isinstance(value, list) else value for key, value in self.items()}

    def evaluate(self, *, nprocs: int | None = None) -> CaseProblem:
        """Evaluate the samples by the chain of the case on `nprocs` threads (default: all cores).

        Raises ValueError where there are no samples, they are no uniforms, or the chain gives no number.
        """
        if self.samples is None:
            raise InvalidArgument(
                "there are no samples to evaluate: draw some first, as by sample_sobol(1024)"
            )
        # factorial plans fill up with columns that stand for nothing
        samples = self.samples[:, : len(self.inputs.names)]
        found = self.inputs.outputs(samples, self.places, nprocs)
        self.results = found[:, 0] if len(self.places) == 1 else found
        return self


def _method(func: Callable[..., Any]) -> str:
    """'morris' of SALib.sample.morris.morris.sample; '' of a function that is not SALib's."""
    package, *rest = func.__module__.split(".")
    return rest[1] if package == "SALib" and len(rest) > 1 else ""


def problem(
    case: Case | str | Path,
    option: str | None = None,
    output: str | Sequence[str] = MARGIN,
    by: By = "factor",
) -> CaseProblem:
    """A case as a `SALib.ProblemSpec`, whose `evaluate()` runs units of the case.

    case    or the path of its file
    option  calibration option by name; None for all, since which causes are left is what sets options apart, and
            all cost the same runs
    output  one or more of 'conformity margin' (1 less the unit's largest |error| / permissible error, at most twice
            the permissible error counted), 'failing unit' (1 or 0, or the share of its readings beyond) and 'error at
            ... N' of a check load (N, of one reading, at most ten times the permissible error)
    by      what makes a group: 'factor', 'part', 'level' or 'cause'

    Inputs are independent uniforms on (0, 1), one for each draw that a unit takes: its own, its lot's, its outer
    draw's, and each placement and sample at the calibration and in use. Factors that depend on each other get their
    dependence inside and are one group. Methods with groups (Sobol, Morris) give one index a group, the others
    (eFAST, RBD-FAST, delta) one an input, PAWN the mean over the inputs of a group. Outputs are named
    'option: output'; SALib gives a dictionary of analyses by that name where there are several.

    Values of exactly 0 and 1 count as 2^-31 inside. Raises ValueError for an unknown option, output or `by`, where
    nothing varies, and where one group holds everything; `evaluate` where the chain gives no number.

    >>> import margin
    >>> screened = margin.problem("case.toml", "none")
    >>> found = screened.sample_morris(4, seed=1).evaluate().analyze_morris(seed=1).to_df()
    >>> found["mu_star"].idxmax()
    'sensor.sensitivity per unit'
    """
    case = as_case(case)
    places, pairs = chosen_outputs(case, option, output)
    inputs = DrawInputs.of(case)
    groups = dict.fromkeys(inputs.groups(by))
    if len(groups) == 1:
        raise InvalidArgument(
            f"all that varies is one {by}, {next(iter(groups))}: it has the whole variance. Group by something "
            "finer, or give another quantity a spread"
        )
    return CaseProblem(inputs, by, places, [f"{one}: {name}" for one, name in pairs])
