"""The Python face of results over age: `margin.age(case, option)`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.load import as_case
from margin.case.types import Case
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.messages.ageing import command_of
from margin.report import age_figures, age_page
from margin.report.shown import Shown, drawn
from margin.service.hours import hours_of
from margin.service.over_age import POINTS, AgeResult, horizon_years, over_age
from margin.service.recalibration import RecalibrationInterval

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class AgeStudy(Shown):
    """Units over their time in service. Printing it, or naming it in a notebook, shows how long they conform.

    command  that gives the same result again

    >>> import margin
    >>> case = margin.change("case.toml", {"sensor.ageing": "1 % +/- 0.5 %"})
    >>> study = margin.age(case, "one-point", years=2, points=3, units=400, workers=1)
    >>> study.yields["age"].tolist()
    [0.0, 8766.0, 17532.0]
    >>> figure = study.yield_over_age()
    """

    found: AgeResult
    command: str

    @property
    def verdict(self) -> Verdict:
        """'conforms' where the yield is shown to reach the requirement at every age."""
        return self.found.verdict

    @property
    def interval(self) -> RecalibrationInterval:
        """How long a calibration keeps the yield at or above that required, h."""
        return self.found.interval

    @property
    def yields(self) -> pd.DataFrame:
        """Yield and error over age, one row an age.

        Columns:
            age                               [SI]   time in service, h
            yield (_low, _high)               [1]    share that conforms, of what the requirement counts
            bound (_low, _high)               [1]    its lower bound
            verdict                           [text] of that bound against the required yield
            failed                            [1]    of the units that conform when new, share that has failed once by
                                                     then; none where none conforms
            error_p2_5 (_low, _high)          [1]    2.5 % point of the error over the permissible error, over readings
            error_median (_low, _high)        [1]    its median
            error_p97_5 (_low, _high)         [1]    its 97.5 % point
        """
        return age_page.yields_frame(self.found)

    @property
    def courses(self) -> pd.DataFrame:
        """Yields of other courses of service, one row a course and age: a part that does not age, an action.

        Columns:
            course              [text] 'without sensor.ageing', 're-zero', 'two-point recalibration'
            age                 [SI]   time in service, h
            yield (_low, _high) [1]    share that conforms
            bound               [1]    its lower bound
            gain (_low, _high)  [1]    yield less that as stated, on the same draws
        """
        return age_page.courses_frame(self.found)

    @property
    def passages(self) -> pd.DataFrame:
        """Units by the time of their first non-conformity, one row an interval between ages.

        Columns:
            after  [SI] h: the unit still conforms then; in the first row it does not conform when new
            before [SI] h: it does not conform then; infinite for units that conform at all ages
            units  [1]  how many
        """
        return age_page.passages_frame(self.found)

    @property
    def service(self) -> pd.DataFrame:
        """What a unit with nominal values has been through, one row an age and count; see margin/guide/service.md.

        Columns:
            age   [SI]   time in service, h
            what  [text] 'hours with storage', 'load cycles', 'load cycles counted by load', 'hours under load',
                         'equivalent hours'
            by    [text] what equivalent hours are counted by: 'sensor.ageing_activation'; else empty
            value [SI]   load cycles, or h
        """
        return age_page.service_frame(self.found)

    def yield_over_age(self) -> Figure:
        """Yield (%) over age with its interval, the requirement, and the yield with each action in the field."""
        return drawn(lambda: age_figures.yield_over_age(self.found))

    def failed_over_age(self) -> Figure:
        """Share failed (%) over age, of the units that conform when new, and the fitted distributions."""
        return drawn(lambda: age_figures.failed_over_age(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. `replace`: also in place of the report of another
        case."""
        return age_page.write(self.found, self.command, Path(folder), replace=replace)

    def __str__(self) -> str:
        return age_page.render(self.found, self.command)

    def _repr_html_(self) -> str:
        return age_page.notebook_html(self.found, self.command)


def age(
    case: Case | str | Path,
    option: str | None = None,
    *,
    years: float | None = None,
    points: int = POINTS,
    ages: Sequence[float | str] = (),
    every: float | str | None = None,
    units: int | None = None,
    workers: int | None = None,
    block: int | None = None,
    command: Sequence[str] = (),
    stage: Stage = no_progress,
) -> AgeStudy:
    """Results over age of a case, or of that of the file at a path: yield, life, recalibration interval of its units.

    option   calibration of the new units, the first by default
    years    in service to the last age, of 8766 h, by default those of [service] or else 5
    points   ages, age 0 and then each twice the one before it
    ages     such as ['1000 h', '5000 h'], or numbers in h, in place of both
    every    time between recalibrations in the field, such as '2000 h' or a number in h; by default a year, or half of
             the last age where that is less
    units    drawn, by default those of the case, 20 000 at most
    workers, block  threads and units in a block; they change the time, not a bit of the result
    command  words of the command up to the case and its changes, for the line that runs it again

    Raises CaseError for a path without a sound case, InvalidArgument for an unknown option and arguments out of range,
    EvaluationError where the chain gives no number.

    >>> import margin
    >>> study = margin.age("case.toml", "one-point", ages=["1000 h"], every="500 h", units=400, workers=1)
    >>> study.yields["age"].tolist()
    [0.0, 500.0, 1000.0]
    """
    case = as_case(case)
    if workers is not None and workers < 1:
        raise InvalidArgument(f"workers must be at least 1 (got {workers!r})")
    grid = [hours_of("age", each) for each in ages]
    found = over_age(
        case,
        case.calibrations[0].name if option is None else option,
        years=years,
        points=points,
        ages=grid,
        every=None if every is None else hours_of("every", every),
        units=units,
        workers=workers,
        block=block,
        stage=stage,
    )
    return AgeStudy(found, command_of(found, command, horizon_years(case, years), points, grid))
