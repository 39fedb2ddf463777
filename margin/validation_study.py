"""The Python face of the validation: `margin.validate()`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from margin.estimates.evaluate import Stage, no_progress
from margin.report import validation_page
from margin.validation.compare import CONFIDENCE, checks
from margin.validation.line import Line


@dataclass(frozen=True)
class ValidationStudy:
    """A finished validation; printing it shows one line a quantity, and whether it agrees."""

    lines: tuple[Line, ...]
    seed: int

    @property
    def agrees(self) -> bool:
        """Whether every line agrees."""
        return all(line.agrees for line in self.lines)

    @property
    def table(self) -> pd.DataFrame:
        """One row a line: family, what, source, expected, computed, low, high, agrees."""
        return validation_page.table(self.lines)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write JSON and CSV; the path of the JSON. FolderNotOurs as for a report."""
        return validation_page.write(self.lines, self.seed, CONFIDENCE, folder, replace=replace)

    def __str__(self) -> str:
        return validation_page.render(self.lines, self.seed, CONFIDENCE)


def validate(*, seed: int = 1, workers: int | None = None, stage: Stage = no_progress) -> ValidationStudy:
    """Compare the program with exact values, on this machine.

    seed     of the draws; ValueError below 0
    workers  threads, by default one a core; the results do not depend on it
    stage    called with (title, total) when the work begins; returns the counter of progress
    """
    if seed < 0:
        raise ValueError(f"the seed must be 0 or more (got {seed})")
    todo = checks(seed, workers)
    progress = stage("comparing with exact values", len(todo))
    lines: list[Line] = []
    for check in todo:
        lines += check()
        progress(1)
    return ValidationStudy(tuple(lines), seed)
