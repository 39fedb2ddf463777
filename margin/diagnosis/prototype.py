"""Readings of one prototype, from bench data to arrays over runs and steps."""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.bench.data import BenchData, at_points
from margin.bench.data.counted import counted
from margin.bench.data.flags import NOT_FINITE, SET_ASIDE
from margin.bench.errors import NotMeasurableError
from margin.bench.merits.sweeps import SAME_TEMPERATURE, Hold, holds_of, usual_temperature, without_holds
from margin.bench.spreads import one_setup
from margin.diagnosis.figures import Shape

Array = NDArray[np.float64]

UNTOLD = NOT_FINITE.format(column="temperature_degC")
"""Why a reading without a temperature is flagged."""

FIRST = 3
"""Readings left out that a caution names."""

LEAST_HOLD = 3
"""Readings over time that tell a drift."""


@dataclass(frozen=True)
class Prototype:
    """Readings of one unit.

    label      'lot / sensor'
    values     (run, step), in `unit`; NaN where there is no reading
    hold       (time,), of its hold; None without one
    quantity   of the readings, as `BenchData` names it
    elsewhere  (run, step), at each other temperature than the usual one
    notes      what was assumed or set aside
    cautions   what of its readings is left out, sentences
    """

    label: str
    shape: Shape
    values: Array
    hold: Array | None
    quantity: str
    unit: str
    source: str
    elsewhere: tuple[Array, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def temperature(self) -> float:
        """Usual temperature of its runs, degC."""
        return self.shape.temperature

    @property
    def runs_elsewhere(self) -> str:
        """Runs at other temperatures, in words: '3 runs at 40 degC'; '' without any."""
        return ", ".join(
            f"{counted(part.runs, 'run')} at {part.temperature:g} degC" for part in self.shape.elsewhere
        )

    def like(self, mountings: int, runs: int, steps: NDArray[np.intp], holds: bool) -> Prototype:
        """Only the first mountings, the first runs of each, and these steps, at the usual temperature."""
        chosen = [
            run
            for mounting in np.unique(self.shape.mounting)[:mountings]
            for run in np.flatnonzero(self.shape.mounting == mounting)[:runs]
        ]
        s = self.shape
        shape = Shape(
            s.loads[steps], s.descending[steps], np.unique(s.mounting[chosen], return_inverse=True)[1],
            s.present[np.ix_(chosen, steps)], s.hold_load if holds else None, s.hold_times if holds else None,
            s.temperature,
        )  # fmt: skip
        values = self.values[np.ix_(chosen, steps)]
        hold = self.hold if holds else None
        return dataclasses.replace(self, shape=shape, values=values, hold=hold, elsewhere=())


def prototypes_of(
    data: BenchData, *, circuit: str | None = None, interface: str | None = None
) -> list[Prototype]:
    """Every unit of the data, with one circuit and one interface (None: the first there is).

    Runs at another temperature than the usual one stand by themselves, in groups of one temperature; of several holds
    the longest at the usual one counts. Raises NotMeasurableError where a unit has no run of two loads or more.
    """
    if data.usable().empty:
        why = "; ".join(sorted(set(data.flags["reason"]))[:3]) or "the file is empty"
        mend = "fill the column, or leave it out" if _untold(data) else "check circuit and wiring"
        raise NotMeasurableError(f"{data.source}: no reading can be used ({why}): {mend}")
    frame, said = one_setup(data.usable(), circuit, interface)
    frame = frame[frame["load_N"].notna()]
    if frame.empty:
        raise NotMeasurableError(
            f"{data.source}: no usable reading has a load: state the load of each reading"
        )
    points = at_points(frame)
    notes = (*data.notes, *said)
    return [
        _unit(" / ".join(map(str, who)), part, data, notes, _left_out(data, *who))
        for who, part in points.groupby(["lot", "sensor"], observed=True, sort=False)
    ]


def the_one(found: list[Prototype], source: str, sensor: str | None) -> Prototype:
    """The unit that is asked for; InvalidArgument where there are several and none is named, or none of that name."""
    names = [one.label.rpartition(" / ")[2] for one in found]
    if sensor is None:
        if len(found) > 1:
            raise InvalidArgument(
                f"{source}: holds {len(found)} sensors ({', '.join(names)}): name the prototype (sensor)"
            )
        return found[0]
    if sensor not in names:
        raise InvalidArgument(f"{source}: no sensor {sensor!r}; there are {', '.join(map(repr, names))}")
    return found[names.index(sensor)]


def _unit(
    label: str, points: pd.DataFrame, data: BenchData, notes: tuple[str, ...], cautions: list[str]
) -> Prototype:
    taken = without_holds(points)
    keys = ["mounting", "run"]
    table = taken.pivot_table(
        index=keys, columns=["branch", "point_N"], values="output", aggfunc="mean", observed=True, sort=False
    )
    table = table[table.notna().sum(axis=1) >= 2]
    if table.empty:
        raise NotMeasurableError(
            f"{data.source}, {label}: no run has readings at two loads: read a cycle of several loads"
        )
    heat = taken.groupby(keys, observed=True, sort=False)["temperature_degC"].mean().reindex(table.index)
    groups = _by_temperature(heat.to_numpy(dtype=float))
    usual = groups[0][0]
    # mountings by their order at the usual temperature; those of other temperatures alone follow
    order = np.concatenate([runs for _, runs in groups])
    names = table.index.get_level_values("mounting").astype(str)
    number = {name: place for place, name in enumerate(dict.fromkeys(names[order]))}
    mounting = np.array([number[name] for name in names], dtype=np.intp)
    (shape, values), *others = (
        _readings(table.iloc[runs], mounting[runs], temperature) for temperature, runs in groups
    )
    if not (shape.loads > 0.0).any():
        raise NotMeasurableError(f"{data.source}, {label}: no load above 0 N: load the unit")
    common: list[tuple[Shape, Array]] = []
    if untold := _untold(data):
        cautions.append(
            f"{counted(untold, 'reading')} without a temperature {'is' if untold == 1 else 'are'} left out: fill the "
            "column, or leave it out where all runs were at one temperature."
        )
    for part, there in others:
        if np.intersect1d(part.loads[part.rising], shape.loads[shape.rising]).size:
            common.append((part, there))
        else:
            cautions.append(
                f"Set aside: {counted(part.runs, 'run')} at {part.temperature:g} degC, with no load going up in common "
                f"with those at {usual:g} degC."
            )
    hold = _longest([h for h in holds_of(points) if abs(h.temperature - usual) <= SAME_TEMPERATURE])
    shape = dataclasses.replace(
        shape, hold_load=None if hold is None else hold.load, hold_times=None if hold is None else hold.time,
        elsewhere=tuple(part for part, _ in common),
    )  # fmt: skip
    return Prototype(
        label, shape, values, None if hold is None else hold.output, data.quantity, data.unit, data.source,
        tuple(there for _, there in common), notes, tuple(cautions),
    )  # fmt: skip


def _left_out(data: BenchData, lot: Hashable, sensor: Hashable) -> list[str]:
    """Caution for the doubtful readings of a unit that are set aside, those without a temperature apart."""
    own = data.frame.loc[(data.frame["lot"] == lot) & (data.frame["sensor"] == sensor), "line"]
    flags = data.flags[data.flags["kind"].isin(SET_ASIDE) & (data.flags["reason"] != UNTOLD)]
    flags = flags[flags["line"].isin(own)].drop_duplicates("line")
    if flags.empty:
        return []
    first = "; ".join(
        f"line {line}: {why}"
        for line, why in zip(flags["line"][:FIRST], flags["reason"][:FIRST], strict=True)
    )
    more = " ..." if len(flags) > FIRST else ""
    verb = "is" if len(flags) == 1 else "are"
    return [f"{counted(len(flags), 'reading')} {verb} left out ({first}{more}): check the readings."]


def _untold(data: BenchData) -> int:
    """Readings without a temperature."""
    return int(data.flags.loc[data.flags["reason"] == UNTOLD, "line"].nunique())


def _by_temperature(heat: Array) -> list[tuple[float, NDArray[np.intp]]]:
    """Temperature, degC, and places of the runs of each group: the usual temperature first, the others ascending."""
    usual = usual_temperature(heat)
    near = np.abs(heat - usual) <= SAME_TEMPERATURE
    groups = [(usual, np.flatnonzero(near))]
    left = np.flatnonzero(~near)
    while left.size:
        middle = usual_temperature(heat[left][heat[left] <= heat[left].min() + SAME_TEMPERATURE])
        own = left[np.abs(heat[left] - middle) <= SAME_TEMPERATURE]
        groups.append((round(float(heat[own].mean()), 2), own))
        left = np.setdiff1d(left, own)
    return groups


def _readings(table: pd.DataFrame, mounting: NDArray[np.intp], temperature: float) -> tuple[Shape, Array]:
    """Runs at one temperature as shape and values (run, step): ascending steps, then descending ones."""
    table = table.dropna(axis=1, how="all")
    there: list[tuple[str, float]] = [
        (str(column[0]), float(column[1])) for column in table.columns.to_list()
    ]
    ups = sorted(load for branch, load in there if branch == "up")
    downs = sorted((load for branch, load in there if branch == "down"), reverse=True)
    columns = [*(("up", load) for load in ups), *(("down", load) for load in downs)]
    values = np.column_stack([table[column].to_numpy(dtype=float) for column in columns])
    loads = np.array([load for _, load in columns], dtype=np.float64)
    descending = np.array([float(branch == "down") for branch, _ in columns])
    shape = Shape(loads, descending, mounting, np.isfinite(values), temperature=temperature)
    return shape, values


def _longest(holds: list[Hold]) -> Hold | None:
    """The hold over the most decades of time, of those with enough readings under load."""
    fit = [h for h in holds if h.load > 0.0 and len(h.time) >= LEAST_HOLD and np.ptp(np.log10(h.time)) > 0.3]
    return max(fit, key=lambda h: float(np.ptp(np.log10(h.time))), default=None)
