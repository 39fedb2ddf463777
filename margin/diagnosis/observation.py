"""Readings of one prototype under known loads, condensed to features that causes change in their own ways."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import MarginError

Array = NDArray[np.float64]

SOFTENING = 0.002
"""Share of the top load added to both loads before their logarithm is taken: bounds the error of a lost reading."""

LEAST_SCATTER = 1e-4
"""Standard deviation of a logarithm below which a scatter is not resolved: one code, more or less."""

UPPER = 0.1
"""Share of the top load from which a load tells the level of a run."""

FIRST_COLUMNS = ("load", "value")
COLUMNS = (*FIRST_COLUMNS, "branch", "dwell", "temperature", "humidity", "run")


class ObservationError(MarginError, ValueError):
    """Readings of a prototype that cannot be used."""


@dataclass(frozen=True)
class Step:
    """One place of the load cycle.

    load N by the reference; descending 0 or 1; dwell s; temperature degC; humidity %RH, None where nobody read it
    """

    load: float
    descending: float = 0.0
    dwell: float = 1.0
    temperature: float = 25.0
    humidity: float | None = None

    @property
    def label(self) -> str:
        """'10 N up' or 'no load, after'."""
        if self.load == 0.0:
            return "no load, after" if self.descending else "no load, before"
        return f"{self.load:g} N {'down' if self.descending else 'up'}"


@dataclass(frozen=True)
class Hold:
    """One load held while the prototype is read.

    load N; times s since it was put on, ascending; temperature degC
    """

    load: float
    times: tuple[float, ...]
    temperature: float = 25.0

    def __post_init__(self) -> None:
        if self.load <= 0.0 or len(self.times) < 2:
            raise ObservationError(
                f"a hold needs a load above 0 N and two times (got {self.load:g} N and {len(self.times)})"
            )
        if any(late <= early for early, late in zip((0.0, *self.times[:-1]), self.times, strict=True)):
            raise ObservationError("times of a hold must be above 0 s and ascend")


@dataclass(frozen=True)
class Plan:
    """Load cycle that a prototype went through `runs` times, each with a new placement of the load.

    option     calibration option by which the prototype reports loads; None: the design curve alone
    age        h of service
    mounting   number of the mounting of each run, ascending from 0; empty: one mounting
    hold       one load held after the runs, under the first mounting; None: none
    of_sensor  readings are those of the sensor by itself, as loads by its own design curve
    """

    steps: tuple[Step, ...]
    runs: int = 3
    option: str | None = None
    age: float = 0.0
    mounting: tuple[int, ...] = ()
    hold: Hold | None = None
    of_sensor: bool = False

    def __post_init__(self) -> None:
        if not self.steps or self.top <= 0.0:
            raise ObservationError("a load cycle needs at least one load above 0 N (got none)")
        if self.runs < 1:
            raise ObservationError(f"a prototype needs at least one run (got {self.runs})")
        if self.mounting and len(self.mounting) != self.runs:
            raise ObservationError(f"{self.runs} runs need a mounting each (got {len(self.mounting)})")

    @property
    def top(self) -> float:
        """Largest load, N."""
        return max((step.load for step in self.steps), default=0.0)

    def of(self, field: Literal["load", "descending", "dwell", "temperature"]) -> Array:
        """Values of one field, (step,)."""
        return np.array([getattr(step, field) for step in self.steps], dtype=np.float64)

    @cached_property
    def mounted(self) -> NDArray[np.intp]:
        """Number of the mounting of each run, (run,)."""
        return np.array(self.mounting or (0,) * self.runs, dtype=np.intp)

    @property
    def mountings(self) -> int:
        """Number of mountings."""
        return int(np.unique(self.mounted).size)

    @property
    def unloaded_after(self) -> NDArray[np.bool_]:
        """Whether a step follows the top load of its cycle, (step,)."""
        first = int(np.argmax(self.of("load")))
        return np.arange(len(self.steps)) > first

    @cached_property
    def features(self) -> tuple[Feature, ...]:
        """What the readings are condensed to, in order."""
        return features_of(self)


Kind = Literal["contrast", "drift", "unloaded", "runs", "mountings", "readings"]


@dataclass(frozen=True)
class Feature:
    """One number of a prototype.

    kind    'contrast' (sum of mean errors by weight), 'drift' (along the hold), or a scatter: 'unloaded' (of unloaded
            readings from run to run), 'runs' (of the level of a run within its mounting), 'mountings' (of the level of
            a mounting), 'readings' (beside the level of their run)
    steps   places in the plan; weights: of these in a contrast
    """

    name: str
    kind: Kind
    steps: tuple[int, ...]
    weights: tuple[float, ...] = ()


def load_cycle(
    loads: Sequence[float],
    *,
    runs: int = 3,
    dwell: float = 1.0,
    temperature: float = 25.0,
    hold: float | None = None,
    option: str | None = None,
) -> Plan:
    """Cycle from no load up through `loads` (N, ascending) and down again.

    dwell  s before each reading; hold: s of a second reading at the top load, None without one

    >>> plan = load_cycle([10.0, 30.0], runs=2, hold=60.0)
    >>> [step.label for step in plan.steps]
    ['no load, before', '10 N up', '30 N up', '30 N up', '10 N down', 'no load, after']
    """
    up = [Step(load, 0.0, dwell, temperature) for load in (0.0, *loads)]
    held = [] if hold is None else [Step(loads[-1], 0.0, hold, temperature)]
    down = [Step(load, 1.0, dwell, temperature) for load in (*reversed(loads[:-1]), 0.0)]
    return Plan((*up, *held, *down), runs, option)


def features_of(plan: Plan) -> tuple[Feature, ...]:
    """Features of a plan: contrasts of the mean errors of its steps, scatters, and the drift of its hold.

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


def condense(plan: Plan, reported: Array, held: Array | None = None) -> Array:
    """Features (..., feature) of reported loads (..., run, step) and along the hold (..., time), N.

    Errors of loaded steps are logarithms of (net + c) / (applied + c), close to the relative error: net of the mean
    unloaded reading before the runs where there is one, c = SOFTENING of the top load; those of unloaded steps are
    (reported / top load). Scatters are logarithms of the standard deviation of these; a drift is their slope over the
    decimal logarithm of time. NaN readings are left out. Raises ObservationError where a planned hold lacks.
    """
    load = plan.of("load")
    zero = _zero(plan, reported)
    each = np.where(load > 0.0, _softened(plan, reported - zero[..., None, None], load), reported / plan.top)
    mean = np.nanmean(each, axis=-2)
    around = each - mean[..., None, :]
    columns: list[Any] = []
    for feature in plan.features:
        places = list(feature.steps)
        if feature.kind == "contrast":
            columns.append(mean[..., places] @ np.array(feature.weights))
        elif feature.kind == "drift":
            columns.append(_drift(plan, held, zero))
        else:
            columns.append(0.5 * np.log(_variance(plan, feature, around) + LEAST_SCATTER**2))
    return np.stack(columns, axis=-1)


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


@dataclass(frozen=True)
class Observation:
    """Readings of one prototype.

    reported  (run, step), N as the firmware reports it; NaN where a reading is missing
    held      (time,), N along the hold of the plan; None without one
    """

    plan: Plan
    reported: Array
    name: str = "prototype"
    held: Array | None = None

    def __post_init__(self) -> None:
        shape = (self.plan.runs, len(self.plan.steps))
        if self.reported.shape != shape:
            raise ObservationError(
                f"{self.name}: readings must be runs by steps, {shape} (got {self.reported.shape})"
            )
        times = None if self.plan.hold is None else (len(self.plan.hold.times),)
        if times != (None if self.held is None else self.held.shape):
            raise ObservationError(f"{self.name}: give one reading for each time of the hold of the plan")
        missing = ~np.isfinite(self.reported)
        empty = np.flatnonzero(missing.all(axis=0))
        if empty.size:
            raise ObservationError(f"{self.name}: no reading at {self.plan.steps[empty[0]].label}")

    @property
    def features(self) -> Array:
        """(feature,)."""
        return condense(self.plan, self.reported, self.held)

    @property
    def missing(self) -> NDArray[np.bool_]:
        """(run, step)."""
        return ~np.isfinite(self.reported)


def observation_of(
    frame: pd.DataFrame, *, option: str | None = None, age: float = 0.0, name: str = "prototype"
) -> Observation:
    """Observation from a table with one reading a row, in the order in which they were taken.

    Columns: load (N, by the reference), value (N, as reported); where known branch ('up' or 'down'), dwell (s),
    temperature (degC), humidity (%RH), run (number or name of the placement).

    Raises ObservationError for a missing column, an unknown branch or a value that is no number.

    >>> rows = pd.DataFrame({"load": [0, 10, 0, 10], "value": [0.1, 9.0, 0.0, 9.2], "run": [1, 1, 2, 2]})
    >>> observation_of(rows).reported.tolist()
    [[0.1, 9.0], [0.0, 9.2]]
    """
    lacking = [column for column in FIRST_COLUMNS if column not in frame.columns]
    if lacking:
        raise ObservationError(
            f"{name}: column {lacking[0]!r} is missing: name the columns {', '.join(COLUMNS)}"
        )
    numbers = {c: pd.to_numeric(frame[c], errors="coerce") for c in ("load", "value")}
    for column in ("dwell", "temperature", "humidity"):
        if column in frame.columns:
            numbers[column] = pd.to_numeric(frame[column], errors="coerce")
    for column, values in numbers.items():
        if column != "humidity" and values.isna().any():
            row = int(np.flatnonzero(values.isna())[0])
            raise ObservationError(
                f"{name}: {column} of row {row + 1} is no number (got {frame[column].iloc[row]!r}): correct it or "
                "leave the row out"
            )
    steps: list[tuple[Step, int]] = []
    readings: dict[tuple[Any, int], float] = {}
    runs: list[Any] = []
    for row in range(len(frame)):
        step = _step(frame, numbers, row, name)
        run = frame["run"].iloc[row] if "run" in frame.columns else 1
        if run not in runs:
            runs.append(run)
        again = 0
        while (step, again) in steps and (run, steps.index((step, again))) in readings:
            again += 1
        if (step, again) not in steps:
            steps.append((step, again))
        readings[run, steps.index((step, again))] = float(numbers["value"].iloc[row])
    reported = np.full((len(runs), len(steps)), np.nan)
    for (run, place), value in readings.items():
        reported[runs.index(run), place] = value
    return Observation(Plan(tuple(step for step, _ in steps), len(runs), option, age), reported, name)


def _step(frame: pd.DataFrame, numbers: dict[str, Any], row: int, name: str) -> Step:
    branch = str(frame["branch"].iloc[row]) if "branch" in frame.columns else "up"
    if branch not in ("up", "down"):
        raise ObservationError(f"{name}: branch of row {row + 1} must be 'up' or 'down' (got {branch!r})")
    values = {field: float(column.iloc[row]) for field, column in numbers.items() if field != "value"}
    humidity = values.pop("humidity", math.nan)
    return Step(
        **values, descending=float(branch == "down"), humidity=None if math.isnan(humidity) else humidity
    )
