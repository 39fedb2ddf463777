"""The figure of the lower bound over outer draws shows the frame that it is given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from margin.estimates.results import Results
from margin.report.convergence import lower_bound_over_draws
from margin.report.figures import figure_of
from margin.report.style import new_figure, svg


def with_convergence(results: Results) -> Results:
    """The results with three rows of convergence in their first option."""
    rows = pd.DataFrame(
        {
            "outer": [10, 30, 100],
            "lower_bound": [0.9, 0.93, 0.94],
            "low": [0.5, 0.9, 0.93],
            "high": [1, 0.96, 0.95],
        }
    )
    return replace(results, options=(replace(results.options[0], convergence=rows), *results.options[1:]))


def test_lower_bound_is_drawn_in_percent(results: Results) -> None:
    """The line holds the lower bound in percent over the outer draws, the band its interval, the dashes the target;
    axes are named, and the given axes are used."""
    shown = with_convergence(results)
    ax = new_figure(4.0, 3.0).subplots()
    axes = lower_bound_over_draws(shown, shown.options[0].name, ax)
    assert axes is ax
    line = next(found for found in axes.lines if found.get_label() == shown.options[0].name)
    assert np.asarray(line.get_xdata()).tolist() == [10, 30, 100]
    assert np.asarray(line.get_ydata()) == pytest.approx([90.0, 93.0, 94.0])
    heights = axes.collections[0].get_paths()[0].vertices[:, 1]
    assert (heights.min(), heights.max()) == pytest.approx((50.0, 100.0))
    target = next(found for found in axes.lines if found.get_label() == "_target")
    assert target.get_ydata()[0] == pytest.approx(100 * results.case.requirement.target)
    assert axes.get_xlabel() == "Outer draws" and "%" in axes.get_ylabel()
    assert "<svg" in svg(figure_of(axes), "convergence")


def test_the_interval_of_all_draws_is_shown_whole(results: Results) -> None:
    """However wide: its ends lie within the axis, which stays within 0 to 102 %."""
    shown = with_convergence(results)
    rows = shown.options[0].convergence.assign(low=[0.1, 0.2, 0.31], high=[1.0, 1.0, 0.999])
    wide = replace(shown, options=(replace(shown.options[0], convergence=rows), *shown.options[1:]))
    bottom, top = lower_bound_over_draws(wide, wide.options[0].name).get_ylim()
    assert 0.0 <= bottom < 31.0
    assert 99.9 < top <= 102.0


def test_one_outer_draw_has_no_convergence(results: Results) -> None:
    """Where nothing varies between outer draws the figure is refused by name."""
    alone = replace(results.options[0], convergence=pd.DataFrame())
    with pytest.raises(ValueError, match="common and station"):
        lower_bound_over_draws(replace(results, options=(alone,)), alone.name)
