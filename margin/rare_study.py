"""The Python face of rare failures: `margin.rare(case, option)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from margin.case.types import Case
from margin.estimates.evaluate import Stage, no_progress
from margin.estimates.failing_unit import FailingUnit
from margin.estimates.rare import RareResult
from margin.estimates.rare_failures import RareFailures, rare_failures
from margin.report import rare_page


@dataclass(frozen=True)
class RareStudy:
    """How rarely a unit fails; printing it shows the probability and the most likely failing unit."""

    found: RareFailures

    @property
    def result(self) -> RareResult:
        """Probability, interval, method, evaluations, warnings."""
        return self.found.result

    @property
    def unit(self) -> FailingUnit | None:
        """The most likely failing unit: `parts`, a frame with one row a factor, and where it fails; None if none."""
        return self.found.unit

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write JSON and CSV; the path of the JSON. `replace`: also in place of the report of another case."""
        return rare_page.write(self.found, Path(folder), replace=replace)

    def __str__(self) -> str:
        return rare_page.render(self.found)


def rare(
    case: Case,
    option: str | None = None,
    *,
    target_cv: float = 0.1,
    budget: int = 200_000,
    stage: Stage = no_progress,
) -> RareStudy:
    """How rarely a unit of a case fails with one calibration option (the first by default), down to 1e-7.

    See `rare_failures` for the arguments and errors.
    """
    name = case.calibrations[0].name if option is None else option
    return RareStudy(rare_failures(case, name, target_cv=target_cv, budget=budget, stage=stage))
