"""The most probable failing unit: value of each factor, and where it fails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from margin.case import units
from margin.case.types import Case, Quantity
from margin.chain.parameter import Value
from margin.estimates import numbers
from margin.estimates.labels import budget_name
from margin.estimates.unit_limit import UnitLimit
from margin.propagation.block import block_errors
from margin.propagation.draws import LotSamples, Source
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.knowledge import spread_ratio
from margin.propagation.points_source import Column
from margin.propagation.readings import condition_name, use_conditions, use_event

Array = NDArray[np.float64]

TOLD = 0.3
"""A draw nearer to its median than this (standard deviations) is not part of what makes a unit fail."""

COLUMNS = ("factor", "where", "score", "deviation", "relative", "value")


@dataclass(frozen=True)
class FailingUnit:
    """A unit that fails, and what makes it fail.

    parts      one row a factor that stands away from its median, the furthest first: factor; where it is drawn
               ('in use, cool morning, 20 N', '' for what holds for the unit); score, standard normal (2.9: so unlikely
               as 2.9 standard deviations); deviation from nominal (relative or in SI units, or the standardised draw;
               not a number for epistemic uncertainty); relative; value, in the case's own units
    load, condition  of its worst reading, N; error and permissible error there, N
    distance   from the median of all draws: root of the sum of squared scores
    """

    parts: pd.DataFrame
    load: float
    condition: str
    error: float
    permissible: float
    distance: float


@dataclass
class _Listening:
    """Passes on what a source draws, and keeps it by the name of its stream."""

    source: Source
    heard: dict[str, tuple[Event, Value]] = field(default_factory=dict)

    def deviation(self, factor: Factor, event: Event) -> Value:
        found = self.source.deviation(factor, event)
        stream = "" if factor.level in ("common", "station", "lot") else event.stream_of(factor)
        self.heard[factor.name + stream] = event, found
        return found

    def scaled(self, factor: Factor, value: Value) -> Value:
        return self.source.scaled(factor, value)

    def lot_samples(self, each: int) -> LotSamples:
        return self.source.lot_samples(each)


def failing_unit(limit: UnitLimit, z: Array) -> FailingUnit:
    """The unit at z, (draw,), in words. It fails by its worst reading, or by the one reading that z picks."""
    row = z[np.newaxis]
    model, case = limit.evaluator.model, limit.case
    source = _Listening(limit.evaluator.source_of_draws(limit.uniforms(row)))
    with np.errstate(all="ignore"):
        (errors,) = block_errors(model, source, 1).by_option.values()
    condition, load, error = _worst_reading(limit, errors, z)
    parts = _parts(limit, z[1:] if limit.one_reading else z, source.heard)
    return FailingUnit(
        parts,
        float(case.check_loads[load]),
        condition_name(use_conditions(case)[condition]),
        error,
        float(limit.permissible[load]),
        float(np.linalg.norm(z)),
    )


def _worst_reading(limit: UnitLimit, errors: Sequence[Array], z: Array) -> tuple[int, int, float]:
    """Condition, load (both as places) and error, N, of the reading by which the unit fails."""
    flat = np.concatenate([np.ravel(e) for e in errors])
    places = [(c, k) for c, e in enumerate(errors) for k in np.arange(e.size) % e.shape[-1]]
    if limit.one_reading:
        worst = limit.picked(z[:1], flat.size)[0]
    else:
        ratios = np.concatenate([np.ravel(np.abs(e) / limit.permissible) for e in errors])
        worst = int(np.argmax(np.where(np.isnan(ratios), np.inf, ratios)))
    condition, load = places[worst]
    return condition, int(load), float(flat[worst])


def _parts(limit: UnitLimit, scores: Array, heard: dict[str, tuple[Event, Value]]) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    first = 0
    for column in limit.columns:
        own = scores[first : first + column.many]
        first += column.many
        # of many draws of one factor the furthest out tells
        place = int(np.argmax(np.abs(own)))
        if abs(own[place]) < TOLD:
            continue
        if column.factor is None:
            row = _unknown(limit, column, float(own[place]))
        elif column.name in heard:
            row = _drawn(limit.case, column, column.factor, place, *heard[column.name])
        else:
            row = {"factor": budget_name(column.factor), "where": "in a sample unit of its lot", "value": ""}
        rows.append({"deviation": float("nan"), "relative": False, **row, "score": float(own[place])})
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for text in ("where", "value"):  # a table is data: no spaces that only a page needs
        frame[text] = frame[text].astype(str).str.replace("\N{NO-BREAK SPACE}", " ")
    order = frame["score"].abs().sort_values(ascending=False, kind="stable").index
    return frame.loc[order].reset_index(drop=True)


def _drawn(
    case: Case, column: Column, factor: Factor, place: int, event: Event, found: Value
) -> dict[str, object]:
    axes = event.axes(factor.level)
    at = np.unravel_index(place, axes)
    deviation = float(np.broadcast_to(found, (1, *axes))[(0, *at)])
    return {
        "factor": budget_name(factor),
        "where": _where(case, column, factor, event, tuple(int(k) for k in at)),
        "deviation": deviation,
        "relative": factor.relative,
        "value": _value(case, factor, event, deviation),
    }


def _where(case: Case, column: Column, factor: Factor, event: Event, at: tuple[int, ...]) -> str:
    """'in use, cool morning, 20 N': event, condition and load of one draw."""
    if not column.event:
        return ""
    named = [] if event.calibrating or event.name == "use" else [event.name.removeprefix("use, ")]
    if event.axes(factor.level)[3] > 1:
        put_on = case.check_loads if case.history is None else case.history.loads
        loads = event.placed or tuple(numbers.plain(load, "N", digits=4) for load in put_on)
        named.append(loads[at[3]].replace(".0 N", " N"))
    return ", ".join([column.event, *named])


def _value(case: Case, factor: Factor, event: Event, deviation: float) -> str:
    """'12.1 kohm (+0.9 %)': the value that one factor alone gives its quantity; a draw as multiple of its size."""
    role, _, name = factor.quantity.partition(".")
    if factor.standardised:
        if factor.quantity == "use.direction_draw":
            return "load taken off" if deviation >= 0.5 else "load put on"
        if factor.distribution.mean != 0.0:
            return f"{deviation:.2f} of 0 to 1"
        if factor.scales is None:
            return f"{deviation:+.2f}"
        size = _quantity(case, role, factor.scales, event)
        return f"{units.show(size.nominal, size.unit)} x {deviation:+.2f}"
    quantity = _quantity(case, role, name, event)
    if factor.relative:
        value = units.show(quantity.nominal * (1.0 + deviation), quantity.unit)
        return f"{value} ({numbers.with_sign(numbers.percent(deviation, digits=2), True)})"
    return units.show(quantity.nominal + deviation, quantity.unit)


def _quantity(case: Case, role: str, name: str, event: Event) -> Quantity:
    """The quantity of an element, or what a named condition of use puts in its place."""
    if role == "use":
        for condition in case.conditions:
            if use_event(case, condition).name == event.name and name in condition.quantities:
                return condition.quantities[name]
    return next(s.quantities[name] for s in case.elements.values() if s.role == role and name in s.quantities)


def _unknown(limit: UnitLimit, column: Column, score: float) -> dict[str, object]:
    """What few measured units leave unknown of a factor: its mean, its spread, its correlation with another."""
    stream, _, what = column.name.rpartition(": ")
    factor = next(
        f for f in limit.evaluator.model.factors if f.measured_on is not None and f.knowledge_stream == stream
    )
    number = factor.measured_on or 2
    if what == "spread":
        value = (
            f"{float(spread_ratio(ndtr(np.array([score])), number)[0]):.2g} times that of the units measured"
        )
    elif what == "mean":
        value = f"{score / np.sqrt(number):+.2g} of its standard deviations off that of the units measured"
    else:
        value = "other than in the units measured"
    name = what if what in ("mean", "spread") else "correlation"
    return {"factor": f"{name} of {factor.name}", "where": f"known from {number} units", "value": value}
