"""The Python face of the acceptance test: `margin.accept(case, option)`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from distributions.errors import InvalidArgument
from margin.case.faults import ValueFault
from margin.case.load import as_case
from margin.case.tables import read_single
from margin.case.types import Case
from margin.design.acceptance.evaluate import RISK, acceptance
from margin.design.acceptance.result import Acceptance, Against, Of
from margin.design.acceptance.station_test import Station
from margin.design.acceptance.tables import limits_frame, rules_frame
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Verdict
from margin.messages.acceptance import command_of
from margin.report import accept_figures, accept_page
from margin.report.shown import Shown, drawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class AcceptStudy(Shown):
    """Acceptance test at the end of the line. Printing it, or naming it in a notebook, shows the test limit first.

    command  that gives the same result again

    >>> import margin
    >>> study = margin.accept("case.toml", "one-point", risk="2 %")
    >>> study.verdict
    'conforms'
    >>> figure = study.risk_over_limit()
    """

    found: Acceptance
    command: str

    @property
    def verdict(self) -> Verdict:
        """'conforms' where a test limit is shown to keep the stated consumer's risk."""
        return self.found.verdict

    @property
    def limit(self) -> float | None:
        """Test limit chosen, a multiple of the permissible error; None: no test."""
        return self.found.chosen.limit

    @property
    def limits(self) -> pd.DataFrame:
        """Operating table: one row a test limit, ascending; the last row, without a limit, is no test.

        Shares are of units; where the requirement counts readings, good and bad in use are shares of readings.

        Columns:
            limit                                   [1] multiple of the permissible error
            scrapped (_low, _high)                  [1] share of the units produced that the test scraps
            shipped_bad (_low, _high)               [1] bad in use and shipped, of the units produced: global consumer's
                                                        risk
            shipped_bad_p5, shipped_bad_p95         [1] its 5 % and 95 % points over the outer draws; none without any
            bad_of_shipped (_low, _high)            [1] bad in use, of the units shipped
            bad_of_shipped_p5, bad_of_shipped_p95   [1] its points over the outer draws
            scrapped_good (_low, _high)             [1] good in use and scrapped, of the units produced: global
                                                        producer's risk
            scrapped_good_p5, scrapped_good_p95     [1] its points over the outer draws
            scrapped_of_good (_low, _high)          [1] scrapped, of the units good in use
            scrapped_of_good_p5, scrapped_of_good_p95 [1] its points over the outer draws
            bound (_low, _high)                     [1] upper bound of `bad_of_shipped`
            verdict                                 [text] that bound against the required yield
            station_shipped_bad (_low, _high)       [1] as `shipped_bad`, bad by the true error at the test
            station_bad_of_shipped (_low, _high)    [1] as `bad_of_shipped`, likewise
            station_scrapped_good (_low, _high)     [1] as `scrapped_good`, likewise
            station_scrapped_of_good (_low, _high)  [1] as `scrapped_of_good`, likewise
        """
        return limits_frame(self.found)

    @property
    def rules(self) -> pd.DataFrame:
        """Test limits by rule: guard bands, stated risk, lowest cost, no test.

        Columns:
            rule                          [text] rule
            guard_band                    [1] 1 - limit, of the permissible error; none without a limit
            multiplier                    [1] guard band over the expanded uncertainty U of the test
            limit                         [1] multiple of the permissible error
            scrapped (_low, _high)        [1] share of the units produced that the test scraps
            bad_of_shipped (_low, _high)  [1] bad in use, of the units shipped
            scrapped_good (_low, _high)   [1] good in use and scrapped, of the units produced
        """
        return rules_frame(self.found)

    def risk_over_limit(self) -> Figure:
        """Consumer's and producer's risk (%) over the test limit, with intervals, the limit chosen and the risk stated.

        The figure belongs to no window (see `margin.report.drawing.Drawing`): name it last in a notebook cell, or
        `savefig` it.
        """
        return drawn(lambda: accept_figures.risk_over_limit(self.found))

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figure, JSON and CSV; the path of the page. `replace`: also in place of the report of another
        case."""
        return accept_page.write(self.found, self.command, Path(folder), replace=replace)

    def __str__(self) -> str:
        return accept_page.render(self.found, self.command)

    def _repr_html_(self) -> str:
        return accept_page.notebook_html(self.found, self.command)


def accept(
    case: Case | str | Path,
    option: str | None = None,
    *,
    risk: float | str = RISK,
    risk_of: Of = "shipped",
    against: Against = "use",
    test_loads: Sequence[float | str] | None = None,
    reloads: int = 1,
    samples: int = 1,
    station: Station = "same",
    limits: Sequence[float] = (),
    cost_bad: float | None = None,
    cost_good: float | None = None,
    units: int | None = None,
    workers: int | None = None,
    block: int | None = None,
    command: Sequence[str] = (),
    stage: Stage = no_progress,
) -> AcceptStudy:
    """Acceptance test of a case, or of that of the file at a path: test limit and guard band for a consumer's risk.

    option      calibration after which units are tested, the first by default
    risk        not to be exceeded, such as '1 %' or 0.01; risk_of: the units 'shipped' or 'produced'; against: bad by
                the requirement in 'use', or by the true error at the test ('station')
    test_loads  such as ['10 N', '40 N'], or numbers in N; by default the check loads
    reloads, samples  placements of each test load, readings in each; the mean counts
    station     the 'same' as calibrates, or an 'other' one of its kind
    limits      further rows of the operating table, multiples of the permissible error
    cost_bad, cost_good  of a shipped bad and a scrapped good unit: they give the limit of lowest cost
    units       drawn, by default those of the case, 100 000 at most
    workers, block  threads and units in a block; they change the time, not a bit of the result
    command     words of the command up to the case and its changes, for the line that runs it again

    Raises CaseError for a path without a sound case, InvalidArgument for an unknown option and arguments out of range,
    EvaluationError where the chain gives no number.

    >>> import margin
    >>> study = margin.accept("case.toml", "none", risk="5 %", limits=[0.9], workers=1)
    >>> study.limit is None or study.limit < 2.0
    True
    >>> bool(study.limits["shipped_bad"].is_monotonic_increasing)
    True
    """
    case = as_case(case)
    found = acceptance(
        case,
        case.calibrations[0].name if option is None else option,
        risk=_share("risk", risk),
        of=risk_of,
        against=against,
        loads=None if test_loads is None else [_load(load) for load in test_loads],
        reloads=reloads,
        samples=samples,
        station=station,
        limits=limits,
        cost_bad=cost_bad,
        cost_good=cost_good,
        units=units,
        workers=workers,
        block=block,
        stage=stage,
    )
    return AcceptStudy(found, command_of(found, command))


def _share(name: str, value: float | str) -> float:
    """A share from a number, or a text such as '1 %'."""
    if not isinstance(value, str):
        return value
    text = value.strip()
    try:
        return float(text[:-1]) / 100.0 if text.endswith("%") else float(text)
    except ValueError:
        raise InvalidArgument(f"{name} {value!r} is not a share: write for example '1 %' or 0.01") from None


def _load(value: float | str) -> float:
    """A load, N, from a number or a text such as '10 N'."""
    if not isinstance(value, str):
        return float(value)
    try:
        return read_single(value, "N")
    except ValueFault as fault:
        raise InvalidArgument(f"test load {value!r}: {fault}") from fault
