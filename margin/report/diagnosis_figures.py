"""Figures of a diagnosis: the prototype's error in the band of its baseline, and its figures on their limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from margin.diagnosis.causes_found import CausesFound
from margin.diagnosis.result import Diagnosed, steps_frame
from margin.estimates import numbers
from margin.report import style
from margin.report.axes_parts import DASHES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_FURTHEST = 4.0
_CAUSES = 8
_UP = style.Look(style.VERMILLION, "o", "-")
_DOWN = style.Look(style.BLUE, "s", "--")


def error_over_load(found: Diagnosed, ax: Axes | None = None) -> Axes:
    """Error of the prototype on both branches, every run a point, in the band of units of the baseline."""
    axes = style.axes_of(ax, 6.4, 3.6)
    baseline = found.baseline
    table = steps_frame(found)
    largest = float(np.nanmax(np.abs(table[["error_N", "low_N", "high_N"]].to_numpy())))
    scale = numbers.scale_for([baseline.shape.top], "N")
    axes.axhline(0.0, color=style.GREY, lw=0.6)
    for branch, look in (("up", _UP), ("down", _DOWN)):
        rows = table[table["branch"] == branch].sort_values("load_N")
        if rows.empty:
            continue
        load = scale.factor * rows["load_N"].to_numpy(dtype=float)
        low, high = (scale.factor * rows[name].to_numpy(dtype=float) for name in ("low_N", "high_N"))
        if branch == "up":
            axes.fill_between(load, low, high, color=style.GREY, alpha=0.25, lw=0, label="baseline, going up")
        else:
            for number, edge in enumerate((low, high)):
                label = "_edge" if number else "baseline, going down"
                axes.plot(load, edge, color=style.GREY, lw=0.9, ls=DASHES, label=label)
        places = rows.index.to_numpy()
        errors = scale.factor * (baseline.indicated[:, places] - baseline.shape.loads[places])
        for run in errors:
            axes.plot(
                load, run, ls="", marker=look.marker, ms=2.5, color=look.colour, alpha=0.5, label="_run"
            )
        axes.plot(
            load, scale.factor * rows["error_N"].to_numpy(dtype=float), color=look.colour, ls=look.line,
            marker=look.marker, ms=4.5, mec=look.edge, mew=0.7, lw=1.5, label=f"prototype, going {branch}",
        )  # fmt: skip
    for part, indicated in zip(baseline.shape.elsewhere, baseline.elsewhere, strict=True):
        errors = scale.factor * (np.nanmean(indicated, axis=0) - part.loads)
        up = part.descending == 0.0
        largest = max(largest, float(np.abs(errors[up]).max()) / scale.factor)
        label = f"prototype at {part.temperature:g} degC, going up"
        axes.plot(
            scale.factor * part.loads[up],
            errors[up],
            color=style.BLACK,
            ls=":",
            marker="^",
            ms=4.5,
            lw=1.0,
            label=label,
        )
    axes.set_ylim(-1.15 * scale.factor * largest, 1.15 * scale.factor * largest)
    axes.set_xlabel(f"Load ({scale.unit})")
    axes.set_ylabel(f"Indicated less applied ({scale.unit})")
    axes.legend(fontsize=8, frameon=False, loc="best")
    return axes


def probability_by_cause(found: CausesFound, ax: Axes | None = None) -> Axes:
    """Probabilities of the causes that lead, in percent, with the size of each."""
    rows = list(reversed(found.ranking.causes[:_CAUSES]))
    axes = style.axes_of(ax, 7.2, 0.9 + 0.32 * len(rows))
    shares = [100.0 * one.probability for one in rows]
    axes.barh(range(len(rows)), shares, color=style.BLUE, height=0.55)
    for place, (one, share) in enumerate(zip(rows, shares, strict=True)):
        axes.text(share + 1.0, place, style.label(one.shown, 60), va="center", fontsize=8)
    axes.set_yticks(range(len(rows)), [style.label(f"{one.name} ({one.part})", 60) for one in rows])
    axes.set_xlim(0.0, 150.0)
    axes.set_xticks([0, 25, 50, 75, 100])
    axes.set_xlabel("Probability (%), with size and its 95 % interval")
    return axes


def figures_by_position(found: Diagnosed, ax: Axes | None = None) -> Axes:
    """Each figure on the scale of its own prediction interval: 0 as expected, -1 and 1 at the limits."""
    rows = list(reversed(found.comparison.figures))
    axes = style.axes_of(ax, 6.4, 0.9 + 0.26 * len(rows))
    axes.axvspan(-1.0, 1.0, color=style.GREY, alpha=0.2, lw=0)
    axes.axvline(0.0, color=style.GREY, lw=0.6)
    for place, one in enumerate(rows):
        position = float(np.clip(one.position, -_FURTHEST, _FURTHEST))
        beyond = abs(one.position) > _FURTHEST
        look = _UP if one.unusual else style.Look(style.BLACK, "o", "-")
        marker = (">" if position > 0 else "<") if beyond else look.marker
        axes.plot(
            [position], [place], ls="", marker=marker, ms=6, color=look.colour if one.unusual else "none",
            mec=look.colour, mew=1.1,
        )  # fmt: skip
    axes.set_yticks(range(len(rows)), [style.label(one.figure.name) for one in rows])
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.set_xlim(-1.05 * _FURTHEST, 1.05 * _FURTHEST)
    axes.set_xlabel("Place in the prediction interval (limits at -1 and 1)")
    return axes
