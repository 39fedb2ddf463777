"""How rarely a unit of a case fails its requirement, down to 1e-7, and which unit most likely does."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.case import units
from margin.case.types import Case, Quantity
from margin.estimates.labels import budget_name
from margin.estimates.rare import RareResult, failure_probability
from margin.propagation.factors import Factor
from margin.propagation.identity import version
from margin.propagation.plan import default_block
from margin.propagation.points_source import Column, PointsEvaluator, columns_of
from margin.propagation.readings import condition_name, use_conditions
from margin.propagation.run import Model, model_of
from margin.propagation.tally import ROUNDING, EvaluationError, permissible_error

Array = NDArray[np.float64]

WIDE = (1.5, 2.5)
"""Standard deviations of the draws among which failing units are looked for."""

SOUGHT = 1000
"""Such draws of each width."""

NEAREST = 5
"""Failing draws, drawn back to the limit, that are looked at more closely."""

TOLD = 0.3
"""A draw nearer to its centre than this (standard normal scores) is not part of what makes a unit fail."""


NO_OUTPUT = 10.0
"""Margin below zero at which a unit without a finite output counts, and beyond which no margin goes."""


@dataclass(frozen=True)
class UnitLimit:
    """Conformity margin of units in the space of independent standard normal draws: negative means failure.

    A unit has one draw for what is drawn for it once, and one for each placement and sample in use
    and at its calibration. The margin is 1 less |error| / permissible error: of the worst reading ('units at every
    check point'), of the reading that may not fail ('units by share of readings'), or of one reading taken at random
    ('readings'; one more draw in front). Far out in the spreads a unit may have no output at all: it fails.
    """

    evaluator: PointsEvaluator
    permissible: Array

    @classmethod
    def of(cls, model: Model) -> UnitLimit:
        """For a model with one calibration option."""
        case = model.case
        loads = np.asarray(case.check_loads, dtype=np.float64)
        permissible = permissible_error(case.requirement, loads, case.span)
        return cls(PointsEvaluator(model, columns_of(model)), permissible)

    @property
    def case(self) -> Case:
        return self.evaluator.case

    @property
    def columns(self) -> tuple[Column, ...]:
        return self.evaluator.columns

    @property
    def names(self) -> tuple[str, ...]:
        """Name of each draw."""
        own = tuple(
            column.name if column.many == 1 else f"{column.name} {k + 1}"
            for column in self.columns
            for k in range(column.many)
        )
        return ("reading (which)", *own) if self.one_reading else own

    @property
    def one_reading(self) -> bool:
        return self.case.requirement.counts == "readings"

    def ratios(self, z: Array) -> list[Array]:
        """|error| / permissible, (unit, condition, loading, reading, load), for each condition of use."""
        uniforms = np.clip(ndtr(z[:, 1:] if self.one_reading else z), SMALLEST_UNIFORM, LARGEST_UNIFORM)
        with np.errstate(all="ignore"):
            (errors,) = self.evaluator.errors_of_draws(uniforms).values()
            return [np.abs(e) / self.permissible for e in errors]

    def __call__(self, z: Array, /) -> Array:
        """Margins (unit,) of units z (unit, draw)."""
        step = default_block(self.case)
        return np.concatenate([self._margins(z[i : i + step]) for i in range(0, len(z), step)])

    def _margins(self, z: Array) -> Array:
        try:
            ratios = self.ratios(z)
        except EvaluationError:
            if len(z) == 1:
                return np.array([-NO_OUTPUT])
            half = len(z) // 2
            return np.concatenate([self._margins(z[:half]), self._margins(z[half:])])
        flat = np.concatenate([r.reshape(len(z), -1) for r in ratios], axis=1)
        flat = np.minimum(np.where(np.isnan(flat), np.inf, flat), 1.0 + NO_OUTPUT)
        need = self.case.requirement
        if need.counts == "units by share of readings":
            may_fail = flat.shape[1] - int(np.ceil(need.share * flat.shape[1] - 1e-9))
            worst = -np.partition(-flat, may_fail, axis=1)[:, may_fail]
        elif self.one_reading:
            which = np.minimum((ndtr(z[:, 0]) * flat.shape[1]).astype(np.int64), flat.shape[1] - 1)
            worst = flat[np.arange(len(z)), which]
        else:
            worst = flat.max(axis=1)
        # a unit exactly at its limit conforms, as in the study
        return np.asarray(1.0 + ROUNDING - worst)


@dataclass(frozen=True)
class RareFailures:
    """How rarely units fail with one calibration option.

    result  probability with interval, method, evaluations and warnings
    unit    the most likely failing unit, one row a draw that makes it fail, the most telling first: factor, event,
            score (standard normal; how unlikely), deviation (relative or in SI units, or the standardised draw),
            relative, value (in the case's own unit, in words)
    fails_at  where that unit fails, in words
    distance  of that unit from the nominal one, root of the sum of squared scores
    """

    case: Case
    option: str
    result: RareResult
    unit: pd.DataFrame
    fails_at: str
    distance: float
    version: str


def rare_failures(
    case: Case, option: str, *, target_cv: float = 0.1, budget: int = 200_000, level: float | None = None
) -> RareFailures:
    """Probability that a unit fails with a calibration option, `common` and `station` drawn afresh for every unit.

    target_cv  coefficient of variation to reach; budget: most units evaluated; level of the interval, by default
    the case's confidence

    Raises ValueError for an unknown option or where nothing varies, RareEventError for a target or budget out of
    range.
    """
    options = {one.name: one for one in case.calibrations}
    if option not in options:
        raise ValueError(f"no calibration option {option!r} in {case.name!r}; there are {', '.join(options)}")
    model = model_of(dataclasses.replace(case, calibrations=(options[option],)))
    limit = UnitLimit.of(model)
    if all(c.factor is not None and c.factor.quantity == "use.direction_draw" for c in limit.columns):
        raise ValueError("nothing varies in this case: no unit differs from the nominal one. Give a spread")
    found = failure_probability(
        limit,
        len(limit.names),
        target_cv,
        budget,
        case.study.seed,
        case.requirement.confidence if level is None else level,
    )
    z = most_likely(limit, [point.z for point in found.design_points], case.study.seed)
    if z is None:
        return RareFailures(
            case, option, found, pd.DataFrame(columns=list(UNIT_COLUMNS)), "", float("nan"), version()
        )
    return RareFailures(
        case, option, found, _unit_frame(limit, z), _where(limit, z), float(np.linalg.norm(z)), version()
    )


UNIT_COLUMNS = ("factor", "event", "score", "deviation", "relative", "value")


def most_likely(limit: UnitLimit, known: list[Array], seed: int) -> Array | None:
    """The most likely failing unit that was found, (draw,): the one nearest to the nominal unit; None without any.

    Beside the design points, failing draws far out are drawn back towards the nominal unit until they just fail; in
    the nearest of them each draw that the failure does not need is put back to its centre, the smallest first, and
    what is left is drawn back again. This needs no gradient, so that it serves limits with steps too.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    wide = np.concatenate([w * rng.standard_normal((SOUGHT, len(limit.names))) for w in WIDE])
    failing = wide[limit(wide) < 0.0]
    near = _drawn_back(limit, failing)
    found = [_needed(limit, z) for z in near[np.argsort(np.linalg.norm(near, axis=1))[:NEAREST]]]
    # a design point lies on the limit: a hair beyond it fails, unless the search ended elsewhere
    found += [z for z in known if limit(1.001 * z[np.newaxis])[0] < 0.0]
    return min(found, key=lambda z: float(np.linalg.norm(z)), default=None)


def _drawn_back(limit: UnitLimit, failing: Array) -> Array:
    """Failing units, (unit, draw), each moved along its ray to the limit."""
    if not len(failing):
        return failing
    low, high = np.zeros(len(failing)), np.ones(len(failing))
    for _ in range(16):
        middle = 0.5 * (low + high)
        fails = limit(failing * middle[:, np.newaxis]) < 0.0
        low, high = np.where(fails, low, middle), np.where(fails, middle, high)
    return np.asarray(failing * high[:, np.newaxis])


def _needed(limit: UnitLimit, z: Array) -> Array:
    """A failing unit with what its failure does not need at the centre."""
    z = z.copy()
    for _ in range(2):
        for place in np.argsort(np.abs(z)):
            kept, z[place] = z[place], 0.0
            if kept != 0.0 and limit(z[np.newaxis])[0] >= 0.0:
                z[place] = kept
        z = _drawn_back(limit, z[np.newaxis])[0]
    return z


def _where(limit: UnitLimit, z: Array) -> str:
    """'20 N in hot afternoon': load and condition of the worst reading."""
    ratios = limit.ratios(z[np.newaxis])
    worst = int(np.argmax([r.max() for r in ratios]))
    load = limit.case.check_loads[int(np.argmax(ratios[worst].max(axis=(0, 1, 2, 3))))]
    condition = use_conditions(limit.case)[worst]
    within = "" if condition is None else f" in {condition_name(condition)}"
    return f"{load:g} N{within}"


def _unit_frame(limit: UnitLimit, z: Array) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    scores = z[1:] if limit.one_reading else z
    uniforms = np.clip(ndtr(scores), SMALLEST_UNIFORM, LARGEST_UNIFORM)
    first = 0
    for column in limit.columns:
        own = np.abs(scores[first : first + column.many])
        # of many draws of one factor the furthest out tells
        place = first + int(np.argmax(own))
        first += column.many
        if abs(scores[place]) < TOLD:
            continue
        factor = column.factor
        name = column.name.partition("@")[0] if factor is None else budget_name(factor)
        row: dict[str, object] = {"factor": name, "event": column.event, "score": float(scores[place])}
        if factor is None:
            row |= {"deviation": float("nan"), "relative": False, "value": "not known from few units"}
        else:
            deviation = float(factor.distribution.ppf(uniforms[place : place + 1])[0])
            value = _in_words(limit.case, factor, deviation)
            row |= {"deviation": deviation, "relative": factor.relative, "value": value}
        rows.append(row)
    frame = pd.DataFrame(rows, columns=list(UNIT_COLUMNS))
    order = frame["score"].abs().sort_values(ascending=False, kind="stable").index
    return frame.loc[order].reset_index(drop=True)


def _in_words(case: Case, factor: Factor, deviation: float) -> str:
    """'12.1 kohm (+0.9 %)': the value that one factor alone gives its quantity; a draw as such."""
    if factor.standardised:
        return f"{deviation:+.2g} of its standard draw"
    quantity = _quantity(case, factor)
    nominal = quantity.nominal
    value = nominal * (1.0 + deviation) if factor.relative else nominal + deviation
    change = f" ({100.0 * deviation:+.2g} %)" if factor.relative else ""
    return f"{units.show(value, quantity.unit)}{change}"


def _quantity(case: Case, factor: Factor) -> Quantity:
    role, _, name = factor.quantity.partition(".")
    for spec in case.elements.values():
        if spec.role == role and name in spec.quantities:
            return spec.quantities[name]
    raise KeyError(factor.quantity)
