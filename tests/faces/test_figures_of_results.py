"""Figures that results carry: methods that give a matplotlib figure, without a window, shown by notebooks."""

from __future__ import annotations

import gc
import inspect
import subprocess
import sys
import weakref
from pathlib import Path
from typing import Any

import pytest
from matplotlib.figure import Figure
from small_results import results

from margin import errors

ROOT = Path(__file__).parents[2]
PNG = b"\x89PNG\r\n\x1a\n"
"""First bytes of a PNG file (ISO/IEC 15948, 5.2)."""
WORDS_OF_FIGURES = ("_over_", "_by_")


def figures_of(result: Any) -> list[str]:
    """Names of the methods that draw, by their annotation."""
    return [
        name
        for name, method in inspect.getmembers(type(result), inspect.isfunction)
        if not name.startswith("_") and inspect.get_annotations(method).get("return") == "Figure"
    ]


EVERY = [
    (kind, name)
    for kind, names in {
        "study": (
            "effects_by_cause", "error_by_condition", "error_by_option", "error_over_load",
            "error_over_temperature", "largest_error_by_option",
            "lower_bound_over_draws", "worst_case_over_load", "yield_by_cause", "yield_by_option", "yield_over_limit",
        ),
        "pair": ("difference_by_option",),
        "budget": (
            "effects_by_cause", "effects_over_load", "effects_over_temperature", "error_by_change",
            "failures_by_cause", "scopes_over_load", "spread_over_load",
        ),
        "bench": (
            "drift_over_time", "hysteresis_over_load", "interval_over_readings", "interval_over_sensors",
            "output_over_load", "residuals_over_load", "spread_by_level",
        ),
        "rare": ("failing_unit_by_factor",),
        "accept": ("risk_over_limit",),
        "diagnosis": ("error_over_load", "figures_by_position"),
        "age": ("failed_over_age", "yield_over_age"),
        "lives": ("failed_over_life",),
        "plan": ("loads_by_plan", "yield_over_reference", "yield_over_seconds"),
        "size": ("error_over_resolution", "refusals_by_constraint"),
        "overturn": ("turning_values_by_quantity",),
        "improve": ("yield_over_cost",),
    }.items()
    for name in names
]  # fmt: skip


def test_every_figure_is_tried_here() -> None:
    """What is tried below is every method that draws; each name says of what over or by what."""
    found = [(kind, name) for kind, result in results().items() for name in figures_of(result)]
    assert sorted(found) == sorted(EVERY)
    assert all(any(word in name for word in WORDS_OF_FIGURES) for _, name in found)


@pytest.mark.parametrize(("kind", "name"), EVERY)
def test_a_figure_has_data_and_labels_and_is_shown_by_notebooks(kind: str, name: str, tmp_path: Path) -> None:
    """Each method gives a new figure with data and axis labels, which is written to any format, and as PNG to a
    notebook; its docstring starts with what is drawn, with units."""
    method = getattr(results()[kind], name)
    figure = method()
    assert isinstance(figure, Figure) and figure is not method()
    assert any(axes.has_data() for axes in figure.axes)
    assert any(axes.get_xlabel() for axes in figure.axes)
    assert figure._repr_png_().startswith(PNG)
    figure.savefig(tmp_path / "figure.pdf")
    assert (tmp_path / "figure.pdf").read_bytes().startswith(b"%PDF")
    assert inspect.getdoc(method)


def test_figures_leave_nothing_behind() -> None:
    """A figure is gone with its last name; pyplot, where it is loaded, holds none of them."""
    kept = [weakref.ref(results()["study"].error_over_load()) for _ in range(3)]
    gc.collect()
    assert [one() for one in kept] == [None, None, None]
    pyplot = sys.modules.get("matplotlib.pyplot")
    assert pyplot is None or not pyplot.get_fignums()


def test_figures_need_no_display_and_no_window_system() -> None:
    """In a process without a display, with a window system asked for, a figure is drawn without loading pyplot."""
    code = (
        "import sys, margin; "
        "rare = margin.characterise('cases/gripper_amplifier/bench.csv', circuit='amplifier', interface='silicone'); "
        "print(rare.hysteresis_over_load()._repr_png_()[:4], 'matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True,
        env={"PATH": "", "MPLBACKEND": "tkagg", "MARGIN_CACHE": ""},
    )  # fmt: skip
    assert done.stdout.split() == [repr(PNG[:4]), "False"]


def test_options_are_chosen_and_marked() -> None:
    """One option has one panel, all of them one each; a condition and an output are drawn by name."""
    study, budget = results()["study"], results()["budget"]
    assert len(study.error_over_load().axes) == 2
    assert len(study.error_over_load("one-point", condition="cold", units=2).axes) == 1
    assert "one-point" in study.error_by_condition("one-point").axes[0].get_title(loc="left")
    assert budget.effects_by_cause("error at 60 N", by="part").axes[0].has_data()


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda r: r["study"].error_over_load("two"), "no calibration option 'two'; there are 'none', 'one-point'"),
        (lambda r: r["study"].error_over_load(condition="moon"), "no condition 'moon'.*cold"),
        (lambda r: r["study"].effects_by_cause(output="colour"), "no output 'colour'; there are"),
        (lambda r: r["pair"].first.lower_bound_over_draws("two"), "no calibration option 'two'"),
        (lambda r: r["budget"].effects_over_load(option="two"), "no calibration option 'two'"),
        (lambda r: r["budget"].effects_by_cause(by="colour"), "no grouping 'colour'; there are 'factor'"),
        (lambda r: r["budget"].effects_over_temperature("colour"), "no output 'colour'"),
        (lambda r: r["bench"].output_over_load("x"), "no circuit 'x'; there are 'amplifier'"),
        (lambda r: r["bench"].output_over_load(interface="x"), "no interface 'x'; there are 'soft', 'hard'"),
        (lambda r: r["bench"].drift_over_time(t0=0.0), "t0 must be above 0 s"),
        (lambda r: r["bench"].interval_over_readings("x"), "no quantity 'x'"),
    ],
)  # fmt: skip
def test_what_is_not_there_is_refused_with_what_is(ask: Any, message: str) -> None:
    """An unknown option, condition, output, grouping or setup is refused with the known ones."""
    with pytest.raises(errors.InvalidArgument, match=message):
        ask(results())
