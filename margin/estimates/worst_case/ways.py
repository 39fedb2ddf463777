"""The three ways side by side, and the corners of the extreme values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.estimates.worst_case.corners import Corners
from margin.estimates.worst_case.dependence import correlation_of
from margin.estimates.worst_case.effects import Effects, why
from margin.estimates.worst_case.moments import Moments, moments
from margin.estimates.worst_case.screen import Screen, screen
from margin.estimates.worst_case.search import Found, search
from margin.estimates.worst_case.staircases import ROUNDING, class_error, rounding_variance
from margin.estimates.worst_case.tied import Tied
from margin.estimates.worst_case.variables import OUTER_SHARE, Variable
from margin.estimates.worst_case.verdict import COVERAGE, Range, Ranges
from margin.propagation.histogram import quantile
from margin.propagation.model import Model
from margin.propagation.readings import use_conditions
from margin.propagation.tally import Frame, Tally

Array = NDArray[np.float64]


@dataclass(frozen=True)
class WorstCase:
    """Worst case of one calibration option: `OptionResult.worst_case` and `OptionResult.extremes`."""

    ways: pd.DataFrame
    extremes: pd.DataFrame


@dataclass(frozen=True)
class _Condition:
    """All that is known of one condition of use."""

    corners: Corners
    screened: Screen
    found: Found
    moved: Moments
    steps: Array

    @classmethod
    def of(cls, corners: Corners) -> _Condition:
        screened, found = _searched(corners)
        return cls(corners, screened, found, *propagated(corners))

    def range_of(self, second: bool) -> Array:
        """(2, load) ends of the root sum square at COVERAGE, N."""
        u, shift = (self.moved.u_second, self.moved.shift) if second else (self.moved.u_first, 0.0)
        half = COVERAGE * np.sqrt(u**2 + self.steps)
        return np.stack([self.moved.mean + shift - half, self.moved.mean + shift + half])


def first_order(corners: Corners) -> tuple[Array, Array]:
    """Error at the mean of all inputs, and its combined standard uncertainty of first order, (load,), N."""
    moved, steps = propagated(corners)
    return moved.mean, np.sqrt(moved.u_first**2 + steps)


def extreme_values(corners: Corners) -> tuple[Array, Array]:
    """Lowest and highest error that the search finds, (load,), N."""
    lowest, highest = _searched(corners)[1].error
    return lowest, highest


def _searched(corners: Corners) -> tuple[Screen, Found]:
    low, centre, high = (corners.column(name) for name in ("low", "centre", "high"))

    def errors(rows: Array) -> Array:
        return corners.errors(corners.possible(rows))

    screened = screen(errors, low, centre, high)
    tied = Tied.of(corners.variables, corners.model.groups)
    if not tied.any:
        return screened, search(errors, low, centre, high, screened)

    def together(rows: Array) -> Array:
        return errors(tied.expanded(rows))

    low, centre, high = (end[tied.free] for end in (low, centre, high))
    return screened, tied.found(search(together, low, centre, high, screen(together, low, centre, high)))


def propagated(corners: Corners) -> tuple[Moments, Array]:
    """Moments of the case without staircases, and (load,), N^2, the variance by them: rounding and classes."""
    smooth = corners.smooth()
    rounding = np.array([v.factor.quantity == ROUNDING for v in smooth.variables], dtype=bool)
    mean, sd, low, high = (smooth.column(name)[~rounding] for name in ("mean", "sd", "low", "high"))
    found = moments(
        smooth.errors_of(~rounding),
        mean,
        sd,
        low=low,
        high=high,
        correlation=correlation_of(corners.variables, corners.model.groups),
    )
    centres = smooth.column("mean")[rounding]
    one_count = np.full_like(centres, 12**-0.5)
    steps = rounding_variance(smooth.errors_of(rounding), centres, one_count)
    return found, steps + _class_variance(corners)


def _class_variance(corners: Corners) -> Array:
    """(load,) variance by the classes of sorting, of the mean of all inputs, N^2."""
    (option,) = corners.model.case.calibrations
    if option.kind != "classes":
        return np.zeros(len(corners.model.case.check_loads))
    error = class_error(corners.model.classes[option.name])
    mean = corners.smooth().column("mean")[None]
    above, below = (corners.smooth(sign * error).errors(mean)[0] for sign in (1.0, -1.0))
    variance: Array = (0.5 * (above - below)) ** 2
    return variance


def worst_cases(model: Model, frame: Frame, tallies: dict[str, Tally]) -> Iterator[tuple[str, WorstCase]]:
    """Worst case of each option; see `OptionResult.worst_case` and `OptionResult.extremes` for the columns.

    Ranges are over all conditions of use: the root sum square is taken in each of them, from its own mean. The
    cost does not depend on the units drawn: some 10,000 to 30,000 corners for each option and condition, at most
    ROWS for the search and 4 n^2 beside it for n variables; 0.3 s for 50 variables and 6 loads on one core. Steps
    are too short for threads to share.
    """
    conditions = use_conditions(model.case)
    for option in model.case.calibrations:
        known = [_Condition.of(Corners.of(model, option, condition)) for condition in conditions]
        yield option.name, WorstCase(_ways(known, frame, tallies[option.name]), _extremes(known, frame.loads))


def _ways(known: list[_Condition], frame: Frame, tally: Tally) -> pd.DataFrame:
    ends = np.array([OUTER_SHARE, 1.0 - OUTER_SHARE])
    pooled = tally.errors.sum(axis=(0, 1))
    drawn = quantile(pooled, frame.bins, ends, tally.low.min(axis=0), tally.high.max(axis=0)).T
    extreme = _envelope([c.found.error for c in known])
    first, second = (_envelope([c.range_of(order) for c in known]) for order in (False, True))
    at_load = [
        Ranges(*(Range(float(low), float(high)) for low, high in ends))
        for ends in np.stack([drawn, first, second, extreme]).transpose(2, 0, 1)
    ]
    # the condition that is furthest out tells why
    wide = np.stack([_half(c.found.error) for c in known]).argmax(axis=0)
    effects = [
        Effects.of(c.corners.variables, c.moved, c.screened, c.found, load)
        for load, c in enumerate(known[i] for i in wide)
    ]
    return pd.DataFrame(
        {
            "load_N": frame.loads,
            "extreme_low_N": extreme[0],
            "extreme_high_N": extreme[1],
            "rss_mean_N": first.mean(axis=0),
            "root_sum_square_N": _half(first),
            "rss_second_mean_N": second.mean(axis=0),
            "root_sum_square_second_N": _half(second),
            "monte_carlo_low_N": drawn[0],
            "monte_carlo_high_N": drawn[1],
            "extreme_over_draws": [r.extreme_over_drawn for r in at_load],
            "rss_over_draws": [r.rss_over_drawn for r in at_load],
            "verdict": [r.verdict() for r in at_load],
            "why": [why(r, e) for r, e in zip(at_load, effects, strict=True)],
        }
    )


def _envelope(ranges: list[Array]) -> Array:
    """(2, load) lowest and highest end of ranges (2, load)."""
    stacked = np.stack(ranges)
    return np.stack([stacked[:, 0].min(axis=0), stacked[:, 1].max(axis=0)])


def _half(ends: Array) -> Array:
    half: Array = 0.5 * (ends[1] - ends[0])
    return half


def _extremes(known: list[_Condition], loads: Array) -> pd.DataFrame:
    """The corner of each load and end, under the condition that is furthest out, largest change first."""
    parts = []
    for load, newtons in enumerate(loads):
        for end, (name, sign) in enumerate((("low", -1.0), ("high", 1.0))):
            worst = known[int(np.argmax([sign * c.found.error[end, load] for c in known]))]
            variables, found = worst.corners.variables, worst.found
            case = worst.corners.model.case
            order = np.argsort(-found.change[end, load], kind="stable")
            values = worst.corners.possible(found.corner[end, load][None])[0]
            parts.append(
                pd.DataFrame(
                    {
                        "load_N": newtons,
                        "end": name,
                        "error_N": found.error[end, load],
                        "condition": worst.corners.condition,
                        "factor": [variables[i].factor.name for i in order],
                        "event": [variables[i].event for i in order],
                        "value": values[order],
                        "unit": [variables[i].unit(case) for i in order],
                        "position": [_position(variables[i], float(values[i])) for i in order],
                        "change_N": 0.0 - sign * found.change[end, load][order],
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _position(variable: Variable, value: float) -> str:
    """Where a value lies: 'low', 'high' (at that limit), 'centre' (as designed), 'inside'."""
    for name in ("centre", "low", "high"):
        if abs(value - getattr(variable, name)) <= 1e-9 * (variable.high - variable.low):
            return name
    return "inside"
