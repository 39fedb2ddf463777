"""What overturns a decision, as data: turning points, pairs of them, and what has none."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from margin.case.types import Case
from margin.design.overturning.moves import Kind, Measure
from margin.estimates.yield_result import Estimate, Verdict

COLUMNS = (
    "quantity", "level", "kind", "measure", "direction", "unit", "assumed", "plausible_low", "plausible_high", "value",
    "value_low", "value_high", "multiple", "score", "score_low", "score_high", "searched_to", "held_at", "bound_there",
    "units", "change",
)  # fmt: skip
PAIR_COLUMNS = (
    "first", "first_kind", "first_direction", "first_value", "second", "second_kind", "second_direction",
    "second_value", "score", "score_low", "score_high", "first_alone", "second_alone", "units", "change",
)  # fmt: skip


@dataclass(frozen=True)
class Turning:
    """The value of one assumed quantity at which the verdict turns, with all else as the case states it.

    quantity, level, key  as the case names it
    kind       'size' of its spread, mean 'value' of it, or the true size of an 'effect' known within a band
    direction  'above' or 'below': the side of the value on which the design conforms
    measure    what the numbers are: 'half width', 'standard deviation', 'mean', 'true value', or 'value' of a quantity
               that scales a draw
    sign       +1 where it is found above the assumed value, -1 below
    unit       of the numbers: that of the quantity; '%' of nominal for the size of a relative spread
    assumed    number; plausible: its band (see `Move.band`)
    value      Estimate of the turning number, in order; an end is infinite where it was not found within the range;
               None where the verdict does not turn
    multiple   of the assumed size at the turning point; None for a value or an effect, and without one
    score      distance from the assumed value in standard scores, an Estimate as `value`; None without one
    searched_to  distance in standard scores up to which a turning point was sought; number_there: its number
    held_at    why the search ended before the usual range; '' where it did not
    bound      lower bound at the end of the search, where the verdict does not turn; else None
    units      drawn for each bound
    change     'key=value' that sets the quantity to its turning value, for `--change`; '' where there is no such text
    """

    quantity: str
    level: str
    key: str
    kind: Kind
    measure: Measure
    direction: str
    sign: int
    unit: str
    assumed: float
    plausible: tuple[float, float]
    value: Estimate | None
    multiple: float | None
    score: Estimate | None
    searched_to: float
    number_there: float
    held_at: str
    bound: Estimate | None
    units: int
    change: str = ""

    @property
    def contains_assumed(self) -> bool:
        """Whether the interval contains the assumed value: the draws leave the verdict open there."""
        return self.score is not None and self.score.low <= 0.0

    @property
    def subject(self) -> str:
        """Quantity with the level of its spread: 'circuit.offset per unit'."""
        return self.quantity if not self.level else f"{self.quantity} per {self.level}"


@dataclass(frozen=True)
class Pair:
    """Two quantities that turn the verdict together, both moved by the same number of standard scores.

    first, second  turning points that they have alone; first_value, second_value: their numbers together
    score          of both, as an Estimate
    changes        'key=value' of both
    """

    first: Turning
    second: Turning
    first_value: float
    second_value: float
    score: Estimate
    units: int
    changes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LeftOut:
    """Something assumed that no number moves, and why."""

    text: str
    why: str


@dataclass(frozen=True)
class Overturning:
    """What would overturn the decision about one option of a case.

    before    lower bound of its yield with everything as assumed; verdict: of that bound
    turnings  the nearest first; those that do not turn the verdict last, in the order of the chain
    pairs     of the nearest, the nearest first
    left_out  assumptions that are no number
    units, outer  drawn for the nearest; screened: for the others
    bounds    evaluated in all
    """

    case: Case
    option: str
    before: Estimate
    verdict: Verdict
    turnings: tuple[Turning, ...]
    pairs: tuple[Pair, ...]
    left_out: tuple[LeftOut, ...]
    units: int
    outer: int
    screened: int
    bounds: int
    version: str

    @property
    def target(self) -> float:
        """Required yield."""
        return self.case.requirement.target

    @property
    def nearest(self) -> tuple[Turning, ...]:
        """Turning points that were found, the nearest first."""
        return tuple(each for each in self.turnings if each.value is not None)

    @property
    def never(self) -> tuple[Turning, ...]:
        """Moves that do not turn the verdict within the range."""
        return tuple(each for each in self.turnings if each.value is None)

    def frame(self) -> pd.DataFrame:
        """All turning points, one row each; see `OverturnStudy.values` for the columns."""
        rows = [_row(each) for each in self.turnings]
        return pd.DataFrame(rows, columns=list(COLUMNS))

    def pairs_frame(self) -> pd.DataFrame:
        """All pairs, one row each; see `OverturnStudy.pairs` for the columns."""
        rows = [_pair_row(each) for each in self.pairs]
        return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def _row(each: Turning) -> dict[str, object]:
    value, score = each.value, each.score
    return {
        "quantity": each.quantity, "level": each.level, "kind": each.kind, "measure": each.measure,
        "direction": each.direction, "unit": each.unit,
        "assumed": each.assumed, "plausible_low": each.plausible[0], "plausible_high": each.plausible[1],
        "value": None if value is None else value.value, "value_low": None if value is None else value.low,
        "value_high": None if value is None else value.high, "multiple": each.multiple,
        "score": None if score is None else score.value, "score_low": None if score is None else score.low,
        "score_high": None if score is None else score.high, "searched_to": each.searched_to, "held_at": each.held_at,
        "bound_there": None if each.bound is None else each.bound.value, "units": each.units, "change": each.change,
    }  # fmt: skip


def _pair_row(each: Pair) -> dict[str, object]:
    own: dict[str, object] = {}
    for name, one, value in (
        ("first", each.first, each.first_value),
        ("second", each.second, each.second_value),
    ):
        own |= {
            name: one.subject, f"{name}_kind": one.kind, f"{name}_direction": one.direction, f"{name}_value": value,
            f"{name}_alone": None if one.score is None else one.score.value,
        }  # fmt: skip
    score = {"score": each.score.value, "score_low": each.score.low, "score_high": each.score.high}
    return {**own, **score, "units": each.units, "change": "; ".join(each.changes)}
