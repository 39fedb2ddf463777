"""Figures, by the data that they show."""

from __future__ import annotations

import itertools
import re
import sys
from dataclasses import replace
from typing import Literal

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

from margin.chain.parameter import CAUSES
from margin.estimates.results import Results
from margin.report import axes_parts, figures, style


def _line(axes: mpl.axes.Axes, label: str) -> mpl.lines.Line2D:
    return next(line for line in axes.lines if line.get_label() == label)


def test_error_over_load_draws_median_and_limits(results: Results) -> None:
    """The median is that of the results over the check loads, as a fraction of the permissible error at -1 and 1."""
    axes = figures.error_over_load(results, "two-point")
    rows = results.option("two-point").errors.query("condition == 'all'")
    median = _line(axes, "median")
    np.testing.assert_array_equal(median.get_xdata(), rows["load_N"])
    np.testing.assert_allclose(median.get_ydata(), rows["p50_N"] / rows["permissible_N"])
    assert [line.get_ydata()[0] for line in axes.lines if line.get_label() == "_limit"] == [-1.0, 1.0]
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("Load (N)", "Error / permissible error")
    assert len([line for line in axes.lines if line.get_label() == "_unit"]) == 8


def test_error_over_load_in_newtons_on_demand(results: Results) -> None:
    """In newtons the median and both permissible errors are those of the results."""
    axes = figures.error_over_load(results, "two-point", newtons=True)
    rows = results.option("two-point").errors.query("condition == 'all'")
    np.testing.assert_array_equal(_line(axes, "median").get_ydata(), rows["p50_N"])
    limits = [line.get_ydata() for line in axes.lines if line.get_label() == "_limit"]
    np.testing.assert_array_equal(limits, [-rows["permissible_N"], rows["permissible_N"]])
    assert axes.get_ylabel() == "Force error (N)"


def test_bands_are_the_stated_percentiles(results: Results) -> None:
    """The outer band reaches from the 0.5 % to the 99.5 % point."""
    axes = figures.error_over_load(results, "none")
    outer = next(c for c in axes.collections if c.get_label() == "0.5 to 99.5 %")
    heights = outer.get_paths()[0].vertices[:, 1]
    rows = results.option("none").errors.query("condition == 'all'")
    assert heights.min() == (rows["p0_5_N"] / rows["permissible_N"]).min()
    assert heights.max() == (rows["p99_5_N"] / rows["permissible_N"]).max()


def test_unknown_condition_names_the_known_ones(results: Results) -> None:
    """An unknown condition is an error that lists the conditions there are."""
    with pytest.raises(ValueError, match="all, cold store, room, sun"):
        figures.error_over_load(results, "none", condition="moon")


def test_panels_share_the_error_axis(results: Results) -> None:
    """One panel an option, all with the same limits, clipped so that a bad option flattens no other."""
    panels = figures.error_over_load_panels(results)
    assert [axes.get_title(loc="left").split("\n")[0] for axes in panels] == [o.name for o in results.options]
    assert len({axes.get_ylim() for axes in panels}) == 1
    assert 1.0 < panels[0].get_ylim()[1] <= 3.0


def test_overview_has_a_named_line_for_each_option(results: Results) -> None:
    """95 % of |error| over the permissible error by load, named at its end, on a logarithmic axis."""
    axes = figures.error_by_option(results)
    for option in results.options:
        rows = option.errors.query("condition == 'all'")
        np.testing.assert_allclose(
            _line(axes, option.name).get_ydata(), rows["p95_abs_N"] / rows["permissible_N"]
        )
    assert {text.get_text() for text in axes.texts} == {option.name for option in results.options}
    assert axes.get_yscale() == "log"


def test_options_stand_at_yield_and_bound_with_cost_and_verdict(results: Results) -> None:
    """Yield and bound with their intervals, the required yield, and beside each option verdict and time;
    95 and 99 % are as far apart as 99 and 99.8 %."""
    axes = figures.yield_by_option(results)
    bounds = [line for line in axes.lines if line.get_label() == "_bound"]
    for option, bound in zip(results.options, bounds, strict=True):
        found = option.decisive_yield
        mark = _line(axes, option.name)
        assert mark.get_xdata()[0] == 100.0 * found.sampled.value
        assert bound.get_xdata()[0] == 100.0 * found.bound.value
        assert mark.get_marker() != bound.get_marker() == "|"
    assert _line(axes, "_target").get_xdata()[0] == 95.0
    texts = [text.get_text() for text in axes.texts]
    assert sum("does not conform" in text for text in texts) == 2
    assert sum(text.endswith(" conforms") for text in texts) == 2
    assert "16.5\N{NO-BREAK SPACE}s" in texts
    place = axes.transScale.transform([(value, 0.0) for value in (95.0, 99.0, 99.8)])[:, 0]
    assert place[1] - place[0] == pytest.approx(place[2] - place[1])


@pytest.mark.parametrize(
    ("loads", "unit", "ticks", "scale"),
    [
        ((2.0, 5.0, 10.0, 20.0, 40.0, 60.0), "N", ["2", "5", "10", "20", "40", "60"], "log"),
        ((1.5e5, 6e5, 1.05e6, 1.5e6, 3e6), "MN", ["0.15", "0.6", "1.05", "1.5", "3"], "linear"),
    ],
)
def test_load_axes_bear_no_exponents(
    results: Results, loads: tuple[float, ...], unit: str, ticks: list[str], scale: str
) -> None:
    """Large loads are read in kN or MN; the axis is logarithmic only where that spreads the check loads better."""
    case = replace(results.case, check_loads=loads, load_low=loads[0], load_high=loads[-1])
    axes = Figure().subplots()
    axes_parts.load_axis(axes, case)
    assert axes.get_xlabel() == f"Load ({unit})"
    assert [label.get_text() for label in axes.get_xticklabels()] == ticks
    assert axes.get_xscale() == scale


def test_text_is_spread_apart_and_stays_in_order() -> None:
    """Places keep their order and at least the spacing, and stay within the axes where there is room."""
    wanted = np.array([0.98, 1.0, 0.5, 0.99, 0.0])
    placed = axes_parts.spread_apart(wanted, 0.1)
    assert np.array_equal(np.argsort(placed), np.argsort(wanted))
    assert np.min(np.diff(np.sort(placed))) >= 0.1 - 1e-12
    assert placed.min() >= 0.0 and placed.max() <= 1.0


def test_axes_given_are_drawn_on_and_returned(results: Results) -> None:
    """Every figure draws on the axes it is given and returns them."""
    for draw in (
        lambda ax: figures.error_over_load(results, "none", ax),
        lambda ax: figures.yield_against_limit(results, ax),
        lambda ax: figures.budget_bars(results, "none", ax),
        lambda ax: figures.worst_case_ways(results, "none", ax),
        lambda ax: figures.error_by_condition(results, "none", ax),
        lambda ax: figures.largest_error(results, ax),
    ):
        axes = Figure().subplots()
        assert draw(axes) is axes
        assert axes.has_data()


def test_an_option_looks_the_same_everywhere(results: Results) -> None:
    """Colour, marker and line style together tell an option; they agree between figures."""
    looks = [style.look(results, option.name) for option in results.options]
    assert len({(look.colour, look.marker, str(look.line)) for look in looks}) == len(looks)
    line = _line(figures.yield_against_limit(results), "two-point")
    point = _line(figures.largest_error(results), "two-point")
    median = _line(figures.error_over_load(results, "two-point"), "median")
    assert {line.get_color(), point.get_color(), median.get_color()} == {looks[2].colour}
    assert {line.get_marker(), point.get_marker(), median.get_marker()} == {looks[2].marker}


def test_limit_curve_is_labelled_at_its_ends(results: Results) -> None:
    """The yield curves are those of the results, in percent, each named at its end; no legend is needed."""
    axes = figures.yield_against_limit(results)
    curve = results.option("one-point").limit_curve
    np.testing.assert_allclose(_line(axes, "one-point").get_ydata(), 100.0 * curve["yield"])
    assert {text.get_text() for text in axes.texts} == {option.name for option in results.options}
    assert axes.get_legend() is None
    assert "(%)" in axes.get_ylabel()


def test_labels_at_line_ends_do_not_overlap(failing: Results) -> None:
    """Names of seven lines, most of which end at the same height, are moved apart."""
    axes = figures.yield_against_limit(failing)
    figure = figures.figure_of(axes)
    figure.draw_without_rendering()
    # of the text alone, without the line that leads to it
    extents = [mpl.text.Text.get_window_extent(text) for text in axes.texts]
    boxes = sorted((extent.y0, extent.y1) for extent in extents)
    assert len(boxes) == len(failing.options)
    assert all(below[1] <= above[0] + 2.0 for below, above in itertools.pairwise(boxes))


def test_failures_are_on_a_logarithmic_scale(results: Results) -> None:
    """The failing share is drawn in parts per million, points below resolution left out."""
    axes = figures.yield_against_limit(results, failing=True)
    assert axes.get_yscale() == "log"
    assert "(ppm)" in axes.get_ylabel()
    shown = _line(axes, "five-point").get_ydata()
    assert np.min(shown) >= 1e5 / results.units
    assert len(shown) < len(results.option("five-point").limit_curve)


def test_many_options_are_named_at_their_lines(failing: Results) -> None:
    """However many lines there are, each is named beside the axes; there is no legend."""
    axes = figures.yield_against_limit(failing)
    assert axes.get_legend() is None
    assert {text.get_text() for text in axes.texts} == {option.name for option in failing.options}


def test_twelve_options_share_no_look(results: Results) -> None:
    """Colour, marker and line of twelve options are twelve combinations."""
    named = [
        replace(results.options[0], spec=replace(results.options[0].spec, name=f"option {number}"))
        for number in range(12)
    ]
    many = replace(results, options=tuple(named))
    looks = {style.look(many, option.name) for option in named}
    assert len(looks) == 12


def test_causes_look_by_name_and_not_by_rank() -> None:
    """No two causes, at the calibration or not, share colour, marker and fill."""
    names = [
        f"{cause}{at}" for cause in (*CAUSES, "few units measured") for at in ("", " at the calibration")
    ]
    looks = {(look.colour, look.marker, look.filled) for look in map(style.look_of_cause, names)}
    assert len(looks) == len(names)
    assert style.look_of_cause("a cause of one's own") == style.look_of_cause("a cause of one's own")


def test_budget_bars_have_the_lengths_of_the_budget(results: Results) -> None:
    """Bars start at zero, are as long as the change of yield in points, sorted, ties and the rest named."""
    axes = figures.budget_bars(results, "two-point")
    halved = results.budget.query("option == 'two-point' and change == 'halved' and verdict == 'resolved'")
    lengths = [bar.get_width() for bar in axes.patches if bar.get_facecolor()[3] > 0.0]
    np.testing.assert_allclose(lengths, 100.0 * halved["yield_change"])
    assert all(bar.get_x() == 0.0 for bar in axes.patches)
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert [label.split()[0] for label in labels[:-1]] == ["1", "2", "3", "4=", "4=", "6"]
    assert labels[-1].startswith("1 more, 1 of them")


def test_worst_case_shows_three_ranges(results: Results) -> None:
    """Extreme value, root sum square and Monte Carlo have the ends that the results state."""
    axes = figures.worst_case_ways(results, "two-point")
    rows = results.option("two-point").worst_case
    pooled = results.option("two-point").errors.query("condition == 'all'")["permissible_N"].to_numpy()
    np.testing.assert_allclose(_line(axes, "extreme value").get_ydata(), rows["extreme_low_N"] / pooled)
    summed = _line(axes, "root sum square (k = 3)").get_ydata()
    np.testing.assert_allclose(summed, (rows["rss_mean_N"] - rows["root_sum_square_N"]) / pooled)
    assert axes.get_legend().get_texts()[0].get_text() == "extreme value"
    assert [label.get_text() for label in axes.get_xticklabels()] == ["0.5", "1", "2", "5", "10", "20"]


def test_colours_are_those_of_okabe_and_ito() -> None:
    """The codes agree with the list in matplotlib where it has it (matplotlib 3.11)."""
    if "okabe_ito" not in mpl.color_sequences:
        pytest.skip("this matplotlib does not list the palette")
    listed = {mpl.colors.to_hex(colour).upper() for colour in mpl.color_sequences["okabe_ito"]}
    assert {style.BLUE, style.VERMILLION, style.GREEN, style.PURPLE} <= listed


def test_text_is_large_enough(results: Results) -> None:
    """No text of a figure is smaller than 8 points."""
    with style.settings():
        drawn = [
            *figures.error_over_load_panels(results),
            figures.yield_against_limit(results),
            figures.error_by_option(results),
            figures.yield_by_option(results),
            figures.worst_case_ways(results, "none"),
        ]
    for axes in drawn:
        assert min(text.get_fontsize() for text in axes.findobj(mpl.text.Text)) >= 8.0


def test_svg_is_reproducible_and_holds_text(results: Results) -> None:
    """The same results give the same bytes, without a date; text is text; ids carry the figure's name."""
    first, second = (
        style.svg(figures.figure_of(figures.largest_error(results)), "largest") for _ in range(2)
    )
    assert first == second
    assert "Largest error of a unit" in first
    assert "<dc:date>" not in first
    assert all(found.startswith("largest") for found in re.findall(r'\bid="([^"]+)"', first))
    ids = set(re.findall(r'\bid="([^"]+)"', first))
    assert set(re.findall(r"url\(#([^)]+)\)", first)) <= ids
    assert set(re.findall(r'href="#([^"]+)"', first)) <= ids


def test_pictures_follow_the_colour_of_the_page(results: Results) -> None:
    """Axes and texts take the current colour, the ground is transparent, and colours with a meaning stay."""
    text = style.svg(figures.figure_of(figures.yield_by_option(results)), "yield")
    assert style.BLACK not in text and "#000000" not in text and "#ffffff" not in text
    assert "stroke: currentColor" in text
    assert all(
        "fill: currentColor" in found or "fill: #" in found for found in re.findall("<text [^>]*>", text)
    )
    assert style.look(results, "one-point").colour.lower() in text


def test_current_colour_replaces_black_alone() -> None:
    """Black strokes, fills and texts without a fill are replaced; other colours, and longer codes, are not."""
    given = (
        '<text style="font: 9px">a</text><text style="fill: #d55e00">b</text>'
        '<path style="stroke: #101010; fill: #000000"/><path stroke="#101010" style="fill: #0072b2"/>'
    )
    assert style.in_current_colour(given) == (
        '<text style="fill: currentColor; font: 9px">a</text><text style="fill: #d55e00">b</text>'
        '<path style="stroke: currentColor; fill: currentColor"/><path stroke="currentColor" style="fill: #0072b2"/>'
    )


def test_caption_states_level_draws_seed_and_version(results: Results) -> None:
    """A caption says at what level, by what method, from how many draws, with which seed and version."""
    text = style.caption(results, "Something.").replace("\N{NO-BREAK SPACE}", " ")
    for part in (
        "95 % intervals",
        "Monte Carlo",
        "20 000 units",
        "40 outer draws",
        "seed 11",
        "margin 0.1.0",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("path", "told"), [("kernel", "by a compiled kernel"), ("device", "by a kernel on an accelerator")]
)
def test_caption_states_a_way_to_compute_that_is_not_the_rule(
    results: Results, path: Literal["kernel", "device"], told: str
) -> None:
    """A compiled kernel and an accelerator are named; array operations, the rule, are not."""
    assert style.caption(replace(results, path=path), "Something.").endswith(f", {told}.")
    plain = style.caption(results, "Something.")
    assert "kernel" not in plain and "accelerator" not in plain


def test_no_window_is_touched(results: Results) -> None:
    """Figures belong to no global state: pyplot is not needed and holds none of them."""
    figures.largest_error(replace(results))
    pyplot = sys.modules.get("matplotlib.pyplot")
    assert pyplot is None or not pyplot.get_fignums()
