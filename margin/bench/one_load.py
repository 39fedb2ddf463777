"""Spreads of sensors that were read at one load alone: repeatability and differences between sensors, no curve."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench.components import Component, Components, nested_components
from margin.bench.data import BenchData, at_points
from margin.bench.data.columns import SERIES
from margin.bench.errors import Lack, NotMeasurableError
from margin.bench.merits.sweeps import SAME_TEMPERATURE, usual_temperature
from margin.bench.spreads import Kind, Spreads, one_setup


def spreads_at_one_load(
    data: BenchData,
    kind: Kind,
    *,
    circuit: str | None = None,
    interface: str | None = None,
    confidence: float = 0.95,
) -> Spreads:
    """Spreads of ln(output) at the only load above zero, over lot, sensor, mounting, loading and reading.

    The variance components are those of the nested analysis of variance (Searle, Casella and McCulloch, Variance
    Components, 1992, chapter 3 for one way): exact chi-square interval of the innermost, generalised intervals of the
    others, and where there is one way alone and it is balanced, the exact F interval of the sensors' share in `notes`.

    Raises NotMeasurableError for another number of loads, for outputs of both signs, and for a single value;
    ValueError for a thin film whose output is no conductance.
    """
    if kind == "thin film" and data.quantity != "conductance":
        raise ValueError(f"a thin film is characterised by its conductance, the output is a {data.quantity}")
    frame, notes = one_setup(data.usable(), circuit, interface)
    points = at_points(frame[frame["load_N"].notna()])
    loaded = points[points["point_N"] > 0]
    loads = loaded["point_N"].unique()
    if len(loads) != 1:
        raise NotMeasurableError(f"{len(loads)} loads above zero: a repeatability table has one")
    heat = loaded["temperature_degC"].to_numpy(dtype=float)
    loaded = loaded[np.abs(heat - usual_temperature(heat)) <= SAME_TEMPERATURE]
    output = loaded["output"].to_numpy(dtype=float)
    if not (np.all(output > 0) or np.all(output < 0)):
        raise NotMeasurableError(
            "outputs of both signs or zero under the one load", "measure at a higher load"
        )
    values = np.log(np.abs(output))
    labels = {level: loaded[level].astype(str).to_numpy() for level in ("lot", "sensor", "mounting")}
    labels["loading"] = loaded["run"].astype(str).to_numpy()
    found = nested_components(values, labels, residual="reading", confidence=confidence)
    notes.append(f"one load, {loads[0]:.4g} N: spreads are those of the output there, relative")
    notes += [Lack(f"ln_sensitivity, {c.level}: {c.note}") for c in found.components if not c.measured]
    share = _share_of_sensors(found, values.size, confidence)
    notes += [] if share is None else [share]
    outer = tuple(c for c in found.components if c.level != "reading")
    components = {"ln_sensitivity": dataclasses.replace(found, components=outer)}
    shown: pd.DataFrame = (
        loaded[[*SERIES, "temperature_degC"]].assign(ln_sensitivity=values).reset_index(drop=True)
    )
    return Spreads(shown, components, _reading(found), None, None, None, tuple(notes))


def share_interval(
    ratio: float, dof: tuple[int, int], repeats: int, confidence: float
) -> tuple[float, float]:
    """Exact interval of the share of variance between groups in a balanced one-way analysis of variance.

    ratio    F, mean square between groups over that within
    dof      of either
    repeats  values of each group

    (F / f - 1) / (F / f + n - 1) with f the quantiles of F(dof) (Searle, Casella and McCulloch 1992, 3.5; Fisher's
    intraclass correlation); ends below 0 are 0.
    """
    low, high = (ratio / stats.f.ppf(chance, *dof) for chance in ((1 + confidence) / 2, (1 - confidence) / 2))
    ends = [max((end - 1.0) / (end + repeats - 1.0), 0.0) for end in (low, high)]
    return float(ends[0]), float(ends[1])


def _share_of_sensors(found: Components, size: int, confidence: float) -> str | None:
    """Share of the sensors in the variance with its F interval, where there is one way and it is balanced."""
    table = found.anova
    if len(table) != 2 or table["level"].iloc[0] != "sensor" or not np.isfinite(table["F"].iloc[0]):
        return None
    between, within = int(table["dof"].iloc[0]), int(table["dof"].iloc[1])
    sensors = between + 1
    if size % sensors or size - sensors != within:
        return None
    low, high = share_interval(float(table["F"].iloc[0]), (between, within), size // sensors, confidence)
    share = found["sensor"].share or 0.0
    return (
        f"sensors are {100 * share:.3g} % of the variance, {100 * confidence:g} %: {100 * low:.3g} to "
        f"{100 * high:.3g} % (F of one-way analysis of variance, {between} and {within} degrees of freedom)"
    )


def _reading(found: Components) -> Component:
    inner = found["reading"]
    if inner.measured:
        return inner
    note = Lack("one reading in each placement", "take ten in a row")
    return dataclasses.replace(inner, note=note)
