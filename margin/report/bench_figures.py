"""Figures of a bench. Each takes what was found and `ax` or makes its own panels, and returns the axes; none is shown.

Ascending branches are blue circles on a full line, descending ones vermilion squares on a dashed line.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from margin.bench.data.counted import counted
from margin.bench.merits.static import mean_curve
from margin.estimates import numbers
from margin.estimates.bench_findings import Setup
from margin.estimates.bench_plans import MEASURES, NOW, VERY_MANY
from margin.estimates.bench_tables import components_frame, models_of
from margin.estimates.next_measurement import NextMeasurement
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PANELS = 12
_UP: Any = {"color": style.BLUE, "marker": "o", "ls": "-", "ms": 3.5, "lw": 1.3}
_DOWN: Any = {
    "color": style.VERMILLION,
    "marker": "s",
    "ls": (0, (4, 2)),
    "ms": 3.5,
    "lw": 1.3,
    "mfc": "white",
}
_LOOKS = (
    (style.BLUE, "o", "-"), (style.VERMILLION, "s", "--"), (style.GREEN, "^", "-."), (style.PURPLE, "D", ":"),
)  # fmt: skip


def loops(setup: Setup, unit: str) -> list[Axes]:
    """Mean output over load of every sensor, ascending and descending, one panel a sensor; `unit` of the output."""
    shown = [sensor for sensor in setup.sensors if sensor.sweeps.cycles][:MOST_PANELS]
    curves = [(s, mean_curve(s.sweeps.up), mean_curve(s.sweeps.down)) for s in shown]
    scale = numbers.scale_for([float(np.nanmax(np.abs(up))) for _, up, _ in curves], unit)
    panels = _panels(len(shown), share_y=True)
    for axes, (sensor, up, down) in zip(panels, curves, strict=True):
        load = sensor.sweeps.loads
        # both branches meet where the load turns, which is read once
        turned = np.where(np.isfinite(down) | (load < load[-1]), down, up)
        down = turned if np.isfinite(down).any() else down
        for branch, values, look in (("going up", up, _UP), ("going down", down, _DOWN)):
            read = np.isfinite(values)
            if read.any():
                axes.plot(load[read], scale.factor * values[read], label=branch, **look)
        width = next(m for m in setup.merits if m.sensor == sensor.name and m.name == "hysteresis")
        told = "not unloaded" if width.value is None else f"loop {width.value:.2g} % of full scale"
        axes.set_title(f"{style.label(sensor.name)}\n{told}", loc="left")
    panels[0].set_ylim(bottom=min(0.0, panels[0].get_ylim()[0]))
    _label_outer(panels, "Load (N)", f"Output ({scale.unit})")
    panels[0].legend(frameon=False, fontsize=8, loc="upper left", handlelength=2.6)
    return panels


def loop_widths(setup: Setup, ax: Axes | None = None) -> Axes:
    """Descending less ascending output over load, of full-scale output: a line a sensor, and their mean."""
    axes = style.axes_of(ax, 6.0, 3.3)
    widths: dict[float, list[float]] = {}
    for sensor in setup.sensors:
        sweeps = sensor.sweeps
        if not sweeps.cycles or not np.isfinite(sweeps.down - sweeps.up).any():
            continue
        up = mean_curve(sweeps.up)
        width = 100.0 * mean_curve(sweeps.down - sweeps.up) / abs(up[-1] - up[0])
        read = np.isfinite(width)
        axes.plot(sweeps.loads[read], width[read], color=style.GREY, lw=0.8, label="_sensor")
        for load, value in zip(sweeps.loads[read], width[read], strict=True):
            widths.setdefault(float(load), []).append(float(value))
    loads = sorted(widths)
    axes.plot(loads, [np.mean(widths[load]) for load in loads], color=style.BLACK, marker="o", ms=4, lw=1.6)
    axes.axhline(0.0, color=style.GREY, lw=0.6)
    axes.set_xlabel("Load (N)")
    axes.set_ylabel("Going down less going up\n(% of full-scale output)")
    axes.set_title("black: mean over sensors; grey: single sensors", loc="left")
    return axes


def residuals(setup: Setup) -> list[Axes]:
    """Mean residual over load of every candidate model: a grey line a sensor, black their mean, best model first."""
    models = models_of(setup)
    panels = _panels(len(models), share_y=True)
    relative = setup.sensors[0].fits[0].kind == "thin film" if setup.sensors[0].fits else True
    factor = 100.0 if relative else 1.0
    for axes, row in zip(panels, models.to_dict("records"), strict=True):
        everyone: list[pd.DataFrame] = []
        for sensor in setup.sensors:
            fit = next((f for f in sensor.fits if f.model == row["model"]), None)
            if fit is None:
                continue
            mean = fit.residuals.groupby("load_N")["residual"].mean() * factor
            axes.plot(mean.index, mean, color=style.GREY, lw=0.8, label="_sensor")
            everyone.append(mean.reset_index())
        mean = pd.concat(everyone).groupby("load_N")["residual"].mean()
        axes.plot(mean.index, mean, color=style.BLACK, marker="o", ms=3.5, lw=1.5)
        axes.axhline(0.0, color=style.BLUE, lw=0.8)
        told = "not on every sensor" if pd.isna(row["delta"]) else f"AICc {row['delta']:+.1f}"
        told = "best by AICc" if row["delta"] == 0 else told
        lack = (
            ""
            if pd.isna(row["lack_of_fit"])
            else f", lack of fit {row['lack_of_fit']:.0f} of {row['sensors']}"
        )
        axes.set_title("\n".join([*textwrap.wrap(str(row["model"]), 28), told + lack]), loc="left")
    _label_outer(panels, "Load (N)", f"Residual ({'% of output' if relative else 'unit of output'})")
    return panels


def components(setup: Setup) -> list[Axes]:
    """Standard deviation of each parameter by level: bars with intervals, outermost level on top."""
    table = components_frame([setup])
    parameters = list(dict.fromkeys(table["parameter"]))
    figure = style.new_figure(3.4 * len(parameters) + 0.4, 2.6)
    panels = list(figure.subplots(1, len(parameters), squeeze=False).ravel())
    for axes, parameter in zip(panels, parameters, strict=True):
        rows = table[table["parameter"] == parameter].reset_index(drop=True)
        factor = 100.0 if parameter == "sensitivity" else 1.0
        for place, row in enumerate(rows.to_dict("records")):
            if pd.isna(row["sd"]):
                axes.annotate(
                    "not available",
                    (0.0, place),
                    xytext=(4, 0),
                    textcoords="offset points",
                    va="center",
                    fontsize=8,
                )
                continue
            axes.barh(place, factor * row["sd"], height=0.55, color=style.SKY, edgecolor=style.BLACK, lw=0.8)
            if not pd.isna(row["low"]):
                low, high = factor * row["low"], factor * row["high"]
                axes.hlines(place, low, high, color=style.BLACK, lw=1.3)
                axes.vlines((low, high), place - 0.12, place + 0.12, color=style.BLACK, lw=1.3)
        axes.set_yticks(range(len(rows)), [f"per {level}" for level in rows["level"]])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlim(left=0.0)
        axes.set_xlabel(f"Standard deviation{' (%)' if parameter == 'sensitivity' else ''}")
        axes.set_title(parameter, loc="left")
    return panels


def creep(setup: Setup, t0: float, ax: Axes | None = None) -> Axes:
    """Output under constant load over log time, relative to its fitted value at `t0` (s); a line a hold."""
    from margin.bench.merits.slow import drift_line

    axes = style.axes_of(ax, 6.0, 3.4)
    slopes = []
    for sensor in setup.sensors:
        for hold in sensor.holds:
            start, share = drift_line(hold.time, hold.output, t0, hold.readings)
            slopes.append(share)
            axes.plot(
                hold.time, 100.0 * (hold.output / start - 1.0), color=style.GREY, marker="o", ms=3, lw=0.8, ls="",
                label="_hold",
            )  # fmt: skip
    first = min(h.time.min() for s in setup.sensors for h in s.holds)
    last = max(h.time.max() for s in setup.sensors for h in s.holds)
    time = np.geomspace(first, last, 50)
    mean = float(np.mean(slopes))
    axes.plot(time, 100.0 * mean * np.log10(time / t0), color=style.BLACK, lw=1.6)
    axes.axhline(0.0, color=style.GREY, lw=0.6)
    axes.set_xscale("log")
    axes.set_xlabel("Time under load (s)")
    axes.set_ylabel(f"Change against {t0:g} s (%)")
    axes.set_title(
        f"points: readings of {counted(len(slopes), 'hold')}; line: mean, {100 * mean:.2g} % a decade",
        loc="left",
    )
    return axes


def outlook_interval(outlook: NextMeasurement, ax: Axes | None = None) -> Axes:
    """Interval of the quantity that decides against the number of sensors; dotted: if the spreads were known."""
    axes = style.axes_of(ax, 6.0, 3.4)
    rows = outlook.of(outlook.decides)
    rows = rows[rows["measure"].isin([NOW, MEASURES[0]]) & rows["low"].notna()]
    many = rows[rows["added"] >= VERY_MANY]
    rows = rows[rows["added"] < VERY_MANY]
    count = rows["sensors"].to_numpy()
    axes.fill_between(count, 100 * rows["low"], 100 * rows["high"], color=style.BLUE, alpha=0.2, lw=0)
    axes.plot(count, 100 * rows["low"], **_UP)
    axes.plot(count, 100 * rows["high"], **_UP)
    axes.plot(count, 100 * rows["value"], color=style.BLACK, lw=1.3)
    if len(many):
        for end in ("low", "high"):
            axes.axhline(100 * float(many[end].iloc[0]), color=style.GREY, lw=1.0, ls=":")
    axes.axvline(float(count[0]), color=style.BLACK, lw=0.8, ls=(0, (6, 2)))
    axes.annotate(
        "now", (float(count[0]), 1.0), xycoords=("data", "axes fraction"), xytext=(3, -2), textcoords="offset points",
        va="top", fontsize=8,
    )  # fmt: skip
    axes.set_xlabel("Sensors measured")
    axes.set_ylabel("\n".join(textwrap.wrap(f"{outlook.decides[0].upper()}{outlook.decides[1:]} (%)", 34)))
    return axes


def outlook_effort(outlook: NextMeasurement, quantity: str, ax: Axes | None = None) -> Axes:
    """Width of the interval of `quantity`, relative to the present one, against the readings to take."""
    axes = style.axes_of(ax, 6.4, 3.4)
    rows = outlook.of(quantity)
    now = rows[rows["measure"] == "now"]
    present = float(now["width"].iloc[0])
    shown = [m for m in MEASURES if rows.loc[rows["measure"] == m, "width"].notna().any()]
    for measure, (colour, marker, line) in zip(shown, _LOOKS, strict=False):
        part = pd.concat([now, rows[(rows["measure"] == measure) & (rows["added"] < VERY_MANY)]])
        axes.plot(
            part["readings"], 100 * part["width"] / present, color=colour, marker=marker, ls=line, ms=4.5, lw=1.4,
            label=f"more {measure}" if not measure.startswith("temperature") else measure,
        )  # fmt: skip
    axes.set_xlabel("Readings to take")
    axes.set_ylabel("Width of the interval\n(% of the present one)")
    axes.set_ylim(0.0, 108.0)
    axes.set_xlim(left=0.0)
    axes.legend(frameon=False, fontsize=8.5, loc="lower left", handlelength=3.4)
    axes.set_title(quantity, loc="left")
    return axes


def _panels(count: int, *, share_y: bool) -> list[Axes]:
    across = min(3, count) if count != 4 else 2
    down = -(-count // across)
    figure = style.new_figure(2.5 * across + 0.5, 2.2 * down + 0.5)
    grid = figure.subplots(down, across, sharex=True, sharey=share_y, squeeze=False).ravel()
    for position, axes in enumerate(grid):
        if position >= count:
            axes.set_visible(False)
        elif position + across >= count:
            axes.tick_params(labelbottom=True)
    return list(grid[:count])


def _label_outer(panels: list[Axes], horizontal: str, vertical: str) -> None:
    """Axis texts on the outer panels only: the lowest of each column, the first of each row."""
    across = min(3, len(panels)) if len(panels) != 4 else 2
    for position, axes in enumerate(panels):
        if position + across >= len(panels):
            axes.set_xlabel(horizontal)
        if position % across == 0:
            axes.set_ylabel(vertical)
