"""What a study finds: plain data that the report shows and the files store. Nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from margin.case.types import CalibrationSpec, Case
from margin.estimates.advice.result import Advice
from margin.estimates.finding import Finding
from margin.estimates.shares import ErrorShares
from margin.estimates.yield_result import Estimate, Verdict, Yield, nearest_option
from margin.propagation.run_result import Computation


@dataclass(frozen=True)
class OptionResult:
    """What one calibration option brings.

    yields       by what counts: 'readings', 'units by share of readings', 'units at every check point'
    decisive     the one of them that the requirement names
    errors       one row a condition and check load ('all' for all conditions together): condition, load_N,
                 permissible_N, mean_N, sd_N, and p0_5, p2_5, p5, p50, p95, p97_5, p99_5 in N, each with
                 _low and _high; p95_abs_N with _low and _high; the same in percent of reading and of span as
                 p95_abs_reading, p95_abs_span
    worst_case   one row a check load, over all conditions of use: load_N, extreme_low_N, extreme_high_N,
                 root_sum_square_N (k = 3 about rss_mean_N), root_sum_square_second_N about rss_second_mean_N
                 (the same with terms of second order), monte_carlo_low_N, monte_carlo_high_N (0.135 % and
                 99.865 %), extreme_over_draws and rss_over_draws (half width over that of Monte Carlo: above 1
                 pessimistic, below 1 optimistic; infinite where the draws do not vary), verdict (how the ranges
                 compare), why (factors). Extreme values take every cause to the bounds of a spread bounded on both
                 sides, of any other to its 0.135 % and 99.865 % quantiles
    extremes     the corner of each extreme value, one row a check load, end ('low', 'high') and factor, largest
                 change first: load_N, end, error_N, condition, factor, event ('both', 'use', 'calibration',
                 'calibration at 30 N'), value (deviation from nominal in the unit of `unit`), unit ('relative',
                 'draw' for a standardised draw, else that of the quantity: 'V', 'K', ''), position ('low', 'high',
                 'centre', 'inside' its limits), change_N (by how much the error moves in if this one is back at
                 its centre)
    largest      the unit's largest error relative to the permissible one: value exceeded by (1 - target) of
                 the units; below 1 the requirement is met
    limit_curve  yield (with yield_low, yield_high) against the multiple of the permissible error
    saturation   one row a check load: load_N, saturated (share of readings at a limit), blind (share of
                 readings below turn-on or the smallest count), resolution_N (one count), noise_N (rms)
    seconds      a unit, on the calibration station
    convergence  the 5 % point of the decisive yield over ever more outer draws: outer, lower_bound, low, high;
                 empty where there is but one
    verdict     of the yield alone: whether the interval of its lower bound lies above or below the target
    readings_bias  how far 'units at every check point' moves when the number of readings a unit is halved
    """

    spec: CalibrationSpec
    yields: dict[str, Yield]
    decisive: str
    errors: pd.DataFrame
    worst_case: pd.DataFrame
    extremes: pd.DataFrame
    largest: Estimate
    limit_curve: pd.DataFrame
    saturation: pd.DataFrame
    seconds: float
    verdict: Verdict
    readings_bias: float
    convergence: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def conforms(self) -> bool:
        return self.verdict == "conforms"

    @property
    def decisive_yield(self) -> Yield:
        return self.yields[self.decisive]


def nearest_of(options: Sequence[OptionResult]) -> str:
    """Name of the option that comes nearest (see `nearest_option`); where no unit of any conforms, that with the least
    of largest errors."""
    if not any(option.decisive_yield.sampled.value for option in options):
        return min(options, key=lambda option: option.largest.value).name
    return nearest_option({option.name: option.decisive_yield for option in options})


@dataclass(frozen=True)
class Recommendation:
    """The option of lowest cost that conforms, or the obstacles.

    option     None where none conforms, or a design check is exceeded
    reason     for it, or for there being none
    obstacles  what stands in the way, or options that the draws leave open
    undecided  options of lower cost (all of them where none conforms) whose verdict the draws leave open
    """

    option: str | None
    reason: Finding
    obstacles: tuple[Finding, ...] = ()
    undecided: tuple[str, ...] = ()


@dataclass(frozen=True)
class DesignCheck:
    """One check beside the error. `value` is that of the unit that 99.9 % are better than, in the worst condition; for
    information the worst of all.

    margin   relative distance to the limit, positive when kept; None where there is no limit to hold against
    verdict  'kept', 'exceeded' or 'for information'
    """

    name: str
    value: float
    limit: float | None
    unit: str
    margin: float | None
    verdict: str
    note: str


@dataclass(frozen=True)
class Results:
    """A finished study.

    budget  one row an option, factor and change ('frozen', 'halved'): option, by, factor, part, level, change,
            yield, yield_change with yield_change_low and yield_change_high (share of all units, paired draws),
            error_N (95 % quantile of |error| over all readings of all units), error_change_N with _low and _high,
            rank (causes between which the draws do not decide share one), verdict ('resolved' or 'below resolution',
            all causes of one option and change allowed for), units (so many were evaluated under every change)
    samples of single units for the plot of error over load: option, unit, load_N, error_N
    shares  main and total effects by cause; None where no budget was asked for, or nothing varies
    path    how the readings of the study were computed; worst cases are by array operations
    uncompiled  why a study worth a compiled kernel was computed without one, '' where there is nothing to say
    looks   how often the study was looked at until it was decided or its units spent
    confidence  of the intervals of the yields at the last look
    lots    drawn, with a few units each; 0 where nothing varies from lot to lot
    advice  what would help where the design does not conform; None where it does, or no budget was asked for
    """

    case: Case
    options: tuple[OptionResult, ...]
    recommendation: Recommendation
    budget: pd.DataFrame
    checks: tuple[DesignCheck, ...]
    samples: pd.DataFrame
    units: int
    outer: int
    seed: int
    version: str
    cautions: tuple[str, ...]
    shares: ErrorShares | None = None
    path: Computation = "arrays"
    uncompiled: str = ""
    looks: int = 1
    confidence: float = 0.95
    lots: int = 0
    advice: Advice | None = None

    @property
    def exceeded(self) -> tuple[DesignCheck, ...]:
        """Design checks that are not kept."""
        return tuple(check for check in self.checks if check.verdict == "exceeded")

    @property
    def verdict(self) -> Verdict:
        """Of the design: its yield with the best option, and its design checks."""
        found = {option.verdict for option in self.options}
        if self.exceeded or found == {"does not conform"}:
            return "does not conform"
        return "conforms" if "conforms" in found else "undecided"

    @property
    def conforms(self) -> bool:
        return self.verdict == "conforms"

    @property
    def focus(self) -> OptionResult:
        """The recommended option; where none is, the one that comes nearest (see `nearest_of`)."""
        if self.recommendation.option is not None:
            return self.option(self.recommendation.option)
        return self.option(nearest_of(self.options))

    def option(self, name: str) -> OptionResult:
        """The option of that name; KeyError with the names there are."""
        for found in self.options:
            if found.name == name:
                return found
        raise KeyError(f"no calibration option {name!r}; there are {[o.name for o in self.options]}")
