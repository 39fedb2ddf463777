"""Readings of a stream condensed into stays: what was read at one load of one branch, one after the other.

Of each stay the first and the last reading are kept by themselves (they decide on runs, branches and holds); those
between are pooled by the logarithm of the time since the load was put on, so that the drift of a hold stays.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench.data.columns import SERIES
from margin.bench.data.pool import pieces_of, pooled
from margin.bench.data.steps import LoadSteps

Array = NDArray[np.float64]
Integers = NDArray[np.int64]

PER_DECADE = 20
"""Parts of a decade of time within a stay."""

FIRST, UNTIMED, LAST = -1000, -999, 1000
"""Numbers of the parts that are no cell of time."""

CELL = ["series", "stay", "part"]

KEPT_LINES = 100


@dataclass
class Doubtful:
    """Readings that deserve a second look: how many of each kind, and the first of their lines."""

    counts: dict[str, int] = field(default_factory=dict)
    lines: dict[str, list[int]] = field(default_factory=dict)

    def add(self, kind: str, lines: Integers, count: int | None = None) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + (lines.size if count is None else count)
        kept = self.lines.setdefault(kind, [])
        kept += [int(line) for line in lines[: max(KEPT_LINES - len(kept), 0)]]


@dataclass
class _Open:
    """Where each series stands, by its number: the last reading that was placed."""

    step: Integers
    branch: Integers
    stay: Integers
    onset: Array
    time: Array

    @classmethod
    def none(cls) -> _Open:
        nothing = np.empty(0, dtype=np.int64)
        return cls(nothing, nothing, nothing, np.empty(0), np.empty(0))

    def grow(self, count: int) -> None:
        """Room for `count` series; those not yet begun have the stay -1."""
        more = count - self.stay.size
        for name in ("step", "branch", "stay"):
            filler = np.full(more, -1, dtype=np.int64)
            setattr(self, name, np.concatenate([getattr(self, name), filler]))
        for name in ("onset", "time"):
            setattr(self, name, np.concatenate([getattr(self, name), np.zeros(more)]))


class Condenser:
    """Takes chunks of readings in the order of the file; gives one piece for each part of each stay.

    Its memory grows with the number of stays, not with the readings in them.
    """

    def __init__(self, steps: LoadSteps) -> None:
        self.doubtful = Doubtful()
        self.readings = 0
        self.names: dict[tuple[str, ...], int] = {}
        self._steps = steps
        self._open = _Open.none()
        self._held: pd.DataFrame | None = None
        self._done: list[pd.DataFrame] = []
        self._settled = 0

    def take(self, frame: pd.DataFrame) -> None:
        """Readings as from `parse`, faulty rows taken out."""
        self.readings += len(frame)
        known = np.isfinite(frame[["load_N", "output", "temperature_degC"]].to_numpy(dtype=float)).all(axis=1)
        self.doubtful.add("not a number", frame["line"].to_numpy()[~known])
        frame = frame[known]
        if frame.empty:
            return
        setup = frame["circuit"].astype(str).str.cat(frame["interface"].astype(str), sep="\n")
        rows = pd.DataFrame(
            {
                "line": frame["line"].to_numpy(),
                "series": self._series(frame),
                "branch": frame["branch"].cat.codes.to_numpy().astype(np.int64),
                "step": self._steps.of(setup.reset_index(drop=True), frame["load_N"].to_numpy(dtype=float)),
                **{
                    name: frame[name].to_numpy(dtype=float)
                    for name in ("time_s", "load_N", "temperature_degC")
                },
                "output": frame["output"].to_numpy(dtype=float),
            }
        )
        self._place(rows if self._held is None else pd.concat([self._held, rows]), last=False)

    def finish(self) -> pd.DataFrame:
        """All pieces, by series, stay and part (empty without a usable reading)."""
        if self._held is None:
            return pd.DataFrame()
        self._place(self._held, last=True)
        return pooled(pd.concat(self._done, ignore_index=True), CELL)

    def _series(self, frame: pd.DataFrame) -> Integers:
        """Number of the series of each reading, the same for the same labels in every chunk."""
        groups = frame.groupby(list(SERIES), observed=True, sort=False, dropna=False)
        keys = groups[["line"]].first().index
        numbers = np.array([self.names.setdefault(tuple(map(str, key)), len(self.names)) for key in keys])
        self._open.grow(len(self.names))
        result: Integers = numbers[groups.ngroup().to_numpy()]
        return result

    def _place(self, rows: pd.DataFrame, last: bool) -> None:
        """Give each reading its stay and part. The last of each series waits until the next one is known."""
        rows = rows.iloc[np.argsort(rows["series"].to_numpy(), kind="stable")].reset_index(drop=True)
        rows = rows[~self._repeated(rows)].reset_index(drop=True)
        state, series = self._open, rows["series"].to_numpy()
        step, branch, time = (rows[name].to_numpy() for name in ("step", "branch", "time_s"))
        head = np.append(True, np.diff(series) != 0)
        changed = np.append(True, (np.diff(step) != 0) | (np.diff(branch) != 0))
        same = (state.stay[series] >= 0) & (state.step[series] == step) & (state.branch[series] == branch)
        starts = np.where(head, ~same, changed)
        new = head & (state.stay[series] < 0)
        before = np.where(head, state.time[series], np.append(0.0, time[:-1]))
        # Reading at which the stay of each one began; where it began in an earlier chunk, what was noted then.
        place = np.maximum.accumulate(np.where(head | starts, np.arange(series.size), 0))
        opened = starts[place]
        count = np.cumsum(starts)
        first = np.maximum.accumulate(np.where(head, count - starts, 0))
        stay = state.stay[series] + count - first
        onset = np.where(opened, np.where(new, 0.0, before)[place], state.onset[series])
        tail = np.append(head[1:], True)
        ends = np.append(starts[1:], True) | tail
        part = np.where(starts, FIRST, np.where(ends, LAST, _cell(time - onset)))
        self._out_of_order(rows, time - before, ~new & (~tail | last))
        placed = rows.assign(stay=stay, part=part)[~tail | last]
        final = np.flatnonzero(np.append(np.diff(placed["series"].to_numpy()) != 0, True)[: len(placed)])
        at = placed.index.to_numpy()[final]
        who = series[at]
        state.step[who], state.branch[who], state.time[who] = step[at], branch[at], time[at]
        state.stay[who], state.onset[who] = stay[at], onset[at]
        self._held = rows[tail]
        if len(placed):
            self._add(pooled(pieces_of(placed), CELL))

    def _repeated(self, rows: pd.DataFrame) -> NDArray[np.bool_]:
        """Readings the same as the one before in their series, time included."""
        columns = ["series", "branch", "time_s", "load_N", "temperature_degC", "output"]
        values = rows[columns].to_numpy(dtype=float)
        again = np.append(False, (values[1:] == values[:-1]).all(axis=1))
        self.doubtful.add("duplicate", rows["line"].to_numpy()[again])
        return again

    def _out_of_order(self, rows: pd.DataFrame, step: Array, known: NDArray[np.bool_]) -> None:
        self.doubtful.add("out of order in time", rows["line"].to_numpy()[known & (step < 0)])

    def _add(self, pieces: pd.DataFrame) -> None:
        """Keep pieces; pool them anew whenever they are twice as many as after the last time."""
        self._done.append(pieces)
        if sum(map(len, self._done)) > 2 * self._settled + 20_000:
            self._done = [pooled(pd.concat(self._done, ignore_index=True), CELL)]
            self._settled = len(self._done[0])


def _cell(elapsed: Array) -> Integers:
    """Cell of the logarithm of time since the load was put on."""
    timed = elapsed > 0
    logarithm = np.log10(np.where(timed, elapsed, 1.0))
    return np.where(timed, np.floor(PER_DECADE * logarithm), UNTIMED).astype(np.int64)
