"""What a bench shows of a sensor beside its curve: each property as a table of values, one row a cycle or mounting.

All tables have the columns lot, sensor, mounting and value, so that the spread of the property can be told by level.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from margin.bench.data.columns import SERIES
from margin.bench.data.weights import means, readings, repeated_scatter
from margin.bench.merits.slow import drift_line
from margin.bench.merits.sweeps import SAME_TEMPERATURE, holds_of, without_holds
from margin.chain.laws import loop_weight

WHO = ["lot", "sensor"]
MOUNTED = ["lot", "sensor", "mounting"]
COLUMNS = [*MOUNTED, "value"]


def unloaded(points: pd.DataFrame) -> pd.DataFrame:
    """Mean output without load before each cycle, in the unit of the output; empty where none was read."""
    rows = without_holds(points)
    rows = rows[(rows["branch"] == "up") & (rows["point_N"].abs() <= 1e-9 * points["point_N"].abs().max())]
    found = means(rows, SERIES, "output")
    table: pd.DataFrame = found.rename("value").reset_index()
    return table[COLUMNS]


def noise_unloaded(points: pd.DataFrame) -> tuple[float, float]:
    """Variance of a cycle's unloaded output by the scatter of single readings, and its degrees of freedom.

    0 and 0 where each was read once: what is reading noise is then held with the scatter from cycle to cycle.
    """
    rows = without_holds(points)
    rows = rows[(rows["branch"] == "up") & (rows["point_N"].abs() <= 1e-9 * points["point_N"].abs().max())]
    if rows.empty:
        return 0.0, 0.0
    squares, dof = repeated_scatter(rows, SERIES)
    visits = rows.groupby(list(SERIES), observed=True, sort=False).ngroups
    return (squares / dof * visits / float(readings(rows).sum()), float(dof)) if dof > 0 else (0.0, 0.0)


def zero_returns(points: pd.DataFrame, net: pd.DataFrame) -> pd.DataFrame:
    """Output left after each cycle, as share of the output at its largest load: unloaded after less before.

    points  readings at load points; net: the same less their zero
    """
    rows = without_holds(points)
    rows = rows[rows["point_N"].abs() <= 1e-9 * points["point_N"].abs().max()]
    zeros = means(rows, [*SERIES, "branch"], "output").unstack("branch").reindex(columns=["up", "down"])
    up = without_holds(net)
    up = up[up["branch"] == "up"]
    cells = means(up, [*SERIES, "point_N"], "output").reset_index()
    top = cells.loc[cells.groupby(list(SERIES), observed=True, sort=False)["point_N"].idxmax()]
    full = top[top["point_N"] > 0].set_index(list(SERIES))["output"].rename("full")
    table = zeros.join(full, how="inner").reset_index()
    table = table.assign(value=(table["down"] - table["up"]) / table["full"].where(table["full"] != 0))
    found: pd.DataFrame = table[table["value"].notna()]
    return found[COLUMNS]


def warming_of_zero(points: pd.DataFrame, usual: float) -> pd.DataFrame:
    """Change of the unloaded output per kelvin, in its unit, one row a mounting that saw another temperature.

    usual  degC, temperature from which the change is counted; least squares through the origin
    """
    rows = without_holds(points)
    rows = rows[(rows["branch"] == "up") & (rows["point_N"].abs() <= 1e-9 * points["point_N"].abs().max())]
    found = []
    for who, part in rows.groupby(MOUNTED, observed=True, sort=False):
        heat = part["temperature_degC"].to_numpy(dtype=float) - usual
        level, weight = part["output"].to_numpy(dtype=float), readings(part)
        near = np.abs(heat) <= SAME_TEMPERATURE
        if near.all() or not near.any():
            continue
        change = level[~near] - np.average(level[near], weights=weight[near])
        pull = weight[~near] * heat[~near]
        found.append((*who, float(pull @ change / (pull @ heat[~near]))))
    return pd.DataFrame(found, columns=COLUMNS)


def net_of_zero(frame: pd.DataFrame, zeros: pd.DataFrame) -> pd.DataFrame:
    """Readings less the mean unloaded output of their sensor; unchanged where none was read."""
    if zeros.empty:
        return frame
    each = zeros.groupby(WHO, observed=True, sort=False)["value"].mean().rename("zero").reset_index()
    zero = frame[WHO].merge(each, on=WHO, how="left")["zero"].fillna(0.0).to_numpy()
    return frame.assign(output=frame["output"].to_numpy() - zero)


def loops(net: pd.DataFrame) -> pd.DataFrame:
    """Hysteresis of each cycle: h in descending / ascending - 1 = h 4u(1 - u), by least squares over loads.

    net  readings less their zero, at load points; u = load / highest load of the cycle, as the elements have it
    """
    rows = without_holds(net)
    cells = means(rows, [*SERIES, "branch", "point_N"], "output")
    table = cells.unstack("branch").reindex(columns=["up", "down"]).reset_index()
    table["peak"] = table.groupby(list(SERIES), observed=True, sort=False)["point_N"].transform("max")
    table = table[(table["point_N"] > 0) & (table["up"] > 0) & table["down"].notna()]
    load, peak = table["point_N"].to_numpy(dtype=float), table["peak"].to_numpy(dtype=float)
    weight = np.asarray(loop_weight(load, peak))
    excess = (table["down"] / table["up"] - 1.0).to_numpy(dtype=float)
    table = table.assign(product=weight * excess, square=weight**2, excess=excess**2, loads=weight > 0)
    columns = ["product", "square", "excess", "loads"]
    sums = table.groupby(list(SERIES), observed=True, sort=False)[columns].sum()
    sums = sums[sums["square"] > 0]
    value = sums["product"] / sums["square"]
    rest = (sums["excess"] - value * sums["product"]).clip(lower=0.0)
    found: pd.DataFrame = sums.assign(value=value, rest=rest, dof=sums["loads"] - 1).reset_index()
    return found[[*COLUMNS, "rest", "square", "dof"]]


def noise_of_loops(loops: pd.DataFrame) -> tuple[float, float]:
    """Variance of a cycle's hysteresis by the scatter of its own readings about its loop, and its degrees of freedom.

    What the readings at the loads scatter independently is reload scatter and must not count as scatter of the loop.
    The shape of the loop that is not u(1 - u) counts with it: the variance is rather too large.
    """
    dof = float(loops["dof"].sum())
    if dof < 1:
        return float("inf"), 0.0
    return float(loops["rest"].sum()) / dof * float((1.0 / loops["square"]).mean()), dof


def creeps(net: pd.DataFrame, t0: float) -> pd.DataFrame:
    """Relative change per decade of time in each hold, of the output at `t0` (s)."""
    rows = []
    for (lot, sensor, mounting), part in net.groupby(MOUNTED, observed=True, sort=False):
        rows += [
            (lot, sensor, mounting, drift_line(h.time, h.output, t0, h.readings)[1]) for h in holds_of(part)
        ]
    return pd.DataFrame(rows, columns=COLUMNS)


def warming(cycles: pd.DataFrame, usual: float) -> pd.DataFrame:
    """Relative change of the sensitivity per kelvin, one row a mounting that saw another temperature.

    cycles  parameters of each cycle, as from `cycle_parameters`
    usual   degC, temperature to which the change is relative

    a in k / k(usual) = 1 + a (T - usual), least squares through the origin, each mounting with its own level.
    """
    rows = []
    for who, part in cycles.groupby(MOUNTED, observed=True, sort=False):
        heat = part["temperature_degC"].to_numpy(dtype=float) - usual
        level = part["ln_sensitivity"].to_numpy(dtype=float)
        near = np.abs(heat) <= SAME_TEMPERATURE
        if near.all() or not near.any():
            continue
        change = np.exp(level[~near] - level[near].mean()) - 1.0
        rows.append((*who, float(heat[~near] @ change / (heat[~near] @ heat[~near]))))
    return pd.DataFrame(rows, columns=COLUMNS)
