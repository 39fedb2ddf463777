"""Readings of one prototype under known loads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.diagnosis.features import condense
from margin.diagnosis.plan import ObservationError, Plan, Step

Array = NDArray[np.float64]

FIRST_COLUMNS = ("load", "value")
COLUMNS = (*FIRST_COLUMNS, "branch", "dwell", "temperature", "humidity", "run")


@dataclass(frozen=True)
class Observation:
    """Readings of one prototype.

    reported   (run, step), N as the firmware reports it; NaN where a reading is missing
    held       (time,), N along the hold of the plan; None without one
    elsewhere  (run, step) of each load cycle of the plan at another temperature, N
    """

    plan: Plan
    reported: Array
    name: str = "prototype"
    held: Array | None = None
    elsewhere: tuple[Array, ...] = ()

    def __post_init__(self) -> None:
        parts = (self.plan, *self.plan.elsewhere)
        if len(self.elsewhere) != len(self.plan.elsewhere):
            raise ObservationError(f"{self.name}: give the readings of each other temperature of the plan")
        for part, values in zip(parts, (self.reported, *self.elsewhere), strict=True):
            shape = (part.runs, len(part.steps))
            if values.shape != shape:
                raise ObservationError(
                    f"{self.name}: readings must be runs by steps, {shape} (got {values.shape})"
                )
            empty = np.flatnonzero(~np.isfinite(values).any(axis=0))
            if empty.size:
                raise ObservationError(f"{self.name}: no reading at {part.steps[empty[0]].label}")
        times = None if self.plan.hold is None else (len(self.plan.hold.times),)
        if times != (None if self.held is None else self.held.shape):
            raise ObservationError(f"{self.name}: give one reading for each time of the hold of the plan")

    @property
    def features(self) -> Array:
        """(feature,)."""
        return condense(self.plan, self.reported, self.held, self.elsewhere)

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
