"""Figures of a calibration plan: yield against time, positions of the loads, what the reference must be."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from margin.design.calibration_plan.result import CalibrationPlan, Plan
from margin.estimates import numbers
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DASHES = (0, (6, 3))
_WIDEST = 40
_LINEAR_TO, _LINEAR_SPACE = 10.0, 0.25
"""Seconds up to which the time axis is linear, so that it has a 0, and its length there in decades."""
_TICKS = (0.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)
_ENDS = (0.0, 50.0, 80.0, 90.0, 95.0, 98.0, 99.0, 99.5, 99.9, 99.99, 99.999)
_LOOKS = {False: (style.VERMILLION, "o", "without thermometer"), True: (style.BLUE, "s", "with thermometer")}


def yield_over_seconds(found: CalibrationPlan, ax: Axes | None = None) -> Axes:
    """Yield (marker) and lower bound (stroke) of each plan with intervals against its time, required yield dashed."""
    axes = style.axes_of(ax, 7.2, 4.2)
    several = len({plan.thermometer for plan in found.plans}) > 1
    longest = max(max(plan.seconds for plan in found.plans), 1.0)
    for thermometer, (colour, marker, label) in _LOOKS.items():
        own = [plan for plan in found.plans if plan.thermometer == thermometer]
        if not own:
            continue
        seconds = np.array([plan.seconds for plan in own])
        reached = 100.0 * np.array([plan.reached.value for plan in own])
        axes.step(
            [*seconds, 1.15 * longest], [*reached, reached[-1]], where="post", color=colour, lw=1.0, alpha=0.6,
            label="_step",
        )  # fmt: skip
        for plan in own:
            ends = 100.0 * plan.reached.low, 100.0 * plan.reached.high
            axes.vlines(plan.seconds, *ends, color=colour, lw=1.8, label="_interval")
            axes.vlines(
                plan.seconds, 100.0 * plan.bound.low, 100.0 * plan.bound.high, color=colour, lw=0.8, ls=":",
                label="_bound interval",
            )  # fmt: skip
        axes.plot(
            seconds, reached, ls="", marker=marker, ms=6.0, color=colour, label=label if several else "yield"
        )
        bounds = [100.0 * plan.bound.value for plan in own]
        axes.plot(seconds, bounds, ls="", marker="_", ms=11.0, mew=2.0, color=colour, label="_bound")
    chosen = found.chosen
    axes.plot(
        chosen.seconds, 100.0 * chosen.reached.value, ls="", marker="o", ms=13.0, mfc="none", mec=style.BLACK,
        label="plan chosen" if chosen.verdict == "conforms" else "plan that comes nearest",
    )  # fmt: skip
    target = found.case.requirement.target
    axes.axhline(
        100.0 * target, color=style.BLACK, lw=1.1, ls=DASHES, label=f"required {numbers.percent(target)}"
    )
    shown = [target, *(value for p in found.plans for value in (p.reached.value, p.bound.value))]
    _failing_scale(axes, max([v for v in shown if v < 1.0]), 0.5 / max(p.units for p in found.plans))
    axes.set_xscale("symlog", linthresh=_LINEAR_TO, linscale=_LINEAR_SPACE)
    ticks = [tick for tick in _TICKS if tick <= 1.15 * longest]
    axes.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_xlim(-0.8, 1.15 * longest)
    axes.set_xlabel("Time on the station (s a unit)")
    axes.set_ylabel("Yield (%): marker; lower bound: stroke")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize=8.5, frameon=False)
    return axes


def loads_by_plan(found: CalibrationPlan, ax: Axes | None = None) -> Axes:
    """Loads of each plan on the load axis, the range of the case as a line; the check loads as short strokes."""
    plans = [plan for plan in found.plans if plan.spec.loads]
    axes = style.axes_of(ax, 7.2, 1.3 + 0.42 * max(len(plans), 1))
    case = found.case
    scale = numbers.scale_for([case.load_high], "N")
    low, high = scale.factor * case.load_low, scale.factor * case.load_high
    checked = [scale.factor * load for load in case.check_loads]
    for place, plan in enumerate(plans):
        colour, marker, _ = _LOOKS[plan.thermometer]
        axes.hlines(place, low, high, color=style.GREY, lw=0.8)
        both = plan.spec.direction == "both"
        loads = [scale.factor * load for load in plan.spec.loads]
        axes.plot(
            loads, [place] * len(loads), ls="", marker="D" if both else marker, ms=6.5,
            color=colour, mec=style.BLACK if plan is found.chosen else colour, mew=1.6 if plan is found.chosen else 0.8,
        )  # fmt: skip
    axes.plot(
        checked, [max(len(plans), 1) - 0.45] * len(checked), ls="", marker="|", ms=8.0,
        color=style.BLACK,
    )  # fmt: skip
    names = ["\n".join(textwrap.wrap(style.label(_marked(found, plan), 80), _WIDEST)) for plan in plans]
    axes.set_yticks([*range(len(plans)), max(len(plans), 1) - 0.45], [*names, "check loads"])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(max(len(plans), 1) - 0.1, -0.6)
    if low > 0.0 and high / low >= 5.0:
        axes.set_xscale("log")
        ticks = sorted({low, high, *checked})
        kept = [ticks[0]]
        for tick in ticks[1:]:
            if tick / kept[-1] > 1.2:
                kept.append(tick)
        axes.set_xticks(kept, [f"{tick:g}" for tick in kept])
        axes.set_xticks([], minor=True)
    axes.set_xlabel(f"Load ({scale.unit})")
    return axes


def yield_over_reference(found: CalibrationPlan, ax: Axes | None = None) -> Axes:
    """Yield and lower bound of the chosen plan (%) against the multiple of the reference's stated errors."""
    axes = style.axes_of(ax, 6.4, 3.6)
    curve = found.need.curve
    multiple = curve["multiple"].to_numpy(dtype=np.float64)
    for name, colour, marker, label in (
        ("yield", style.BLUE, "s", "yield"), ("lower_bound", style.VERMILLION, "o", "lower bound"),
    ):  # fmt: skip
        low, middle, high = (
            100.0 * curve[f"{name}{end}"].to_numpy(dtype=np.float64) for end in ("_low", "", "_high")
        )
        axes.fill_between(multiple, low, high, color=colour, alpha=0.15, lw=0.0)
        axes.plot(multiple, middle, color=colour, marker=marker, ms=4.0, lw=1.2, label=label)
    target = found.case.requirement.target
    axes.axhline(
        100.0 * target, color=style.BLACK, lw=1.1, ls=DASHES, label=f"required {numbers.percent(target)}"
    )
    axes.axvline(1.0, color=style.GREY, lw=0.8, label="as stated")
    axes.set_xlabel("Errors of the reference, multiple of those stated")
    axes.set_ylabel("Yield (%)")
    axes.legend(loc="lower left", fontsize=8.5, frameon=False)
    return axes


def _marked(found: CalibrationPlan, plan: Plan) -> str:
    return f"▸ {plan.name}" if plan is found.chosen else plan.name


def _failing_scale(axes: Axes, most: float, least_failing: float) -> None:
    """The y axis as a yield in percent, spaced by the logarithm of the failing units."""
    least = max(min(1.0 - most, 1e-3), least_failing, 1e-6)

    def forward(value: object) -> np.ndarray:
        share = np.asarray(value, dtype=np.float64) / 100.0
        return np.asarray(-np.log10(np.maximum(1.0 - share, 0.5 * least)))

    def inverse(value: object) -> np.ndarray:
        return np.asarray(100.0 * (1.0 - 10.0 ** -np.asarray(value, dtype=np.float64)))

    axes.set_yscale("function", functions=(forward, inverse))
    ticks = [tick for tick in _ENDS if 1.0 - tick / 100.0 >= 0.999 * least]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_yticks([], minor=True)
    axes.set_ylim(-10.0, 100.0 * (1.0 - 0.5 * least))
