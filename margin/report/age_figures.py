"""Figures of results over age: the yield, and the share of units failed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from margin.messages.ageing import time_text
from margin.report import style
from margin.report.axes_parts import DASHES
from margin.service.over_age import AgeResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOOKS = (
    style.Look(style.VERMILLION, "o", "--"),
    style.Look(style.PURPLE, "D", ":"),
    style.Look(style.GREY, "^", "-."),
)


def yield_over_age(found: AgeResult, ax: Axes | None = None) -> Axes:
    """Yield in percent over age with its interval, the requirement, and the yield with each action in the field."""
    axes = style.axes_of(ax, 6.4, 3.4)
    ages = np.array([each.age for each in found.ages])
    sampled = [each.found.sampled for each in found.ages]
    low, middle, high = (
        100.0 * np.array([getattr(e, end) for e in sampled]) for end in ("low", "value", "high")
    )
    axes.fill_between(ages, low, high, color=style.BLUE, alpha=0.2, lw=0)
    axes.plot(ages, middle, color=style.BLUE, marker="s", ms=3.5, lw=1.5, label="as calibrated when new")
    for action, field, look in zip(found.actions, found.fields, _LOOKS, strict=False):
        values = [100.0 * each.sampled.value for each in field.yields]
        axes.plot(
            ages, values, color=look.colour, ls=look.line, marker=look.marker, ms=3, lw=1.2, label=action.name
        )
    axes.axhline(100.0 * found.case.requirement.target, color=style.BLACK, lw=0.8, ls=DASHES)
    _age_axis(axes, ages)
    axes.set_ylabel("Conforming (%)")
    axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2)
    return axes


def failed_over_age(found: AgeResult, ax: Axes | None = None) -> Axes:
    """Share failed, in percent, of the units that conform when new, over age; and each fit."""
    axes = style.axes_of(ax, 6.4, 3.0)
    ages = found.passages.ages
    axes.plot(
        ages, 100.0 * found.passages.failed, color=style.BLACK, marker="o", ms=3.5, ls="none", label="units"
    )
    fine = np.concatenate([[0.0], np.geomspace(ages[1], ages[-1], 80)])
    for fit, look in zip(found.fits.fits, (_LOOKS[0], _LOOKS[1]), strict=False):
        failed = [0.0, *(100.0 * (1.0 - fit.reliability(float(age))) for age in fine[1:])]
        axes.plot(fine, failed, color=look.colour, ls=look.line, lw=1.3, label=fit.shape_name)
    _age_axis(axes, ages)
    axes.set_ylabel("Failed (%)")
    axes.legend(frameon=False, loc="upper left")
    return axes


def _age_axis(axes: Axes, ages: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> None:
    """Age on a scale that is linear below the first age and logarithmic above it."""
    axes.set_xscale("symlog", linthresh=float(ages[1]), linscale=0.5)
    ticks = [float(ages[-1])]
    for age in ages[-2:0:-1]:
        # each label is about as wide as a factor of 3 of the axis
        ticks += [float(age)] if 3.0 * age <= ticks[-1] else []
    ticks.append(0.0)
    axes.set_xticks(ticks, [time_text(tick).replace("\N{NO-BREAK SPACE}", " ") for tick in ticks])
    axes.set_xticks([], minor=True)
    axes.set_xlim(0.0, 1.03 * float(ages[-1]))
    axes.set_xlabel("Time in service")
