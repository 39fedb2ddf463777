"""The Python face of the validation: `margin.validate()`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from distributions.errors import InvalidArgument
from margin.estimates.stages import Stage, no_progress
from margin.report import validation_page
from margin.report.shown import Shown
from margin.validation.compare import CONFIDENCE, checks
from margin.validation.line import Line


@dataclass(frozen=True, repr=False)
class ValidationStudy(Shown):
    """A finished validation. Printing it, or naming it in a notebook, shows a line a quantity: does it agree?

    >>> import margin
    >>> from margin.validation.line import Line
    >>> line = Line("yields", "normal within 2 sigma", "closed form", 0.9545, 0.9546, 0.954, 0.955)
    >>> margin.ValidationStudy((line,), seed=1).agrees
    True
    """

    lines: tuple[Line, ...]
    seed: int

    @property
    def agrees(self) -> bool:
        """Whether every line agrees."""
        return all(line.agrees for line in self.lines)

    @property
    def table(self) -> pd.DataFrame:
        """Everything that was compared, one row a quantity.

        Columns:
            family    [text] what kind of value
            what      [text] the quantity
            source    [text] where the expected value comes from
            expected  [SI]   exact or published value, in the unit that `what` states
            computed  [SI]   value of this program
            low, high [SI]   ends of the interval that must hold the expected value
            agrees    [bool] whether it does
        """
        return validation_page.table(self.lines)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write JSON and CSV; the path of the JSON. FolderNotOurs as for a report."""
        return validation_page.write(self.lines, self.seed, CONFIDENCE, folder, replace=replace)

    def __str__(self) -> str:
        return validation_page.render(self.lines, self.seed, CONFIDENCE)

    def _repr_html_(self) -> str:
        return validation_page.notebook_html(self.lines, self.seed, CONFIDENCE)


def validate(*, seed: int = 1, workers: int | None = None, stage: Stage = no_progress) -> ValidationStudy:
    """Compare the program with exact values, on this machine.

    seed     of the draws; ValueError below 0
    workers  threads, by default one a core; the results do not depend on it
    stage    called with (title, total) when the work begins; returns the counter of progress

    >>> import margin
    >>> margin.validate().agrees  # doctest: +SKIP
    True
    """
    if seed < 0:
        raise InvalidArgument(f"the seed must be 0 or more (got {seed})")
    todo = checks(seed, workers)
    progress = stage("comparing with exact values", len(todo))
    lines: list[Line] = []
    for check in todo:
        lines += check()
        progress(1)
    return ValidationStudy(tuple(lines), seed)
