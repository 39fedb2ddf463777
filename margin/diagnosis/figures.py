"""Figures of merit of one prototype or of many units, from the loads that they indicate in the same load cycles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_SHARE = 1e-3
"""Share of the applied load below which an indicated one counts as this much: its logarithm stays a number."""

LEAST_SCATTER = 1e-6
"""Standard deviation below which a scatter counts as this much, as a share of the load."""

UPPER = 0.1
"""Share of the top load from which a load tells the gain of a run."""

DIFFERENT_LOADS = 3
"""Loads going up that an exponent needs; a bend needs one more."""


@dataclass(frozen=True)
class Shape:
    """The readings that were taken of a unit.

    loads, descending  (step,), N and 0 or 1: ascending steps first, then descending ones
    mounting           (run,), number of the mounting of each run, from 0
    present            (run, step), whether a reading is there
    hold_load          N, load of a hold; None without one
    hold_times         (time,), s since that load was put on
    temperature        degC
    elsewhere          readings at other temperatures; a mounting of the same number is the same
    """

    loads: Array
    descending: Array
    mounting: NDArray[np.intp]
    present: NDArray[np.bool_]
    hold_load: float | None = None
    hold_times: Array | None = None
    temperature: float = 25.0
    elsewhere: tuple[Shape, ...] = ()

    @property
    def runs(self) -> int:
        return int(self.mounting.size)

    @property
    def mountings(self) -> int:
        return int(np.unique(self.mounting).size)

    @property
    def top(self) -> float:
        """Largest load, N."""
        return float(self.loads.max())

    @property
    def rising(self) -> NDArray[np.bool_]:
        """(step,), loaded ascending steps."""
        found: NDArray[np.bool_] = (self.descending == 0.0) & (self.loads > 0.0)
        return found

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """Descending and ascending step at the same load, between no load and the top."""
        up = {load: place for place, load in enumerate(self.loads) if self.rising[place] and load < self.top}
        return [
            (place, up[load])
            for place, load in enumerate(self.loads)
            if self.descending[place] == 1.0 and load in up
        ]

    def zero(self, descending: float) -> int | None:
        """Step without load, before (0) or after (1) loading."""
        found = np.flatnonzero((self.loads == 0.0) & (self.descending == descending))
        return int(found[0]) if found.size else None


@dataclass(frozen=True)
class Figure:
    """A figure of merit.

    unit         of its value: '%', 'N', '% per decade', '% per K' or 'N per K'
    logarithmic  compared by its logarithm: a scatter
    joint        counts in the comparison of all figures together; the error at a load does not, as sensitivity,
                 exponent and bend say the same
    """

    name: str
    unit: str
    about: str
    logarithmic: bool = False
    joint: bool = True


@dataclass(frozen=True)
class Lack:
    """A figure that the data cannot give: why, and what to measure."""

    what: str
    why: str
    measure: str


def figures_of(
    shape: Shape, indicated: Array, held: Array | None = None, elsewhere: Sequence[Array] = ()
) -> tuple[list[Figure], Array]:
    """Figures of merit that the readings give, and their values (..., figure).

    indicated  (..., run, step), N; held: (..., time), N, along the hold
    elsewhere  (..., run, step), N, at each other temperature

    Errors, sensitivity, exponent and bend are of the mean ascending branch, relative to the load. A scatter is the
    standard deviation of logarithms, in percent.

    >>> shape = Shape(np.array([10.0, 20.0]), np.zeros(2), np.zeros(1, dtype=int), np.ones((1, 2), dtype=bool))
    >>> figures, values = figures_of(shape, np.array([[11.0, 20.0]]))
    >>> [(figure.name, round(float(value), 3)) for figure, value in zip(figures, values)]
    [('error at 10 N', 10.0), ('error at 20 N', 0.0), ('sensitivity', 4.881)]
    """
    mean = _mean_of_runs(shape, indicated)
    logs = _logarithms(shape, _net(shape, indicated))
    found: list[tuple[Figure, Array]] = []
    for place in np.flatnonzero(shape.rising):
        load = float(shape.loads[place])
        about = "mean indicated less applied load, of the load, going up"
        error = 100.0 * (mean[..., place] / load - 1.0)
        found.append((Figure(f"error at {load:g} N", "%", about, joint=False), error))
    found += _curve(shape, _mean_of_runs(shape, logs))
    found += _unloaded(shape, mean)
    if shape.pairs:
        widths = [(mean[..., down] - mean[..., up]) / shape.loads[up] for down, up in shape.pairs]
        about = "descending less ascending branch, of the load, mean over the loads between"
        found.append((Figure("hysteresis", "%", about), 100.0 * np.mean(widths, axis=0)))
    found += _scatters(shape, logs)
    if held is not None and shape.hold_times is not None:
        floor = LEAST_SHARE * float(shape.hold_load or shape.top)
        along = np.log10(shape.hold_times) - np.log10(shape.hold_times).mean()
        slope = np.log(np.maximum(held, floor)) @ along / (along @ along)
        about = f"change of the indicated load per decade of time under {shape.hold_load:g} N"
        found.append((Figure("creep", "% per decade", about), 100.0 * np.expm1(slope)))
    for part, values in zip(shape.elsewhere, elsewhere, strict=True):
        found += _per_kelvin(shape, part, indicated, values)
    return [figure for figure, _ in found], np.stack([values for _, values in found], axis=-1)


def errors_of(shape: Shape, indicated: Array) -> Array:
    """Mean error of each step, N, (..., step)."""
    return _mean_of_runs(shape, indicated) - shape.loads


def lacking(shape: Shape) -> tuple[Lack, ...]:
    """Figures that the readings cannot give, with what to measure."""
    rising = int(np.count_nonzero(shape.rising))
    within = shape.runs - shape.mountings
    table: tuple[tuple[bool, str, str, str], ...] = (
        (rising < 2, "sensitivity", "one load going up", "two loads or more, going up"),
        (rising < DIFFERENT_LOADS, "exponent", f"{rising} loads going up", "three loads or more, spread by ratio"),
        (rising <= DIFFERENT_LOADS, "bend", f"{rising} loads going up", "four loads or more, spread by ratio"),
        (shape.zero(0.0) is None, "zero", "not read without load before loading", "the unloaded output before a run"),
        (
            shape.zero(0.0) is None or shape.zero(1.0) is None,
            "zero return", "not read without load at both ends of a run", "the unloaded output before and after a run",
        ),
        (not shape.pairs, "hysteresis", "no load was read on both branches", "the same loads going down"),
        (within < 1, "scatter from run to run", "one run of each mounting", "three runs or more without remounting"),
        (
            shape.mountings < 2,
            "scatter after remounting", "one mounting", "the cycle after taking the unit out, three times or more",
        ),
        (
            shape.hold_times is None,
            "creep", "no hold with its times", "one load held for 100 s or more, read over time",
        ),
    )  # fmt: skip
    return tuple(Lack(what, why, measure) for lacks, what, why, measure in table if lacks)


def _mean_of_runs(shape: Shape, values: Array) -> Array:
    """(..., run, step) -> (..., step), of the readings that are there."""
    total = np.where(shape.present, values, 0.0).sum(axis=-2)
    return np.asarray(total / shape.present.sum(axis=0))


def _logarithms(shape: Shape, net: Array) -> Array:
    """Logarithm of indicated over applied load where one is applied, else 0."""
    loads = np.where(shape.loads > 0.0, shape.loads, 1.0)
    loaded = np.where(shape.present & (shape.loads > 0.0), net, loads)
    return np.asarray(np.log(np.maximum(loaded / loads, LEAST_SHARE)))


def _net(shape: Shape, indicated: Array) -> Array:
    """Indicated load less the mean unloaded one before loading, where that was read."""
    zero = shape.zero(0.0)
    return (
        indicated if zero is None else indicated - _mean_of_runs(shape, indicated)[..., None, zero : zero + 1]
    )


def _per_kelvin(shape: Shape, part: Shape, indicated: Array, there: Array) -> list[tuple[Figure, Array]]:
    """Change of the loaded and of the unloaded readings from the usual temperature to that of a part, per kelvin."""
    span = f"{shape.temperature:g} to {part.temperature:g} degC"
    warming = part.temperature - shape.temperature
    usual, other = (
        _mean_of_runs(s, _logarithms(s, _net(s, values))) for s, values in ((shape, indicated), (part, there))
    )
    found: list[tuple[Figure, Array]] = []
    places = [
        (at, int(np.flatnonzero(part.rising & (part.loads == load))[0]))
        for at, load in enumerate(shape.loads)
        if shape.rising[at] and (part.rising & (part.loads == load)).any()
    ]
    if places:
        own, others = map(list, zip(*places, strict=True))
        change = (other[..., others] - usual[..., own]).mean(axis=-1)
        about = "change of the indicated load, less that without load, mean over the loads common to both, going up"
        found.append((Figure(f"reading, {span}", "% per K", about), 100.0 * np.expm1(change) / warming))
    before = shape.zero(0.0), part.zero(0.0)
    if before[0] is not None and before[1] is not None:
        about = "change of the indicated load without load, before loading"
        change = _mean_of_runs(part, there)[..., before[1]] - _mean_of_runs(shape, indicated)[..., before[0]]
        found.append((Figure(f"zero, {span}", "N per K", about), change / warming))
    return found


def _curve(shape: Shape, logs: Array) -> list[tuple[Figure, Array]]:
    """Least squares of ln(indicated / applied) over ln(load): level, slope, and curvature orthogonal to both."""
    places = np.flatnonzero(shape.rising)
    if places.size < 2:
        return []
    x = np.log(shape.loads[places])
    x = x - x.mean()
    y = logs[..., places]
    middle = float(np.exp(np.log(shape.loads[places]).mean()))
    about = f"level of indicated over applied load, less 1, at the mean load by ratio ({middle:.3g} N)"
    found = [(Figure("sensitivity", "%", about), 100.0 * np.expm1(y.mean(axis=-1)))]
    if places.size >= DIFFERENT_LOADS:
        about = "slope of ln(indicated) over ln(load), less 1"
        found.append((Figure("exponent", "%", about), 100.0 * (y @ x) / (x @ x)))
    if places.size > DIFFERENT_LOADS:
        squares = x**2 - (x**2).mean() - x * float((x**3).sum() / (x @ x))
        size = float(np.ptp(squares))
        about = "curvature of ln(indicated) over ln(load): by how much it bends the readings, end to middle"
        found.append((Figure("bend", "%", about), 100.0 * size * (y @ squares) / (squares @ squares)))
    return found


def _unloaded(shape: Shape, mean: Array) -> list[tuple[Figure, Array]]:
    before, after = shape.zero(0.0), shape.zero(1.0)
    found: list[tuple[Figure, Array]] = []
    if before is not None:
        found.append((Figure("zero", "N", "indicated load without load, before loading"), mean[..., before]))
    if before is not None and after is not None:
        about = "indicated load without load, after unloading less before loading"
        found.append((Figure("zero return", "N", about), mean[..., after] - mean[..., before]))
    return found


def _scatters(shape: Shape, logs: Array) -> list[tuple[Figure, Array]]:
    """Scatter of the gain between runs and between mountings, and that of single readings beside it."""
    used = shape.rising & (shape.loads >= UPPER * shape.top)
    there = shape.present & used
    counts = there.sum(axis=1)
    if not counts.all() or shape.runs < 2:
        return []
    step_mean = _mean_of_runs(shape, logs)[..., None, :]
    apart = np.where(there, logs - step_mean, 0.0)
    gains = apart.sum(axis=-1) / counts
    which = shape.mounting[None, :] == np.unique(shape.mounting)[:, None]
    mountings = gains @ (which / which.sum(axis=1, keepdims=True)).T
    found: list[tuple[Figure, Array]] = []

    def add(name: str, about: str, squares: Array, freedom: float) -> None:
        sd = np.maximum(np.sqrt(squares / freedom), LEAST_SCATTER)
        found.append((Figure(name, "%", about, logarithmic=True), 100.0 * sd))

    if shape.runs > shape.mountings:
        within = gains - mountings[..., shape.mounting]
        add(
            "scatter from run to run", "standard deviation of the level of a run within a mounting",
            (within**2).sum(axis=-1), shape.runs - shape.mountings,
        )  # fmt: skip
    if shape.mountings > 1:
        between = mountings - mountings.mean(axis=-1, keepdims=True)
        add(
            "scatter after remounting", "standard deviation of the level of a mounting",
            (between**2).sum(axis=-1), shape.mountings - 1,
        )  # fmt: skip
    steps = int(np.count_nonzero(used))
    free = float(there.sum()) - shape.runs - steps + 1
    if free >= 1.0:
        rest = np.where(there, apart - gains[..., None], 0.0)
        add(
            "scatter within a run", "standard deviation of single readings beside the level of their run",
            (rest**2).sum(axis=(-2, -1)), free,
        )  # fmt: skip
    return found
