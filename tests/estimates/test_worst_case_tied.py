"""Quantities with a rank correlation of 1 or -1 are one draw: bounded search and budget against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from margin.backends.run import run
from margin.case import Case
from margin.case.load import read_case
from margin.estimates.budget import budget_of
from margin.estimates.worst_case import worst_cases
from margin.propagation.model import model_of

TEXT = """
[case]
unstated = "zero"
[load]
range = "2 N to 20 N"
check = ["2 N", "20 N"]
[requirement]
permissible_error = "20 % of reading"
[sensor]
kind = "thin film"
sensitivity = "40 uS +/- 5 %"
reference_load = "10 N"
[circuit]
kind = "inverting amplifier"
reference = "1 V"
feedback = "10 kohm +/- {feedback} %"
[[calibration]]
kind = "none"
[study]
units = 1000
draw = "all units"
[[dependence]]
between = ["sensor.sensitivity", "circuit.feedback"]
rank_correlation = {correlation}
"""


def case_of(correlation: float, feedback: float = 5.0) -> Case:
    return read_case(TEXT.format(correlation=correlation, feedback=feedback))


def extremes(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest error at each load, relative to the load."""
    result = run(case, workers=1)
    ((_, found),) = worst_cases(result.model, result.plan.frame, result.tallies)
    loads = np.asarray(case.check_loads)
    return (
        found.ways["extreme_low_N"].to_numpy() / loads,
        found.ways["extreme_high_N"].to_numpy() / loads,
    )


@pytest.mark.parametrize(
    ("correlation", "feedback", "low", "high"),
    [
        (1.0, 5.0, 0.95**2 - 1.0, 1.05**2 - 1.0),
        (-1.0, 5.0, 0.95 * 1.05 - 1.0, 0.0),
        (-1.0, 2.0, 0.95 * 1.02 - 1.0, 1.05 * 0.98 - 1.0),
        (-0.5, 5.0, 0.95**2 - 1.0, 1.05**2 - 1.0),
    ],
)
def test_extremes_of_one_draw(correlation: float, feedback: float, low: float, high: float) -> None:
    """Gain is the product (1 + d)(1 +- k d) of one deviation d; with any other correlation limits are independent."""
    lowest, highest = extremes(case_of(correlation, feedback))
    assert lowest == pytest.approx(low, abs=1e-6)
    assert highest == pytest.approx(high, abs=1e-6)


def test_the_corner_names_both_and_counts_them_once() -> None:
    """At the extreme both quantities stand at opposite limits, and what the draw brings is listed once."""
    case = case_of(-1.0, 2.0)
    result = run(case, workers=1)
    ((_, found),) = worst_cases(result.model, result.plan.frame, result.tallies)
    corner = found.extremes[(found.extremes["load_N"] == 20.0) & (found.extremes["end"] == "high")]
    values = {
        str(name).split(" ")[0].split("@")[0]: value
        for name, value in zip(corner["factor"], corner["value"], strict=True)
    }
    assert values == pytest.approx({"sensor.sensitivity": 0.05, "circuit.feedback": -0.02})
    assert sorted(abs(corner["change_N"])) == pytest.approx([0.0, 20.0 * (1.05 * 0.98 - 1.0)], abs=1e-4)


def test_one_draw_is_one_line_of_the_budget() -> None:
    """Frozen together they leave no error: (1 + d)(1 - d) of the two is gone; other ties keep their lines."""
    budget = budget_of(model_of(case_of(-1.0)), workers=1)
    frozen = budget[budget["change"] == "frozen"]
    (row,) = frozen.to_dict("records")
    assert row["factor"] == "sensor.sensitivity per unit + circuit.feedback per unit"
    assert row["part"] == "sensor + circuit"
    assert row["error_N"] == pytest.approx(0.0, abs=1e-6)
    assert row["error_change_N"] < -0.03
    apart = budget_of(model_of(case_of(-0.5)), workers=1)
    assert apart["factor"].nunique() == 2
