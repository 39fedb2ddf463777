"""Figures of merit that need time, temperature or the converter: drift, temperature, resolution."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from margin.bench.data.weights import repeated_scatter
from margin.bench.errors import Lack
from margin.bench.merits.merit import Merit, lacking, mean_interval, sd_interval
from margin.bench.merits.static import cycle_slopes, full_scale, mean_curve
from margin.bench.merits.sweeps import SAME_TEMPERATURE, Hold, Sweeps, usual_temperature, without_holds

DEFAULT_T0 = 10.0


def drift_line(
    time: NDArray[np.float64],
    output: NDArray[np.float64],
    t0: float,
    readings: NDArray[np.float64] | None = None,
) -> tuple[float, float]:
    """Output at t0 and drift per decade, as a share of it, by least squares on log10(time / t0).

    y(t) = y(t0) (1 + c log10(t / t0)); the law of logarithmic creep (common practice, no source).

    time    (n,), s since the load was put on, above 0
    output  (n,)
    readings  (n,), readings that each output is the mean of; None: one each
    """
    weight = np.ones_like(output) if readings is None else readings
    decades = np.log10(time / t0)
    mean, middle = np.average(output, weights=weight), np.average(decades, weights=weight)
    centred = weight * (decades - middle)
    slope = float(centred @ (output - mean) / (centred @ (decades - middle)))
    start = float(mean - slope * middle)
    return start, slope / start


REPEAT = Lack("one change of temperature in one cycle each", "repeat the cycles")


def drift(holds: list[Hold], confidence: float, t0: float = DEFAULT_T0) -> Merit:
    """Drift per decade of time under constant load, in % of the output at t0.

    Interval: Student t over holds; with one hold, of the slope of its own line, which takes the deviations
    from the line as independent.
    """
    name = "drift per decade"
    text = f"slope of the output on log10(time / t0) under constant load, of the output at t0 = {t0:g} s"
    if not holds:
        note: str = Lack(
            "no hold with times", "keep one load for 1000 s or more and read at 1, 3, 10, 30 ... s"
        )
        return lacking(name, "%", text, note)
    lines = [drift_line(hold.time, hold.output, t0, hold.readings) for hold in holds]
    values = 100 * np.array([share for _, share in lines])
    mean, low, high = mean_interval(values, confidence)
    first, last = min(h.time.min() for h in holds), max(h.time.max() for h in holds)
    notes = [] if first <= t0 <= last else [f"t0 lies outside the times measured, {first:g} to {last:g} s"]
    if low is None and holds[0].time.size > 2:
        half = _slope_half(holds[0], lines[0], t0, confidence)
        low, high = mean - half, mean + half
        notes.append("one hold: the interval is that of its own line; repeat the hold")
    return Merit(name, mean, low, high, "%", text, confidence, len(holds), "; ".join(notes))


def _slope_half(hold: Hold, line: tuple[float, float], t0: float, confidence: float) -> float:
    decades = np.log10(hold.time / t0)
    start, share = line
    rest = hold.output - start * (1 + share * decades)
    weight = np.ones_like(rest) if hold.readings is None else hold.readings
    inside = 0.0 if hold.squares is None else float(hold.squares.sum())
    dof = weight.sum() - 2
    spread = weight @ (decades - np.average(decades, weights=weight)) ** 2
    error = np.sqrt((weight @ rest**2 + inside) / dof / spread)
    return 100 * float(stats.t.ppf((1 + confidence) / 2, dof) * error / abs(start))


def temperature_coefficients(sweeps: Sweeps, confidence: float) -> list[Merit]:
    """Temperature coefficients of zero and span by least squares on the mean temperature of each cycle.

    zero  d(output at zero load)/dT / full-scale output
    span  d(sensitivity)/dT / sensitivity at the mean temperature
    Cycles of one temperature are averaged first within each mounting, so that what counts is the number of
    changes of temperature, not of cycles.
    """
    zero_text = "change of the output at zero load with temperature, of full-scale output"
    span_text = "relative change of the sensitivity with temperature"
    zero_name, span_name = "temperature coefficient of zero", "temperature coefficient of span"
    heat = sweeps.temperature
    if sweeps.cycles == 0 or np.ptp(heat) <= SAME_TEMPERATURE:
        note: str = Lack(
            "one temperature", "repeat the cycles, without remounting, at the ends of the range of use"
        )
        return [lacking(zero_name, "%/K", zero_text, note), lacking(span_name, "%/K", span_text, note)]
    slopes = cycle_slopes(sweeps)
    usual = sweeps.take(np.abs(heat - usual_temperature(heat)) <= SAME_TEMPERATURE)
    scale = abs(full_scale(usual if usual.cycles else sweeps))
    span = _coefficient(span_name, span_text, heat, slopes / np.nanmean(slopes), sweeps, confidence)
    if not sweeps.has_zero:
        note = Lack("no reading at zero load", "read the unloaded output at each temperature")
        return [lacking(zero_name, "%/K", zero_text, note), span]
    return [_coefficient(zero_name, zero_text, heat, sweeps.up[:, 0] / scale, sweeps, confidence), span]


def _coefficient(
    name: str,
    text: str,
    heat: NDArray[np.float64],
    values: NDArray[np.float64],
    sweeps: Sweeps,
    confidence: float,
) -> Merit:
    """Slope common to the mountings, each with its own level: remounting is not taken for temperature."""
    read = np.isfinite(values)
    table = pd.DataFrame(
        {
            "m": sweeps.mounting[read],
            "t": np.rint(heat[read] / SAME_TEMPERATURE),
            "heat": heat[read],
            "y": values[read],
        }
    )
    means = table.groupby(["m", "t"]).mean().reset_index()
    inner = means[["heat", "y"]] - means.groupby("m")[["heat", "y"]].transform("mean")
    x, y = inner["heat"].to_numpy(dtype=float), inner["y"].to_numpy(dtype=float)
    if x @ x <= SAME_TEMPERATURE**2 / 4:
        note: str = Lack(
            "each temperature belongs to another mounting", "change the temperature without remounting"
        )
        return lacking(name, "%/K", text, note)
    slope = float(x @ y / (x @ x))
    dof = len(means) - means["m"].nunique() - 1
    if dof >= 1:
        error = float(np.sqrt(np.sum((y - slope * x) ** 2) / dof / (x @ x)))
        note = ""
    else:
        error, dof = _cycle_error(table, float(x @ x)), max(len(table) - len(means), 0)
        note = "one change of temperature: the interval covers the scatter of cycles only"
    if dof < 1:
        return Merit(name, 100 * slope, None, None, "%/K", text, confidence, len(means), REPEAT)
    half = 100 * float(stats.t.ppf((1 + confidence) / 2, dof)) * error
    return Merit(
        name, 100 * slope, 100 * slope - half, 100 * slope + half, "%/K", text, confidence, len(means), note
    )


def _cycle_error(table: pd.DataFrame, squares: float) -> float:
    """Standard error of the slope from the scatter of cycles about the mean of their temperature."""
    groups = table.groupby(["m", "t"])["y"]
    dof = len(table) - groups.ngroups
    if dof < 1:
        return 0.0
    inner = (table["y"] - groups.transform("mean")).to_numpy(dtype=float)
    size = float(groups.size().mean())
    return float(np.sqrt(np.sum(inner**2) / dof / size / squares))


def resolution(points: pd.DataFrame, sweeps: Sweeps, quantity: str, confidence: float) -> Merit:
    """Smallest change of load that shows (VIM 4.14): one step of the output over the flattest local slope.

    The step is one count for codes, else twice the standard deviation of repeated readings in one placement.
    """
    name = "resolution"
    by = "one count" if quantity == "code" else "twice the scatter of readings in one placement"
    text = f"{by} over the smallest local slope of the mean ascending output"
    curve = mean_curve(sweeps.up)
    read = np.isfinite(curve)
    if read.sum() < 2:
        return lacking(name, "N", text, Lack("fewer than two ascending loads", "measure more loads"))
    slope = np.abs(np.diff(curve[read]) / np.diff(sweeps.loads[read])).min()
    if slope == 0:
        note: str = Lack(
            "the output is the same at two loads, so that the resolution is above their distance"
        )
        return lacking(name, "N", text, note)
    if quantity == "code":
        return Merit(name, float(1 / slope), None, None, "N", text, note="one count is exact: no interval")
    single = without_holds(points)
    squares, dof = repeated_scatter(single, ["mounting", "run", "branch", "point_N"])
    if dof < 1:
        return lacking(
            name, "N", text, Lack("one reading in each placement", "take ten in a row at one load")
        )
    sd = float(np.sqrt(squares / dof))
    low, high = sd_interval(2 * sd / float(slope), dof, confidence)
    return Merit(name, 2 * sd / float(slope), low, high, "N", text, confidence, dof)
