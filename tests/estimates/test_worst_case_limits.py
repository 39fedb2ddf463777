"""Limits of an extreme value: bounds of bounded shapes, equal tails of every other."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case
from scipy import stats

from margin.case import Case
from margin.estimates.worst_case import Corners, Variable, extreme_values
from margin.propagation.model import model_of

TAIL = 0.00135
"""What a normal distribution leaves beyond 3 standard deviations, 0.134 990 % (tables of the normal distribution)."""


def film(spread: dict[str, Any], *options: dict[str, Any], **tables: Any) -> Case:
    """A pad whose sensitivity has this spread, per unit."""
    sensitivity = {"value": "4 uS", "spread": [{"level": "unit", **spread}]}
    return pad_case(*options or (NONE,), sensor={"sensitivity": sensitivity}, **tables)


def the_variable(case: Case) -> Variable:
    """The one variable of the first option."""
    (variable,) = Corners.of(model_of(case), case.calibrations[0]).variables
    return variable


SHAPES: dict[str, tuple[dict[str, Any], Any]] = {
    "normal": ({"sd": "2 %"}, stats.norm(0, 0.02)),
    "lognormal": ({"log_sd": 0.15}, stats.lognorm(0.15, loc=-1)),
    "student t": ({"scale": "2 %", "dof": 4}, stats.t(4, scale=0.02)),
    "gamma": ({"scale": "2 %", "exponent": 1.7}, stats.gamma(1.7, scale=0.02)),
    "weibull": ({"scale": "5 %", "exponent": 1.4}, stats.weibull_min(1.4, scale=0.05)),
    "exponential": ({"scale": "3 %"}, stats.expon(scale=0.03)),
    "half-normal": ({"sigma": "3 %"}, stats.halfnorm(scale=0.03)),
    "rayleigh": ({"sigma": "3 %"}, stats.rayleigh(scale=0.03)),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_without_two_bounds_count_to_equal_tails(shape: str) -> None:
    """Both limits of a shape that is not bounded on both sides leave 0.135 % beyond, the end at a bound as well; the
    extreme values of a linear chain are these limits (quantiles by scipy.stats)."""
    keys, reference = SHAPES[shape]
    case = film({"shape": shape, **keys}, load={"check": ["2 N", "20 N", "35 N"]})
    expected = reference.ppf([TAIL, 1.0 - TAIL])
    variable = the_variable(case)
    assert [variable.low, variable.high] == pytest.approx(expected, rel=1e-4)
    low, high = extreme_values(Corners.of(model_of(case), case.calibrations[0]))
    assert low / np.asarray(case.check_loads) == pytest.approx(expected[0], rel=1e-4, abs=1e-9)
    assert high / np.asarray(case.check_loads) == pytest.approx(expected[1], rel=1e-4)


def test_the_low_end_of_a_lognormal_factor_is_no_bound() -> None:
    """A lognormal factor with a log standard deviation of 0.15 ends at exp(-+0.45): -36 % and +57 % (closed
    form)."""
    variable = the_variable(film({"shape": "lognormal", "log_sd": 0.15}))
    assert [variable.low, variable.high] == pytest.approx([np.exp(-0.45) - 1.0, np.exp(0.45) - 1.0], rel=1e-4)


@pytest.mark.parametrize(
    ("spread", "low", "high"),
    [
        ({"shape": "rectangular", "low": "-1 %", "high": "2 %"}, -0.01, 0.02),
        ({"shape": "triangular", "low": "-1 %", "high": "2 %"}, -0.01, 0.02),
        ({"shape": "beta", "low": "-3 %", "high": "4 %", "alpha": 5, "beta": 9}, -0.03, 0.04),
        (
            {"shape": "truncated", "low": "-6 %", "high": "9 %", "base": {"shape": "normal", "sd": "2 %"}},
            -0.06,
            0.09,
        ),
        ({"shape": "discrete", "values": ["-2 %", "5 %"], "weights": [1, 999]}, -0.02, 0.05),
    ],
    ids=lambda value: value["shape"] if isinstance(value, dict) else None,
)
def test_bounded_shapes_count_to_their_bounds(spread: dict[str, Any], low: float, high: float) -> None:
    """A shape bounded on both sides counts to its bounds, however improbable (definition)."""
    variable = the_variable(film(spread))
    assert [variable.low, variable.high] == pytest.approx([low, high])


def test_a_shifted_bound_is_still_one_bound() -> None:
    """A shifted exponential shape keeps one bound only: its 0.135 % and 99.865 % quantiles count (scipy.stats)."""
    base = {"shape": "exponential", "scale": "3 %"}
    spread = {"shape": "shifted", "location": "-2 %", "base": base}
    variable = the_variable(film(spread))
    expected = stats.expon(-0.02, 0.03).ppf([TAIL, 1.0 - TAIL])
    assert [variable.low, variable.high] == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("units", [2, 3, 5, 6, 20])
def test_spreads_from_few_units_count_to_equal_tails_of_one_further_unit(units: int) -> None:
    """Where mean and spread were taken from n units the limits are those of one further unit: Student's t with n - 1
    degrees of freedom times s sqrt(1 + 1/n) (JCGM 101, 6.4.9; scipy.stats)."""
    sensor = {"sensitivity": f"4 uS +/- 2 % (2 sigma, from {units} units)"}
    case = pad_case(NONE, TWO_POINT, sensor=sensor, converter={"bits": 12})
    expected = 0.01 * np.sqrt(1.0 + 1.0 / units) * float(stats.t(units - 1).isf(TAIL))
    variable = the_variable(case)
    assert [variable.low, variable.high] == pytest.approx([-expected, expected], rel=1e-6)
    for option in case.calibrations:
        assert np.isfinite(extreme_values(Corners.of(model_of(case), option))).all()


def test_a_mean_of_unbounded_draws_has_narrower_limits() -> None:
    """The mean of four placements of a lognormal scatter lies about the mean of the shape, its limits at half the
    distance."""
    case = film({"shape": "lognormal", "log_sd": 0.1, "level": "loading"}, {**ONE_POINT, "reloads": 4})
    single, mean = sorted(
        Corners.of(model_of(case), case.calibrations[0]).variables, key=lambda v: v.event, reverse=True
    )
    assert (single.event, mean.event) == ("use", "calibration at 30 N")
    centre = np.exp(0.5 * 0.1**2) - 1.0
    for end in ("low", "high"):
        assert getattr(mean, end) - centre == pytest.approx(0.5 * (getattr(single, end) - centre))


def test_what_cannot_be_drawn_is_no_extreme() -> None:
    """A spread that does not reach the design value leaves it out: gains of +1 % to +3 % have no extreme value
    of 0 (closed form)."""
    case = film({"shape": "rectangular", "low": "1 %", "high": "3 %"})
    low, high = extreme_values(Corners.of(model_of(case), case.calibrations[0]))
    assert low / np.asarray(case.check_loads) == pytest.approx(0.01)
    assert high / np.asarray(case.check_loads) == pytest.approx(0.03)
