"""Features of the readings of a prototype: numbers that causes change in their own ways."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from margin.diagnosis.plan import ObservationError, Plan, Step

Array = NDArray[np.float64]

SOFTENING = 0.002
"""Share of the top load added to both loads before their logarithm is taken: bounds the error of a lost reading."""

LEAST_SCATTER = 1e-4
"""Standard deviation of a logarithm below which a scatter is not resolved: one code, more or less."""

UPPER = 0.1
"""Share of the top load from which a load tells the level of a run."""


Kind = Literal["contrast", "drift", "unloaded", "runs", "mountings", "readings", "temperature"]


@dataclass(frozen=True)
class Feature:
    """One number of a prototype.

    kind    'contrast' (sum of mean errors by weight), 'drift' (along the hold), or a scatter: 'unloaded' (of unloaded
            readings from run to run), 'runs' (of the level of a run within its mounting), 'mountings' (of the level of
            a mounting), 'readings' (beside the level of their run); 'temperature' (contrast of the changes of mean
            errors from the usual temperature to another one)
    steps   places in the plan; weights: of these in a contrast
    part    number of the load cycle at the other temperature; at: places of the same steps in it
    """

    name: str
    kind: Kind
    steps: tuple[int, ...]
    weights: tuple[float, ...] = ()
    part: int = 0
    at: tuple[int, ...] = ()


@lru_cache(maxsize=64)
def features_of(plan: Plan) -> tuple[Feature, ...]:
    """Features of a plan: contrasts of the mean errors of its steps, scatters, the drift of its hold, and changes of
    errors to other temperatures.

    Steps that are the first of their load, going up, give their errors; the other ones, in groups of one branch, dwell
    and temperature, their differences from these. Errors over several loads are taken as level, slope, bend and so on
    over the logarithm of the load: these vary by themselves, where errors at single loads vary together. The map from
    mean errors to contrasts is one to one: nothing is counted twice.
    """
    bases: dict[float, int] = {}
    groups: dict[str, list[tuple[int, int | None]]] = {}
    for place, step in enumerate(plan.steps):
        base = bases.get(step.load)
        if base is None:
            bases[step.load] = place
            label = f"error at {step.label}" if step.load == 0.0 else "error"
        else:
            label = _difference(step, plan.steps[base])
            while any(plan.steps[k].load == step.load for k, _ in groups.get(label, [])):
                label += ", again"
        groups.setdefault(label, []).append((place, base))
    found = [feature for label, steps in groups.items() for feature in _contrasts(plan, label, steps)]
    found += _scatters(plan)
    if plan.hold is not None:
        found.append(Feature(f"drift under {plan.hold.load:g} N", "drift", ()))
    for number in range(len(plan.elsewhere)):
        found += _changes(plan, number)
    return tuple(found)


def _difference(step: Step, base: Step) -> str:
    """What a step differs in from the first one of its load."""
    what = "repeated reading"
    if step.load == 0.0:
        what = "zero after load"
    elif step.descending != base.descending:
        what = "loop"
    elif step.dwell != base.dwell:
        what = "drift"
    if step.dwell != base.dwell:
        what += f" to {step.dwell:g} s"
    if step.temperature != base.temperature:
        what += f" at {step.temperature:g} degC"
    return what


def _contrasts(plan: Plan, label: str, steps: list[tuple[int, int | None]]) -> list[Feature]:
    """Level, slope, bend and higher orders over ln(load) of the errors, or differences, of some steps."""
    x = np.log(np.maximum([plan.steps[place].load for place, _ in steps], 1e-3 * plan.top))
    orders = np.linalg.qr(np.vander((x - x.mean()) / max(float(np.ptp(x)), 1e-9), increasing=True))[0]
    found = []
    for order in range(len(steps)):
        name = label if order == 0 else f"{label}, {_ORDERS.get(order, f'order {order}')} over load"
        weights: dict[int, float] = {}
        for (place, base), weight in zip(steps, orders[:, order], strict=True):
            weights[place] = weights.get(place, 0.0) + float(weight)
            if base is not None:
                weights[base] = weights.get(base, 0.0) - float(weight)
        found.append(Feature(name, "contrast", tuple(weights), tuple(weights.values())))
    return found


_ORDERS = {1: "slope", 2: "bend"}


def _scatters(plan: Plan) -> list[Feature]:
    """Scatter of unloaded readings, of the level of runs and of mountings, and of single readings beside it."""
    loads = plan.of("load")
    loaded = loads > 0.0
    middle = float(np.median(loads[loaded]))
    rising = loaded & (loads >= UPPER * plan.top)
    within = plan.runs > plan.mountings
    several = plan.runs > 1 and int(loaded.sum()) > 1
    groups: tuple[tuple[bool, str, Any, NDArray[np.bool_]], ...] = (
        (within, "scatter without load", "unloaded", loads == 0.0),
        (within, "scatter from run to run", "runs", rising),
        (plan.mountings > 1, "scatter after remounting", "mountings", rising),
        (several, "scatter within a run at low loads", "readings", loaded & (loads <= middle)),
        (several, "scatter within a run at high loads", "readings", loaded & (loads > middle)),
    )
    return [
        Feature(name, kind, tuple(np.flatnonzero(which).tolist()))
        for there, name, kind, which in groups
        if there and which.any()
    ]


def _changes(plan: Plan, number: int) -> list[Feature]:
    """Changes to another temperature at the steps common to both: of the level and its slope over the load going up,
    of the loop, and of the reading without load."""
    part = plan.elsewhere[number]
    places = {
        (step.load, step.descending, step.dwell): place
        for place, step in reversed(list(enumerate(part.steps)))
    }
    common: dict[tuple[float, float], tuple[int, int]] = {}
    for place, step in enumerate(plan.steps):
        there = places.get((step.load, step.descending, step.dwell))
        if there is not None:
            common.setdefault((step.load, step.descending), (place, there))
    rising = [load for load, descending in common if load > 0.0 and not descending]
    found: list[Feature] = []

    def add(what: str, weights: dict[tuple[float, float], float]) -> None:
        steps, at = zip(*(common[key] for key in weights), strict=True)
        name = f"change to {part.steps[0].temperature:g} degC{what}"
        found.append(Feature(name, "temperature", steps, tuple(weights.values()), number, at))

    if rising:
        x = np.log(np.array(rising))
        orders = np.linalg.qr(np.vander(x - x.mean(), min(len(rising), 2), increasing=True))[0]
        for order, what in enumerate(("", ", slope over load")[: orders.shape[1]]):
            add(what, {(load, 0.0): float(w) for load, w in zip(rising, orders[:, order], strict=True)})
    both = [load for load in rising if (load, 1.0) in common]
    if both:
        weight = 1.0 / math.sqrt(len(both))
        add(
            ", loop",
            {(load, branch): weight * sign for load in both for branch, sign in ((1.0, 1), (0.0, -1))},
        )
    if (0.0, 0.0) in common:
        add(", without load", {(0.0, 0.0): 1.0})
    return found


def condense(
    plan: Plan, reported: Array, held: Array | None = None, elsewhere: Sequence[Array] = ()
) -> Array:
    """Features (..., feature) of reported loads (..., run, step) and along the hold (..., time), N.

    elsewhere  (..., run, step) of each load cycle at another temperature, N

    Errors of loaded steps are logarithms of (net + c) / (applied + c), close to the relative error: net of the mean
    unloaded reading before the runs where there is one, c = SOFTENING of the top load; those of unloaded steps are
    (reported / top load). Scatters are logarithms of the standard deviation of these; a drift is their slope over the
    decimal logarithm of time. NaN readings are left out. Raises ObservationError where a planned hold, or a planned
    load cycle at another temperature, lacks.
    """
    if len(elsewhere) != len(plan.elsewhere):
        raise ObservationError(
            f"the plan has {len(plan.elsewhere)} other temperature(s), the readings have {len(elsewhere)}"
        )
    zero = _zero(plan, reported)
    each = _errors(plan, plan, reported, zero)
    mean = np.nanmean(each, axis=-2)
    others = [
        np.nanmean(_errors(plan, part, values, _zero(part, values)), axis=-2)
        for part, values in zip(plan.elsewhere, elsewhere, strict=True)
    ]
    around = each - mean[..., None, :]
    columns: list[Any] = []
    for feature in features_of(plan):
        places = list(feature.steps)
        if feature.kind == "contrast":
            columns.append(mean[..., places] @ np.array(feature.weights))
        elif feature.kind == "temperature":
            change = others[feature.part][..., list(feature.at)] - mean[..., places]
            columns.append(change @ np.array(feature.weights))
        elif feature.kind == "drift":
            columns.append(_drift(plan, held, zero))
        else:
            columns.append(0.5 * np.log(_variance(plan, feature, around) + LEAST_SCATTER**2))
    return np.stack(columns, axis=-1)


def _errors(plan: Plan, part: Plan, reported: Array, zero: Array) -> Array:
    """Errors (..., run, step) of the load cycle of a part, in terms of the whole plan."""
    load = part.of("load")
    net = _softened(plan, reported - zero[..., None, None], load)
    return np.where(load > 0.0, net, reported / plan.top)


def _zero(plan: Plan, reported: Array) -> Array:
    """Mean unloaded reading before the loads of a run, N, (...); 0 without one."""
    first = plan.steps[0]
    if first.load > 0.0:
        return np.zeros(reported.shape[:-2])
    return np.asarray(np.nanmean(reported[..., 0], axis=-1))


def _softened(plan: Plan, net: Array, load: Array) -> Array:
    soft = SOFTENING * plan.top
    raised = np.maximum(net + soft, 0.1 * soft)
    return np.asarray(np.log(np.minimum(raised, 100.0 * plan.top)) - np.log(load + soft))


def _drift(plan: Plan, held: Array | None, zero: Array) -> Array:
    if plan.hold is None or held is None:
        raise ObservationError("the plan has a hold, the readings have none")
    along = np.log10(np.array(plan.hold.times))
    along = along - along.mean()
    return np.asarray(
        _softened(plan, held - zero[..., None], np.array(plan.hold.load)) @ along / (along @ along)
    )


def _variance(plan: Plan, feature: Feature, around: Array) -> Array:
    """Variance of a scatter from deviations (..., run, step) of the mean over runs."""
    own = around[..., list(feature.steps)]
    each = plan.mounted[None, :] == np.unique(plan.mounted)[:, None]
    share = each / each.sum(axis=1, keepdims=True)
    if feature.kind == "unloaded":
        known = np.isfinite(own)
        filled = np.where(known, own, 0.0)
        counts = np.einsum("mr,...rs->...ms", each.astype(np.float64), known.astype(np.float64))
        means = np.einsum("mr,...rs->...ms", each.astype(np.float64), filled) / np.maximum(counts, 1.0)
        rest = np.where(known, own - means[..., plan.mounted, :], 0.0)
        freedom = np.maximum(np.sum(np.maximum(counts - 1.0, 0.0), axis=(-2, -1)), 1.0)
        return np.asarray(np.sum(rest**2, axis=(-2, -1)) / freedom)
    if feature.kind == "readings":
        level = np.nanmean(around[..., plan.of("load") > 0.0], axis=-1)
        rest = np.nan_to_num(own - level[..., None])
        freedom = max((plan.runs - 1) * (1.0 - 1.0 / np.count_nonzero(plan.of("load"))), 0.5)
        return np.asarray(np.sum(rest**2, axis=(-2, -1)) / (freedom * own.shape[-1]))
    level = np.nanmean(own, axis=-1)
    means = level @ share.T
    if feature.kind == "mountings":
        apart = means - means.mean(axis=-1, keepdims=True)
        return np.asarray(np.sum(apart**2, axis=-1) / (plan.mountings - 1))
    within = level - means[..., plan.mounted]
    return np.asarray(np.sum(within**2, axis=-1) / (plan.runs - plan.mountings))
