"""The Python face of sizing: `margin.size(case)`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from margin.case.load import as_case
from margin.case.types import Case
from margin.design.sizing import PartTable, Sizing, read_parts, size_case, wish
from margin.design.sizing.find_designs import SHARE
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.report import size_figures, size_page, size_tables
from margin.report.shown import Shown, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class SizeStudy(Shown):
    """Designs for the sensors and loads of a case. Printing it, or naming it in a notebook, shows the list first.

    >>> import margin
    >>> study = margin.size("case.toml", parts="parts.toml", designs=1)
    >>> study.verdict
    'conforms'
    >>> study.designs["circuit"].iloc[0]
    'voltage divider, sensor to reference'
    >>> figure = study.error_over_resolution()
    """

    found: Sizing

    @property
    def verdict(self) -> Verdict:
        """That of the best design."""
        return self.found.verdict

    @property
    def designs(self) -> pd.DataFrame:
        """Designs that are not dominated, the best first.

        Columns:
            rank         [1]    1 for the best
            circuit      [text] circuit
            values       [text] its values and grades
            verdict      [text] of the lower bound, and of the design checks over drawn units
            yield (_low, _high) [1] yield with its interval
            bound (_low, _high) [1] lower bound with its interval
            error        [1]    multiple of the permissible error within which the required share of units lies
            resolution_N [N]    load that one count stands for at the smallest load, as designed; none without bits
            noise        [1]    rounding, noise, offset and drift, rms, of the permissible error at the worse end
            risk         [1]    share of units beyond a limit of the output, by the tail of drawn sensors
            clipped (_low, _high) [1] readings at a limit at the worst load
            swing        [1]    range of the converter used between smallest and largest load, as designed
            cost         [1]    in the unit of the table of parts
            exceeded     [text] design checks that drawn units exceed, '' for none
            command      [text] command that runs the design
        """
        return size_tables.designs_frame(self.found)

    @property
    def tried(self) -> pd.DataFrame:
        """Every design on the full chain, with few units each, all on the same draws.

        Columns:
            circuit      [text] circuit
            values       [text] its values and grades
            yield (_low, _high) [1] yield with its interval
            error        [1]    multiple of the permissible error within which the required share of units lies
            resolution_N [N]    load that one count stands for at the smallest load, as designed; none without bits
            noise        [1]    rounding, noise, offset and drift, rms, of the permissible error at the worse end
            risk         [1]    share of units beyond a limit of the output, by the tail of drawn sensors
            swing        [1]    range of the converter used between smallest and largest load, as designed
            cost         [1]    in the unit of the table of parts
        """
        return size_tables.tried_frame(self.found)

    @property
    def constraints(self) -> pd.DataFrame:
        """What each constraint refuses of the designs on the nominal chain.

        Columns:
            circuit    [text] circuit
            constraint [text] constraint
            checked    [bool] whether the case states what it rests on
            refused    [1]    designs that it refuses
            alone      [1]    designs that it alone refuses
            tried      [1]    designs of this circuit
            left       [1]    designs of this circuit that meet every constraint
        """
        return size_tables.constraints_frame(self.found)

    def changes(self, rank: int = 1) -> dict[str, str]:
        """Changes that turn the case into the design of that rank, for `margin.change` or `--change`."""
        return dict(self.found.ranked[rank - 1].changes)

    def error_over_resolution(self) -> Figure:
        """Error of the designs (multiples of the permissible one) over the load of one count (N), by circuit."""
        return drawn(lambda: size_figures.error_over_resolution(self.found))

    def refusals_by_constraint(self) -> Figure:
        """Designs that each constraint refuses, and refuses alone (% of all)."""
        return drawn(lambda: size_figures.refusals_by_constraint(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. `replace`: also in place of another case's."""
        return size_page.write(self.found, Path(folder), replace=replace)

    def __str__(self) -> str:
        return size_page.render(self.found)

    def _repr_html_(self) -> str:
        return size_page.notebook_html(self.found)


def size(
    case: Case | str | Path,
    *,
    option: str | None = None,
    parts: PartTable | str | Path | None = None,
    supply: str | float | None = None,
    share: str | float = SHARE,
    resolution: str | float | None = None,
    designs: int = 6,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> SizeStudy:
    """Size reference, resistors, ratios and filter of a case, or of that of the file at a path.

    option      calibration with which designs are compared; by default that which comes nearest as the case is
    parts       table of parts, or its TOML file; by default the shipped one (common practice, no source)
    supply      V, or a text such as '3.3 V': highest reference; by default as in the case
    share       of units read without clipping, a number or '99.9 %'
    resolution  N, or a text: load that one count may stand for at the smallest load; by default a tenth of the
                permissible error there
    designs     most designs that get a lower bound

    Raises CaseError for a path without a sound case, SizingError for wishes and parts that no design can be
    sought with.

    >>> import margin
    >>> study = margin.size("case.toml", option="one-point", parts="parts.toml", designs=1)
    >>> sized = margin.change("case.toml", study.changes())
    >>> sized.elements["circuit"].kind
    'voltage divider'
    """
    table = parts if isinstance(parts, PartTable) else read_parts(parts)
    return SizeStudy(
        size_case(
            as_case(case),
            table,
            option=option,
            supply=wish("supply", supply, "V", "3.3 V") if isinstance(supply, str) else supply,
            share=wish("share", share, "", "99.9 %") if isinstance(share, str) else share,
            resolution=wish("resolution", resolution, "N", "0.05 N")
            if isinstance(resolution, str)
            else resolution,
            designs=designs,
            workers=workers,
            stage=stage,
        )
    )
