"""Worst case three ways: limits searched, root sum square, Monte Carlo percentile."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions import Distribution, StudentT
from margin.case.types import Case
from margin.propagation.draws import GivenSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.histogram import quantile
from margin.propagation.readings import use_conditions, use_event
from margin.propagation.run import Model, block_errors
from margin.propagation.tally import Frame, Tally

Array = NDArray[np.float64]

OUTER_SHARE = 0.00135
"""Probability beyond each limit where a shape has no end of its own: the limits of +-3 sigma."""

COVERAGE = 3.0
"""Factor of the root sum square, to compare with the 0.135 % and 99.865 % points of the draws."""

SWEEPS = 4


@dataclass(frozen=True)
class Variable:
    """One number that a corner sets: a factor at an event, at one load of the calibration where it is drawn
    for each load.

    places  rows of the load axis that it sets (None: all)
    low, centre, high  deviations; sd: standard deviation; a mean of several draws has less of each
    """

    factor: Factor
    stream: str
    place: int | None
    loads: int
    low: float
    centre: float
    high: float
    mean: float
    sd: float

    @property
    def key(self) -> tuple[str, str]:
        return self.factor.name, self.stream


def _limits(factor: Factor, averaged: int) -> tuple[float, float, float, float, float]:
    """Low, centre, high, mean and standard deviation of a factor's deviation, or of a mean of such draws.

    A mean of draws scatters less; but all of them may lie at a limit that the shape has of its own.
    """
    shape = factor.distribution
    if factor.measured_on is not None:
        shape = _predictive(shape, factor.measured_on)
    low, high = shape.support
    ends = shape.ppf(np.array([OUTER_SHARE, 1.0 - OUTER_SHARE]))
    mean, sd = shape.mean, shape.sd
    centre = mean if factor.standardised else 0.0
    shrink = 1.0 / math.sqrt(averaged)
    low = low if np.isfinite(low) else centre + shrink * (float(ends[0]) - centre)
    high = high if np.isfinite(high) else centre + shrink * (float(ends[1]) - centre)
    return low, centre, high, mean, shrink * sd


def _predictive(shape: Distribution, units: int) -> Distribution:
    """What one further unit may be, where mean and spread were taken from few: Student's t, widened by the mean.

    Three units or fewer leave its standard deviation without bound; that of four then stands for it.
    """
    return StudentT(shape.mean, shape.sd * math.sqrt(1.0 + 1.0 / units), float(max(units - 1, 3)))


def variables_of(model: Model) -> tuple[Variable, ...]:
    """All variables of a case: factors in use, and again at calibration where they are drawn afresh there."""
    case = model.case
    events = [use_event(case, c) for c in use_conditions(case)]
    calibration = calibration_event(case)
    found: dict[tuple[str, str, int | None], Variable] = {}
    for factor in model.factors:
        for event in events:
            if factor.level != "calibration":
                key = (factor.name, event.stream(factor.level), None)
                found.setdefault(key, _variable(factor, key[1], None, 1, 1))
        if calibration is None or factor.role == "use":
            continue
        stream = calibration.stream(factor.level)
        if factor.level in ("loading", "reading"):
            averaged = calibration.loadings * (calibration.readings if factor.level == "reading" else 1)
            for place in range(calibration.loads):
                found[(factor.name, stream, place)] = _variable(
                    factor, stream, place, calibration.loads, averaged
                )
        elif (factor.name, stream, None) not in found:
            found[(factor.name, stream, None)] = _variable(factor, stream, None, 1, 1)
    return tuple(v for v in found.values() if v.high > v.low)


def _variable(factor: Factor, stream: str, place: int | None, loads: int, averaged: int) -> Variable:
    return Variable(factor, stream, place, loads, *_limits(factor, averaged))


def calibration_event(case: Case) -> Event | None:
    """Event of the calibrations as the station draws it; None where no option calibrates.

    With options of several stages the mounting of the first that is not the finished product counts.
    """
    options = [o for o in case.calibrations if o.kind != "none"]
    if not options:
        return None
    loads = {0.0, *(load for o in options for load in o.loads)}
    return Event(
        "calibration",
        loadings=min(o.reloads for o in options),
        readings=min(o.samples for o in options),
        loads=len(loads),
        rebuilt=any(o.stage != "finished product" for o in options),
        calibrating=True,
    )


def _single(case: Case) -> Case:
    """The case with one reading of each kind a unit: a corner is one reading."""
    return dataclasses.replace(
        case, study=dataclasses.replace(case.study, conditions=1, loadings=1, readings=1)
    )


@dataclass(frozen=True)
class Corners:
    """Evaluates corners: rows of deviations, one for each variable."""

    model: Model
    variables: tuple[Variable, ...]

    @classmethod
    def of(cls, model: Model) -> Corners:
        single = Model(_single(model.case), model.nominal, model.factors, model.groups, model.classes)
        return cls(single, variables_of(model))

    def errors(self, rows: Array) -> Array:
        """Force errors, N: (option, condition, corner, load) from rows (corner, variable)."""
        count = rows.shape[0]
        given: dict[tuple[str, str], Array] = {}
        for column, variable in enumerate(self.variables):
            values = rows[:, column].reshape(-1, 1, 1, 1, 1)
            if variable.place is None:
                given[variable.key] = values
                continue
            if variable.key not in given:
                given[variable.key] = np.zeros((count, 1, 1, 1, variable.loads))
            given[variable.key][..., variable.place] = values[..., 0]
        shared = frozenset(
            f.name for f in self.model.factors if f.level in ("common", "station", "lot")
        )
        found = block_errors(self.model, GivenSource(given, count, shared), count)
        return np.stack(
            [np.stack([e[:, 0, 0, 0, :] for e in by_condition]) for by_condition in found.by_option.values()]
        )

    def column(self, name: str) -> Array:
        """One property of all variables."""
        return np.array([getattr(v, name) for v in self.variables], dtype=np.float64)


def first_order(corners: Corners) -> tuple[Array, Array]:
    """Error at the mean of all inputs, and root of the sum of squares, (option, condition, load), N.

    Each contribution is half the difference of the errors one standard deviation above and below the mean
    (GUM 5.1.3, note 2).
    """
    mean, sd = corners.column("mean"), corners.column("sd")
    count = mean.size
    rows = np.tile(mean, (2 * count + 1, 1))
    rows[np.arange(count), np.arange(count)] += sd
    rows[count + np.arange(count), np.arange(count)] -= sd
    errors = corners.errors(rows)
    half = 0.5 * (errors[:, :, :count] - errors[:, :, count : 2 * count])
    return errors[:, :, -1], np.sqrt(np.sum(half**2, axis=2))


def extreme_values(corners: Corners) -> tuple[Array, Array]:
    """Lowest and highest error that the search finds, (option, load), N, over all conditions of use.

    From the corner that one-at-a-time effects point to, each variable in turn is tried at low, centre and
    high, for every option, load and direction at once, until a sweep improves nothing. Nothing is assumed
    monotone, but a worst point inside the limits that no sequence of single moves reaches is not found.
    """
    low, centre, high = corners.column("low"), corners.column("centre"), corners.column("high")
    count = centre.size
    rows = np.tile(centre, (2 * count + 1, 1))
    rows[np.arange(count), np.arange(count)] = high
    rows[count + np.arange(count), np.arange(count)] = low
    single = corners.errors(rows)
    best: dict[float, Array] = {}
    for sign in (-1.0, 1.0):
        moved = sign * single
        up, down, still = moved[:, :, :count], moved[:, :, count : 2 * count], moved[:, :, -1:]
        choice = np.where((up >= down) & (up >= still), high[:, None], low[:, None])
        choice = np.where((still > up) & (still > down), centre[:, None], choice)
        start = np.moveaxis(choice, 2, -1)
        best[sign] = sign * _climb(corners, start, sign).max(axis=1)
    return best[-1.0], best[1.0]


def _climb(corners: Corners, start: Array, sign: float) -> Array:
    """Signed error after coordinate search; start: (option, condition, load, variable)."""
    options, conditions, loads, count = start.shape
    states = options * conditions * loads
    current = start.reshape(states, count).copy()
    own = np.indices((options, conditions, loads)).reshape(3, states)

    def value(rows: Array) -> Array:
        errors = corners.errors(rows)
        return np.asarray(sign * errors[own[0], own[1], np.arange(states), own[2]])

    best = value(current)
    levels = np.stack([corners.column("low"), corners.column("centre"), corners.column("high")])
    for _ in range(SWEEPS):
        before = best.copy()
        for column in range(count):
            for level in levels[:, column]:
                trial = current.copy()
                trial[:, column] = level
                found = value(trial)
                better = found > best
                current[better, column] = level
                best = np.where(better, found, best)
        if not np.any(best > before + 1e-12 * np.abs(before)):
            break
    return best.reshape(options, conditions, loads)


def _verdict(draws_low: float, draws_high: float, low: float, high: float) -> str:
    """What root sum square makes of the draws' range: compare the half widths and centres."""
    drawn, summed = 0.5 * (draws_high - draws_low), 0.5 * (high - low)
    if drawn <= 0.0:
        return "nothing varies"
    if summed < 0.8 * drawn:
        return "root sum square too narrow: an effect without first-order term (overlap, tilt, stop, clipping)"
    if summed > 1.2 * drawn:
        return "root sum square too wide: limits or clipping cut what it adds up"
    centre = abs(0.5 * (draws_low + draws_high) - 0.5 * (low + high))
    if centre > 0.2 * drawn:
        return "root sum square off centre: one-sided effects"
    return "the three agree in kind"


def worst_cases(model: Model, frame: Frame, tallies: dict[str, Tally]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Worst case of each option, one row a check load; see `OptionResult.worst_case` for the columns."""
    corners = Corners.of(model)
    centre, summed = first_order(corners)
    lowest, highest = extreme_values(corners)
    ends = np.array([OUTER_SHARE, 1.0 - OUTER_SHARE])
    for row, (name, tally) in enumerate(tallies.items()):
        worst = summed[row].argmax(axis=0)
        load = np.arange(frame.loads.size)
        rss, mean = COVERAGE * summed[row][worst, load], centre[row][worst, load]
        pooled = tally.errors.sum(axis=(0, 1))
        drawn = quantile(pooled, frame.bins, ends, tally.low.min(axis=0), tally.high.max(axis=0))
        yield (
            name,
            pd.DataFrame(
                {
                    "load_N": frame.loads,
                    "extreme_low_N": lowest[row],
                    "extreme_high_N": highest[row],
                    "rss_mean_N": mean,
                    "root_sum_square_N": rss,
                    "monte_carlo_low_N": drawn[:, 0],
                    "monte_carlo_high_N": drawn[:, 1],
                    "verdict": [
                        _verdict(a, b, m - r, m + r)
                        for (a, b), m, r in zip(drawn, mean, rss, strict=True)
                    ],
                }
            ),
        )
