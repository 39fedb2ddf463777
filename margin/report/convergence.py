"""Figure of the lower bound over ever more outer draws."""

from __future__ import annotations

from typing import TYPE_CHECKING

from distributions.errors import InvalidArgument
from margin.estimates.results import Results
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def lower_bound_over_draws(results: Results, option: str, ax: Axes | None = None) -> Axes:
    """5 % point of the decisive yield, with its interval, after ever more outer draws, and the target.

    ValueError where nothing varies between outer draws.
    """
    rows = results.option(option).convergence
    if rows.empty:
        raise InvalidArgument(
            f"nothing of {results.case.name!r} varies at the levels common and station: there is one outer draw"
        )
    axes = style.axes_of(ax, 4.2, 2.6)
    look = style.look(results, option)
    outer = rows["outer"].to_numpy()
    value, low, high = (100.0 * rows[name].to_numpy() for name in ("lower_bound", "low", "high"))
    axes.fill_between(outer, low, high, color=look.colour, alpha=0.25, lw=0, label="interval")
    axes.plot(outer, value, color=look.colour, marker=look.marker, ls=look.line, ms=3.5, lw=1.5, label=option)
    axes.axhline(
        100.0 * results.case.requirement.target, color=style.BLACK, lw=0.8, ls=(0, (6, 2)), label="_target"
    )
    axes.set_xscale("log")
    axes.set_xticks(outer, [f"{draws:g}" for draws in outer])
    axes.set_xticks([], minor=True)
    # the band of few draws may reach over everything: that of all draws is shown whole
    bottom, top = min(value.min() - 20.0, low[-1] - 2.0), max(value.max() + 20.0, high[-1] + 2.0)
    axes.set_ylim(max(0.0, float(bottom)), min(102.0, float(top)))
    axes.set_xlabel("Outer draws")
    axes.set_ylabel("Lower bound of the yield (%)")
    axes.set_title(option, loc="left")
    return axes
