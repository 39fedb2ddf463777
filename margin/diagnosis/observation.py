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

SOFTENING = 0.05
"""Share of the top load added to both loads before their logarithm is taken: bounds the relative error at no load."""

LEAST_SCATTER = 1e-3
"""Standard deviation of a logarithm below which a scatter is not resolved: one code, more or less."""

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
class Plan:
    """Load cycle that a prototype went through `runs` times, each with a new placement of the load.

    option  calibration option by which the prototype reports loads; None: the design curve alone
    age     h of service
    """

    steps: tuple[Step, ...]
    runs: int = 3
    option: str | None = None
    age: float = 0.0

    def __post_init__(self) -> None:
        if not self.steps or self.top <= 0.0:
            raise ObservationError("a load cycle needs at least one load above 0 N (got none)")
        if self.runs < 1:
            raise ObservationError(f"a prototype needs at least one run (got {self.runs})")

    @property
    def top(self) -> float:
        """Largest load, N."""
        return max((step.load for step in self.steps), default=0.0)

    def of(self, field: Literal["load", "descending", "dwell", "temperature"]) -> Array:
        """Values of one field, (step,)."""
        return np.array([getattr(step, field) for step in self.steps], dtype=np.float64)

    @property
    def unloaded_after(self) -> NDArray[np.bool_]:
        """Whether a step follows the top load of its cycle, (step,)."""
        first = int(np.argmax(self.of("load")))
        return np.arange(len(self.steps)) > first

    @cached_property
    def features(self) -> tuple[Feature, ...]:
        """What the readings are condensed to, in order."""
        return features_of(self)


@dataclass(frozen=True)
class Feature:
    """One number of a prototype.

    kind   'error' (of a step), 'difference' (of a step from the like ascending step), 'scatter' (between runs)
    steps  places in the plan; of a difference the step, then that from which it differs
    """

    name: str
    kind: Literal["error", "difference", "scatter"]
    steps: tuple[int, ...]


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
    """Features of a plan: errors of ascending steps, differences of the other ones from these, scatter of groups.

    The map from mean errors of the steps to errors and differences is one to one: nothing is counted twice.
    """
    found: list[Feature] = []
    bases: dict[tuple[float, float], int] = {}
    for place, step in enumerate(plan.steps):
        base = bases.get((step.load, 0.0))
        if base is None:
            found.append(Feature(f"error at {step.label}", "error", (place,)))
            if not step.descending:
                bases[step.load, 0.0] = place
            continue
        found.append(Feature(_difference(step, plan.steps[base]), "difference", (place, base)))
    if plan.runs > 1:
        found += _scatters(plan)
    return tuple(found)


def _difference(step: Step, base: Step) -> str:
    what = "zero after load" if step.load == 0.0 else f"loop at {step.load:g} N"
    if not step.descending:
        what = f"repeated reading at {step.load:g} N"
    if step.dwell != base.dwell:
        what = f"drift to {step.dwell:g} s at {step.load:g} N" if not step.descending else what
    if step.temperature != base.temperature:
        what += f" at {step.temperature:g} degC"
    return what


def _scatters(plan: Plan) -> list[Feature]:
    """Scatter between runs: of the unloaded readings, and of the lower and the upper half of the loads."""
    loads = plan.of("load")
    middle = float(np.median(loads[loads > 0.0]))
    groups = {
        "scatter without load": loads == 0.0,
        "scatter at low loads": (loads > 0.0) & (loads <= middle),
        "scatter at high loads": loads > middle,
    }
    return [
        Feature(name, "scatter", tuple(np.flatnonzero(which).tolist()))
        for name, which in groups.items()
        if which.any()
    ]


def condense(plan: Plan, reported: Array) -> Array:
    """Features (..., feature) of reported loads (..., run, step), N; NaN readings are left out.

    Errors are logarithms of (reported + c) / (applied + c), c = SOFTENING of the top load: close to the relative
    error of a loaded step; scatters are logarithms of the pooled standard deviation of these between runs.
    """
    soft = SOFTENING * plan.top
    raised = np.maximum(reported + soft, 0.02 * soft)
    each = np.log(np.minimum(raised, 100.0 * plan.top)) - np.log(plan.of("load") + soft)
    mean = np.nanmean(each, axis=-2)
    counted = np.sum(np.isfinite(each), axis=-2)
    squares = np.nansum((each - mean[..., None, :]) ** 2, axis=-2)
    columns: list[Any] = []
    for feature in plan.features:
        places = list(feature.steps)
        if feature.kind == "error":
            columns.append(mean[..., places[0]])
        elif feature.kind == "difference":
            columns.append(mean[..., places[0]] - mean[..., places[1]])
        else:
            freedom = np.maximum(np.sum(counted[..., places] - 1, axis=-1), 1)
            variance = np.sum(squares[..., places], axis=-1) / freedom
            columns.append(0.5 * np.log(variance + LEAST_SCATTER**2))
    return np.stack(columns, axis=-1)


@dataclass(frozen=True)
class Observation:
    """Readings of one prototype.

    reported  (run, step), N as the firmware reports it; NaN where a reading is missing
    """

    plan: Plan
    reported: Array
    name: str = "prototype"

    def __post_init__(self) -> None:
        shape = (self.plan.runs, len(self.plan.steps))
        if self.reported.shape != shape:
            raise ObservationError(
                f"{self.name}: readings must be runs by steps, {shape} (got {self.reported.shape})"
            )
        missing = ~np.isfinite(self.reported)
        empty = np.flatnonzero(missing.all(axis=0))
        if empty.size:
            raise ObservationError(f"{self.name}: no reading at {self.plan.steps[empty[0]].label}")

    @property
    def features(self) -> Array:
        """(feature,)."""
        return condense(self.plan, self.reported)

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
