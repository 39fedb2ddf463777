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
from margin.case.types import CalibrationSpec, Case
from margin.propagation.draws import GivenSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.histogram import quantile
from margin.propagation.readings import use_conditions, use_event
from margin.propagation.run import Model, block_errors
from margin.propagation.tally import EvaluationError, Frame, Tally

Array = NDArray[np.float64]

OUTER_SHARE = 0.00135
"""Probability beyond each limit where a shape has no end of its own: the limits of +-3 sigma."""

COVERAGE = 3.0
"""Factor of the root sum square, to compare with the 0.135 % and 99.865 % points of the draws."""

SWEEPS = 40
"""Most moves of a corner; a search ends before, when nothing helps."""


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
    """Event of the calibration of a case with one option; None where it does not calibrate."""
    option = case.calibrations[0]
    if option.kind == "none":
        return None
    return Event(
        "calibration",
        loadings=option.reloads,
        readings=option.samples,
        loads=len({0.0, *option.loads}),
        rebuilt=option.stage != "finished product",
        calibrating=True,
    )


def _single(case: Case, option: CalibrationSpec) -> Case:
    """The case with one option, and one reading of each kind a unit: a corner is one reading."""
    study = dataclasses.replace(case.study, conditions=1, loadings=1, readings=1)
    return dataclasses.replace(case, study=study, calibrations=(option,))


@dataclass(frozen=True)
class Corners:
    """Evaluates corners of one calibration option: rows of deviations, one for each variable."""

    model: Model
    variables: tuple[Variable, ...]

    @classmethod
    def of(cls, model: Model, option: CalibrationSpec) -> Corners:
        single = dataclasses.replace(model, case=_single(model.case, option))
        return cls(single, variables_of(single))

    def errors(self, rows: Array) -> Array:
        """Force errors, N: (condition, corner, load) from rows (corner, variable)."""
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
        shared = frozenset(f.name for f in self.model.factors if f.level in ("common", "station", "lot"))
        found = block_errors(self.model, GivenSource(given, count, shared), count)
        ((name, by_condition),) = found.by_option.items()
        errors = np.stack([e[:, 0, 0, 0, :] for e in by_condition])
        if not np.isfinite(errors).all():
            raise EvaluationError(
                f"calibration {name!r}: a force error at the limits of the spreads is not a number: the chain gives "
                "no finite output there; look at the extremes of the spreads in this case"
            )
        return errors

    def column(self, name: str) -> Array:
        """One property of all variables."""
        return np.array([getattr(v, name) for v in self.variables], dtype=np.float64)


def first_order(corners: Corners) -> tuple[Array, Array]:
    """Error at the mean of all inputs, and root of the sum of squares, (condition, load), N.

    Each contribution is half the difference of the errors one standard deviation above and below the mean
    (GUM 5.1.3, note 2).
    """
    mean, sd = corners.column("mean"), corners.column("sd")
    count = mean.size
    rows = np.tile(mean, (2 * count + 1, 1))
    rows[np.arange(count), np.arange(count)] += sd
    rows[count + np.arange(count), np.arange(count)] -= sd
    errors = corners.errors(rows)
    half = 0.5 * (errors[:, :count] - errors[:, count : 2 * count])
    return errors[:, -1], np.sqrt(np.sum(half**2, axis=1))


def extreme_values(corners: Corners) -> tuple[Array, Array]:
    """Lowest and highest error that the search finds, (load,), over all conditions of use.

    For each condition, load and direction: all moves of one variable to its low, centre or high value are
    tried; the corner then takes the best move, or every move that helps if that is better still, until nothing
    helps. Nothing is assumed monotone, but a worst point that no single move improves on the way to, or that
    lies between low, centre and high, is not found.
    """
    return -_climb(corners, -1.0).max(axis=0), _climb(corners, 1.0).max(axis=0)


def _climb(corners: Corners, sign: float) -> Array:
    """Largest signed error found, (condition, load)."""
    levels = np.stack([corners.column("low"), corners.column("centre"), corners.column("high")])
    count = levels.shape[1]
    still = corners.errors(levels[1:2])
    conditions, loads = still.shape[0], still.shape[2]
    states = conditions * loads
    condition, load = np.divmod(np.arange(states), loads)
    current, best = np.tile(levels[1], (states, 1)), sign * still[:, 0, :].reshape(-1)
    move = np.tile(np.arange(count), 3)
    target = levels.reshape(-1)
    moves, row = np.arange(3 * count), np.arange(states)
    for _ in range(SWEEPS):
        trial = np.repeat(current[:, None, :], 3 * count, axis=1)
        trial[:, moves, move] = target
        errors = corners.errors(trial.reshape(-1, count)).reshape(conditions, states, 3 * count, loads)
        found = sign * errors[condition, row, :, load]
        by_variable = found.reshape(states, 3, count)
        level, value = by_variable.argmax(axis=1), by_variable.max(axis=1)
        together = np.where(value > best[:, None], levels[level, np.arange(count)], current)
        single = current.copy()
        chosen = value.argmax(axis=1)
        single[row, chosen] = levels[level[row, chosen], chosen]
        pair = corners.errors(np.concatenate([together, single])).reshape(conditions, 2, states, loads)
        both = sign * pair[condition, :, row, load]
        way = both.argmax(axis=1)
        reached = both[row, way]
        better = reached > best
        if not np.any(reached > best + 1e-12 * np.abs(best)):
            break
        candidates = np.where((way == 0)[:, None], together, single)
        current = np.where(better[:, None], candidates, current)
        best = np.maximum(best, reached)
    return best.reshape(conditions, loads)


def _verdict(draws_low: float, draws_high: float, low: float, high: float) -> str:
    """What root sum square makes of the draws' range: compare the half widths and centres."""
    drawn, summed = 0.5 * (draws_high - draws_low), 0.5 * (high - low)
    if drawn <= 0.0:
        return "nothing varies"
    if summed < 0.8 * drawn:
        return (
            "root sum square too narrow: an effect without first-order term (overlap, tilt, stop, clipping)"
        )
    if summed > 1.2 * drawn:
        return "root sum square too wide: limits or clipping cut what it adds up"
    centre = abs(0.5 * (draws_low + draws_high) - 0.5 * (low + high))
    if centre > 0.2 * drawn:
        return "root sum square off centre: one-sided effects"
    return "the three agree in kind"


def worst_cases(model: Model, frame: Frame, tallies: dict[str, Tally]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Worst case of each option, one row a check load; see `OptionResult.worst_case` for the columns."""
    ends = np.array([OUTER_SHARE, 1.0 - OUTER_SHARE])
    for option in model.case.calibrations:
        corners, tally = Corners.of(model, option), tallies[option.name]
        centre, summed = first_order(corners)
        lowest, highest = extreme_values(corners)
        worst, load = summed.argmax(axis=0), np.arange(frame.loads.size)
        rss, mean = COVERAGE * summed[worst, load], centre[worst, load]
        pooled = tally.errors.sum(axis=(0, 1))
        drawn = quantile(pooled, frame.bins, ends, tally.low.min(axis=0), tally.high.max(axis=0))
        columns = {
            "load_N": frame.loads,
            "extreme_low_N": lowest,
            "extreme_high_N": highest,
            "rss_mean_N": mean,
            "root_sum_square_N": rss,
            "monte_carlo_low_N": drawn[:, 0],
            "monte_carlo_high_N": drawn[:, 1],
            "verdict": [_verdict(a, b, m - r, m + r) for (a, b), m, r in zip(drawn, mean, rss, strict=True)],
        }
        yield option.name, pd.DataFrame(columns)
