"""Effects of causes on the force error, the margin and failing units, as data."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from margin.case.types import Case
from margin.estimates.sensitivity.rounds import REPLICATES, Refined

MOST_ADVISED = 10_000_000_000
"""Units that could be drawn in days; more are not advised."""

MAIN_EFFECT = (
    "Main effect: the share of the variance that a cause makes by itself; main effects never overlap."
)
TOTAL_EFFECT = (
    "Total effect: the part of the variance that would go if this cause alone were fixed, with all it does together "
    "with others; total effects overlap and do not add up."
)
CURED = "Cured: of the failing units, the part that would conform had this cause alone been drawn afresh."


@dataclass(frozen=True)
class Runs:
    """How much was evaluated for one grouping, and why it ended.

    base        independent units, each evaluated as drawn, all drawn again, and with each group drawn again
    runs        evaluations of a unit in all
    widest      full width of the widest interval that decides: those of the LEADING causes
    stopped_by  'width': every such interval is at most `width` wide; 'budget': the budget of evaluations was spent
    more        evaluations still needed for `width`, by the root law
    """

    by: str
    groups: int
    base: int
    runs: int
    widest: float
    width: float
    stopped_by: str
    more: int

    @classmethod
    def of(cls, by: str, found: Refined, width: float) -> Runs:
        effects = found.effects
        return cls(
            by=by,
            groups=len(effects.groups),
            base=effects.units,
            runs=found.runs,
            widest=found.widest,
            width=width,
            stopped_by=found.stopped_by,
            more=found.more,
        )


@dataclass(frozen=True)
class ErrorShares:
    """Main and total effects of causes. Outputs are 'error at L N', 'conformity margin' and 'failing unit'.

    effects      one row an option, output, grouping (`by`) and group, columns as `tables.effects_frame`
    sums         one row an option, output and grouping: mean, variance, sums of effects, finding
    scopes       one row an option and output: standard_deviation and the shares common, between, within, each with
                 _low and _high: common to all units, from unit to unit (what a calibration could remove), within a
                 unit (what no calibration of the unit removes); reason where there are none
    over_temperature  the effects by cause at fixed temperatures in use, with temperature_degC, standard_deviation
                 and mean of the output; None where not asked for
    second       one row an option, output and pair of groups; None where not asked for
    shapley      one row an option, output and factor; None where not asked for
    dependent    factors that are one group because they depend on each other
    inert        groups that change no output of any option: did they reach the model?
    """

    case: Case
    effects: pd.DataFrame
    sums: pd.DataFrame
    scopes: pd.DataFrame
    over_temperature: pd.DataFrame | None
    second: pd.DataFrame | None
    shapley: pd.DataFrame | None
    runs: tuple[Runs, ...]
    dependent: tuple[str, ...]
    inert: tuple[str, ...]


ESTIMATORS = (
    "Units drawn at random, evaluated as drawn, with all draws drawn again, and with each cause alone drawn again; "
    "main effect: correlation of two units that have that cause alone in common (Sobol 1993; Janon et al. 2014), total "
    "effect: 1 less the correlation of two units that have all others in common (Jansen 1999), both with the "
    f"correlation of unrelated units as control variate; intervals by the jackknife over {REPLICATES} replicates "
    "(Student t), of failing units exact where they are few (Clopper and Pearson 1934)"
)
