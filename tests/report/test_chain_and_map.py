"""The drawn chain and the map of the error, by what they show."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from pad_study import NONE, pad_case

from margin.case.types import Case
from margin.estimates.error_map import ErrorMap
from margin.report import style
from margin.report.chain_figure import ROLES, chain_drawing
from margin.report.error_map_figure import error_over_temperature
from margin.report.figures import figure_of

SENSOR = {
    "exponent": "0.85 +/- 0.02 (2 sigma)",
    "hysteresis": "1 %",
    "creep": "2 % +/- 0.5 %",
    "ageing": "0.1 %",
}


@pytest.fixture(scope="module")
def case() -> Case:
    """A pad with a few tolerances and a converter."""
    return pad_case(NONE, sensor=SENSOR, circuit={"feedback": "60 kohm +/- 1 %"}, converter={"bits": 12})


def texts(axes: Axes) -> list[str]:
    """All texts drawn."""
    return [text.get_text() for text in axes.texts]


def test_the_chain_has_a_box_a_part_with_values_as_read(case: Case) -> None:
    """Five boxes from interface to firmware in order from above, tolerances as read, the kind below the name."""
    axes = chain_drawing(case)
    boxes = [patch for patch in axes.patches if patch.get_label() in ROLES]
    assert [box.get_label() for box in boxes] == list(ROLES)
    tops = [box.get_y() for box in boxes]
    assert tops == sorted(tops)
    assert {"thin film", "inverting amplifier", "feedback 60 kΩ, ± 1 % per unit", "12 bit"} <= set(
        texts(axes)
    )
    assert min(text.get_fontsize() for text in axes.texts) >= 8.0


def test_signals_stand_on_the_arrows(case: Case) -> None:
    """Loads at both ends and in the middle, and what becomes of the highest: 72 % of 4096 counts is 2949 at an exponent
    of 1, and (60 N / 20 N)^0.85 / 3 of it here (closed form)."""
    shown = texts(chain_drawing(case))
    space = "\N{NO-BREAK SPACE}"
    assert {f"2{space}N", f"60{space}N"} <= set(shown)
    code = 0.72 * 4096 * 3.0**0.85 / 3.0
    assert f"{code:.0f} counts" in shown


def test_values_that_lead_in_the_budget_come_first(case: Case) -> None:
    """A resolved factor of the budget goes before what the case has first; one below resolution does not."""
    rows = [("sensor.creep per unit", 1, "resolved"), ("sensor.hysteresis per unit", 2, "below resolution")]
    budget = pd.DataFrame(rows, columns=["factor", "rank", "verdict"]).assign(option="none")
    plain, led = texts(chain_drawing(case)), texts(chain_drawing(case, budget=budget, option="none"))
    sensor = [text.split(" ")[0] for text in led]
    assert sensor.index("creep") < sensor.index("exponent")
    before = [text.split(" ")[0] for text in plain]
    assert before.index("exponent") < before.index("creep")
    assert "calibration: none" in led


def found(case: Case, relative: np.ndarray) -> ErrorMap:
    """A map with given values over the permissible error."""
    loads, temperatures = np.linspace(2.0, 60.0, relative.shape[1]), np.linspace(5.0, 40.0, relative.shape[0])
    permissible = np.full(loads.size, 2.0)
    return ErrorMap(case, "none", loads, temperatures, permissible * relative, permissible, 1000, 1)


def test_the_map_has_labelled_contours_of_the_permissible_error(case: Case) -> None:
    """From 0.2 to 2 times the permissible error the lines bear their multiples, that of 1 among them; axes end with
    the grid."""
    axes = error_over_temperature(found(case, np.linspace(0.2, 2.0, 30).reshape(5, 6)))
    labels = [text.get_text() for text in axes.texts]
    assert "1" in labels and all(0.2 < float(label) < 2.0 for label in labels)
    assert axes.get_xlim() == (2.0, 60.0) and axes.get_ylim() == (5.0, 40.0)
    assert axes.get_ylabel() == "Temperature in use (°C)"
    assert "<image" not in style.svg(figure_of(axes), "map")


def test_a_flat_map_and_one_with_gaps_are_drawn(case: Case) -> None:
    """The same error everywhere, and a load without a permissible error, are no failure."""
    assert error_over_temperature(found(case, np.full((4, 5), 0.5))).has_data()
    gaps = np.linspace(0.2, 2.0, 30).reshape(5, 6)
    gaps[:, 0] = np.nan
    assert error_over_temperature(found(case, gaps)).has_data()
