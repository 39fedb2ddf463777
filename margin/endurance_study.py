"""The Python faces of life tests: `margin.endurance(data)` and `margin.qualify(...)`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.report import endurance_page
from margin.report.shown import Shown, drawn
from margin.service.endurance import Drift, LifeData, read_endurance
from margin.service.into_model import into_model
from margin.service.life_fits import LifeFit, Shape, fit_life
from margin.service.plans import Acceleration, TestPlans, plans_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CONFIDENCE = 0.95
SHARES = (0.01, 0.05, 0.1, 0.5)


@dataclass(frozen=True, repr=False)
class LifeStudy(Shown):
    """Lives of units, fitted. Printing it shows the fits and the life that they give.

    name   of the file
    found  lives as read
    fits   of them, the one that follows the data better first

    >>> import margin
    >>> text = "unit,time (h),failed\\n1,120,1\\n2,300,1\\n3,400,1\\n4,500,0\\n"
    >>> _ = open("lives.csv", "w").write(text)
    >>> study = margin.endurance("lives.csv")
    >>> sorted(study.lives["distribution"].unique())
    ['Weibull', 'lognormal']
    >>> figure = study.failed_over_life()
    """

    name: str
    found: LifeData
    fits: tuple[LifeFit, ...]

    @property
    def lives(self) -> pd.DataFrame:
        """Lives by each fit, one row a distribution and share failed.

        Columns:
            distribution       [text] 'Weibull' or 'lognormal'
            scale (_low, _high) [SI]  characteristic life, or median: hours, or cycles, as the data are
            shape (_low, _high) [1]   shape of the Weibull distribution, spread of ln(life) of the lognormal one
            failed             [1]    share of the units that has failed
            life (_low, _high) [SI]   life by which it has, hours or cycles
            akaike             [1]    criterion of Akaike: the lower, the better the fit follows the data
        """
        return endurance_page.lives_frame(self.fits, SHARES, CONFIDENCE)

    def failed_over_life(self) -> Figure:
        """Share failed over life: the data by Kaplan and Meier, and each fit."""
        return drawn(lambda: endurance_page.failed_over_life(self.fits, self.found.counted_in))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figure, JSON and CSV; the path of the page."""
        return endurance_page.write_endurance(
            self.name, self.found, self.fits, self.lives, Path(folder), replace=replace
        )

    def __str__(self) -> str:
        return endurance_page.render_endurance(self.name, self.found, self.fits, self.lives)

    def _repr_html_(self) -> str:
        return endurance_page.endurance_html(self.name, self.found, self.fits, self.lives)


@dataclass(frozen=True, repr=False)
class DriftStudy(Shown):
    """The drift of outputs over age. Printing it shows the rate, its spread and their text for a case.

    data   the file
    found  the drift of each unit

    >>> import margin
    >>> text = "unit,time (h),output\\n1,0,4\\n1,9,3.9\\n1,99,3.8\\n2,0,4\\n2,9,3.8\\n2,99,3.6\\n"
    >>> _ = open("drift.csv", "w").write(text)
    >>> len(margin.endurance("drift.csv").rates)
    2
    """

    data: Path
    found: Drift

    @property
    def name(self) -> str:
        """Name of the file."""
        return self.data.name

    @property
    def rates(self) -> pd.DataFrame:
        """Loss of output per decade of hours, one row a unit.

        Columns:
            unit   [text] its name
            rate   [1]    relative loss per decade
            error  [1]    standard error from its own readings
            ended  [SI]   hours until its last reading
        """
        return endurance_page.rates_frame(self.found)

    def into_model(self, path: str | Path) -> Path:
        """Put the rate into a fitted model as the ageing of its sensor, with where it comes from; the path.

        The ageing of an earlier call is replaced. CaseError for a file that is no fitted model, or whose ageing is
        stated otherwise.
        """
        return into_model(Path(path), self.found, self.data)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, JSON and CSV; the path of the page."""
        return endurance_page.write_endurance(
            self.name, self.found, (), self.rates, Path(folder), replace=replace
        )

    def __str__(self) -> str:
        return endurance_page.render_endurance(self.name, self.found, (), self.rates)

    def _repr_html_(self) -> str:
        return endurance_page.endurance_html(self.name, self.found, (), self.rates)


@dataclass(frozen=True, repr=False)
class Qualification(Shown):
    """Tests that show a reliability over one life, and what a finished one shows.

    >>> import margin
    >>> margin.qualify(0.9, 0.9).plans["units"].tolist()
    [22, 38, 52]
    """

    found: TestPlans

    @property
    def plans(self) -> pd.DataFrame:
        """Tests, one row each.

        Columns:
            duration   [1] of the test, in lives
            failures   [1] that it allows
            units      [1] to be tested
            unit_lives [1] duration times units
        """
        return self.found.table

    @property
    def shown(self) -> float | None:
        """Reliability that the finished test shows, at the confidence; None where none was stated."""
        return None if self.found.finished is None else self.found.finished.shown

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write JSON and CSV; the path of the JSON."""
        return endurance_page.write_qualification(self.found, Path(folder), replace=replace)

    def __str__(self) -> str:
        return endurance_page.render_qualification(self.found)

    def _repr_html_(self) -> str:
        return endurance_page.qualification_html(self.found)


def endurance(data: str | Path) -> LifeStudy | DriftStudy:
    """Fit endurance data of a CSV file: lives with censoring, or the drift of outputs over age.

    Raises CaseError for a file that holds neither, InvalidArgument for lives without a fit.

    >>> import margin
    >>> _ = open("lives.csv", "w").write("unit,time (h),failed\\n1,120,1\\n2,300,1\\n3,400,0\\n")
    >>> margin.endurance("lives.csv").found.lives.failures
    2
    """
    found = read_endurance(data)
    if isinstance(found, Drift):
        return DriftStudy(Path(data), found)
    shapes: tuple[Shape, ...] = ("Weibull", "lognormal")
    fits = [fit_life(found.lives, name) for name in shapes]
    return LifeStudy(Path(data).name, found, tuple(sorted(fits, key=lambda fit: fit.akaike)))


def qualify(
    reliability: float = 0.9,
    confidence: float = 0.9,
    *,
    shape: float | None = None,
    durations: Sequence[float] | None = None,
    failures: Sequence[int] = (0, 1, 2),
    tested: int | None = None,
    failed: int = 0,
    duration: float | None = None,
    activation_energy: float | None = None,
    in_service: float | None = None,
    in_test: float | None = None,
) -> Qualification:
    """Tests that show that a share `reliability` of units lives, and what a finished test leaves open.

    shape      of the Weibull distribution of lives, needed for a test of another duration than one life
    durations  of the tests, in lives by their own clock, by default what counts as one life; failures: that they allow
    tested, failed, duration  of a finished test: units, failures among them, and its duration likewise
    activation_energy, in_service, in_test  eV and degC: of a test that ages faster at its temperature (Arrhenius)

    InvalidArgument for values out of their range, for a test of other than one life without a shape, and where one of
    activation energy and temperatures is missing.

    >>> import margin
    >>> found = margin.qualify(0.9, 0.9, tested=22)
    >>> round(found.shown, 2)
    0.9
    """
    acceleration = _acceleration(activation_energy, in_service, in_test)
    one_life = 1.0 if acceleration is None else 1.0 / acceleration.factor
    finished = None if tested is None else (tested, failed, one_life if duration is None else duration)
    lasting = (one_life,) if durations is None else durations
    return Qualification(plans_of(reliability, confidence, shape, lasting, failures, finished, acceleration))


def _acceleration(
    energy: float | None, in_service: float | None, in_test: float | None
) -> Acceleration | None:
    given = {
        "activation energy": energy,
        "temperature in service": in_service,
        "temperature in the test": in_test,
    }
    missing = [name for name, value in given.items() if value is None]
    if energy is None or in_service is None or in_test is None:
        if len(missing) < len(given):
            raise InvalidArgument(
                f"no {missing[0]}: an accelerated test needs an activation energy (eV) and the temperatures in service "
                "and in the test (degC); state all three, or none"
            )
        return None
    return Acceleration(energy, in_service, in_test)
