"""Readings that deserve a second look, each with its line and the reason. Nothing is removed here."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench.data.columns import SERIES

KINDS: tuple[str, ...] = (
    "not a number",
    "duplicate",
    "out of order in time",
    "saturated",
    "stuck",
    "first cycle",
)
SET_ASIDE: tuple[str, ...] = ("not a number", "duplicate", "saturated", "stuck")
"""Kinds that `BenchData.usable` leaves out unless told otherwise."""

STUCK_LOADS = 3
FIRST_CYCLE_RISK = 0.01

NOT_FINITE = "no finite value in '{column}'"

Found = tuple[int, str, str]


def flag(frame: pd.DataFrame) -> pd.DataFrame:
    """Flags of `frame` (columns of `BenchData.frame`): one row a flagged reading: line, kind, reason."""
    found: list[Found] = []
    for check in (_not_numbers, _duplicates, _out_of_order, _saturated, _stuck, first_cycles):
        found.extend(check(frame))
    flags = pd.DataFrame(found, columns=["line", "kind", "reason"])
    return flags.astype({"line": "int64"}).sort_values("line", kind="stable").reset_index(drop=True)


def _not_numbers(frame: pd.DataFrame) -> Iterator[Found]:
    for column in ("load_N", "output", "temperature_degC"):
        bad = ~np.isfinite(frame[column].to_numpy())
        for line in frame["line"].to_numpy()[bad]:
            yield int(line), "not a number", NOT_FINITE.format(column=column)


def _duplicates(frame: pd.DataFrame) -> Iterator[Found]:
    """Only with times: without them a repeated row may be a repeated reading."""
    timed = frame[frame["time_s"].notna()]
    again = timed.duplicated(subset=[c for c in timed.columns if c != "line"], keep="first")
    for line in timed.loc[again, "line"]:
        yield int(line), "duplicate", "the same as an earlier line, time included"


def _out_of_order(frame: pd.DataFrame) -> Iterator[Found]:
    timed = frame[frame["time_s"].notna()]
    if timed.empty:
        return
    step = timed.groupby(list(SERIES), observed=True, sort=False)["time_s"].diff()
    for line, back in zip(timed.loc[step < 0, "line"], step[step < 0], strict=True):
        yield int(line), "out of order in time", f"time goes back by {-back:g} s within its run"


def _saturated(frame: pd.DataFrame) -> Iterator[Found]:
    """At the largest or smallest output of its circuit, repeated over two or more loads of one run."""
    for _, group in frame.groupby("circuit", observed=True, sort=False):
        for end, word in ((group["output"].max(), "largest"), (group["output"].min(), "smallest")):
            held = group[group["output"] == end]
            loads = held.groupby(list(SERIES), observed=True, sort=False)["load_N"].transform("nunique")
            for line in held.loc[loads >= 2, "line"]:
                yield int(line), "saturated", f"the {word} output, {end:g}, repeated at several loads"


def _stuck(frame: pd.DataFrame) -> Iterator[Found]:
    """The same output over three or more different loads in a row, away from the ends of the range."""
    inside = ~frame["output"].isin([frame["output"].max(), frame["output"].min()])
    series = frame.groupby(list(SERIES), observed=True, sort=False).ngroup()
    order = np.argsort(series.to_numpy(), kind="stable")
    output, group = frame["output"].to_numpy()[order], series.to_numpy()[order]
    changed = np.append(True, (np.diff(output) != 0) | (np.diff(group) != 0))
    streak = pd.Series(np.cumsum(changed), index=frame.index[order])
    rows = frame.loc[frame.index[order]].assign(streak=streak)
    rows = rows[inside.loc[rows.index]]
    size = rows.groupby("streak")["load_N"].transform("size")
    rows = rows[size >= STUCK_LOADS]
    rows = rows.assign(n=rows.groupby("streak")["load_N"].transform("nunique"))
    held = rows.loc[rows["n"] >= STUCK_LOADS, ["line", "n", "output"]]
    for line, count, value in held.itertuples(index=False):
        yield int(line), "stuck", f"output stays at {value:g} over {count:.0f} loads"


def first_cycles(frame: pd.DataFrame) -> Iterator[Found]:
    """The first of four or more runs of a mounting, where it differs from what the later ones predict.

    Prediction interval of one further value from k others: mean +/- t(k - 1) s sqrt(1 + 1/k), at 99 %.
    """
    good = frame[np.isfinite(frame["output"]) & np.isfinite(frame["load_N"])]
    for _, part in good.groupby(list(SERIES[:-1]), observed=True, sort=False):
        cells = part.groupby(["branch", "load_N", "run"], observed=True, sort=False)["output"].mean()
        table = cells.unstack().dropna()
        values = table.to_numpy(dtype=float)
        if table.shape[1] < 4 or not values.any():
            continue
        runs = values.mean(axis=0) / np.abs(values).mean()
        first, later = runs[0], runs[1:]
        limit = stats.t.ppf(1 - FIRST_CYCLE_RISK / 2, later.size - 1) * np.sqrt(1 + 1 / later.size)
        away = first - later.mean()
        if abs(away) > limit * later.std(ddof=1) and away != 0:
            run = table.columns[0]
            reason = f"run {run} reads {100 * away:+.2g} % against the later ones: unconditioned?"
            for line in part.loc[part["run"] == run, "line"]:
                yield int(line), "first cycle", reason
