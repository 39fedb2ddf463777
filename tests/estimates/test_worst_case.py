"""Worst case three ways: extreme values that enclose, root sum square, and where they tell different
stories."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case

from margin.case import Case
from margin.estimates.worst_case import worst_cases
from margin.propagation.run import run


def judged(case: Case) -> dict[str, tuple[pd.DataFrame, np.ndarray, np.ndarray]]:
    """Worst case, smallest and largest error drawn, by option."""
    result = run(case, workers=1)
    frames = dict(worst_cases(result.model, result.plan.frame, result.tallies))
    return {name: (frames[name], t.low.min(axis=0), t.high.max(axis=0)) for name, t in result.tallies.items()}


def require_enclosed(case: Case) -> None:
    """No draw lies beyond the extreme values."""
    for name, (frame, low, high) in judged(case).items():
        slack = 1e-9 * case.span
        assert np.all(frame["extreme_low_N"].to_numpy() <= low + slack), name
        assert np.all(frame["extreme_high_N"].to_numpy() >= high - slack), name


share = st.sampled_from([0.2, 1.0, 8.0])


@given(
    sensitivity=share,
    exponent=st.sampled_from([0.0, 0.02, 0.05]),
    feedback=share,
    offset=st.sampled_from([0.1, 10.0]),
    tempco=st.sampled_from([-0.3, 0.0, 0.2]),
    direction=st.sampled_from(["up", "down", "either"]),
    tared=st.booleans(),
)
@settings(max_examples=6, deadline=None)
def test_extreme_values_enclose_every_draw(
    sensitivity: float,
    exponent: float,
    feedback: float,
    offset: float,
    tempco: float,
    direction: str,
    tared: bool,
) -> None:
    """Extreme values enclose every draw of bounded factors, before and after calibration (closed form)."""
    sensor = {
        "sensitivity": f"4 uS +/- {sensitivity} %",
        "temperature_coefficient": f"{tempco} %/K",
        "hysteresis": "3 %",
        "turn_on": "0.5 N +/- 0.3 N per lot",
    }
    if exponent:
        sensor["exponent"] = f"0.9 +/- {exponent}"
    require_enclosed(
        pad_case(
            NONE,
            {**ONE_POINT, "tare": tared},
            {**TWO_POINT, "stage": "bare sensor"},
            load={"check": 3},
            sensor=sensor,
            circuit={"feedback": f"60 kohm +/- {feedback} %", "offset": f"0 V +/- {offset} mV"},
            station={"temperature": "18 degC to 28 degC"},
            use={"temperature": "-5 degC to 45 degC", "direction": direction},
            study={"units": 400, "units_per_lot": 10},
        )
    )


def test_a_mean_of_bounded_draws_reaches_its_limits() -> None:
    """Where a bounded factor is drawn for each placement, all placements of a calibration may lie at one
    limit: averaging them narrows no extreme value (closed form)."""
    case = pad_case(
        {**ONE_POINT, "reloads": 2},
        load={"check": ["30 N", "60 N"]},
        sensor={"sensitivity": "4 uS +/- 5 % per loading"},
        use={"loadings": 10},
    )
    ((frame, low, high),) = judged(case).values()
    assert frame["extreme_high_N"].to_numpy() == pytest.approx(np.array([30, 60]) * (1.05 / 0.95 - 1))
    assert frame["extreme_low_N"].to_numpy() == pytest.approx(np.array([30, 60]) * (0.95 / 1.05 - 1))
    assert np.all(frame["extreme_high_N"] >= high)
    assert np.all(frame["extreme_low_N"] <= low)


def test_extreme_values_of_a_product_by_hand() -> None:
    """Two tolerances of 5 % and 1 % on a gain: 1.05 * 1.01 - 1 and 0.95 * 0.99 - 1 (closed form)."""
    case = pad_case(
        NONE, ONE_POINT, sensor={"sensitivity": "4 uS +/- 5 %"}, circuit={"feedback": "60 kohm +/- 1 %"}
    )
    found = judged(case)
    frame = found["none"][0]
    assert (frame["extreme_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(1.05 * 1.01 - 1)
    assert (frame["extreme_low_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.95 * 0.99 - 1)
    assert (frame["root_sum_square_N"] / frame["load_N"]).to_numpy() == pytest.approx(
        3 * np.hypot(0.05, 0.01) / np.sqrt(3), rel=1e-3
    )
    assert np.abs(found["one-point"][0][["extreme_low_N", "extreme_high_N"]]).to_numpy().max() < 1e-9


def test_an_interior_worst_point_is_found() -> None:
    """The worst temperature may lie between the limits of a tolerance: the centre is tried as well (closed
    form: a parabola with its top at the reference temperature)."""
    case = pad_case(
        NONE,
        sensor={"temperature_curvature": "50 ppm/K**2"},
        use={"temperature": "5 degC to 45 degC"},
        study={"units": 2000},
    )
    frame, _, high = judged(case)["none"]
    assert frame["extreme_low_N"].to_numpy() == pytest.approx(0.0, abs=1e-9)
    assert (frame["extreme_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(50e-6 * 400)
    assert np.all(frame["root_sum_square_N"] < 0.3 * high)
    assert frame["verdict"].str.startswith("root sum square").all()


def test_root_sum_square_misses_the_overlap() -> None:
    """A load concentrator that mostly lies within its clearance has no first-order effect: root sum square is
    too narrow, and the verdict says so (common practice, no source)."""
    puck = {
        "kind": "load concentrator",
        "concentrator_radius": "4 mm",
        "sensing_radius": "5 mm",
        "placement": "0.6 mm",
    }
    frame, low, _ = judged(pad_case(NONE, interface=puck, study={"units": 4000}))["none"]
    assert np.all(frame["root_sum_square_N"] < 1e-9)
    assert np.all(low < -0.01 * frame["load_N"].to_numpy())
    assert frame["verdict"].str.contains("too narrow").all()


def test_root_sum_square_misses_the_tilt() -> None:
    """The cosine of a tilt is one-sided and of second order: root sum square does not cover the draws."""
    puck = {"kind": "load concentrator", "tilt": "6 deg"}
    frame, low, high = judged(pad_case(NONE, interface=puck, study={"units": 4000}))["none"]
    assert np.all(high <= 1e-9)
    assert np.all(frame["rss_mean_N"] - frame["root_sum_square_N"] > low)
    assert frame["verdict"].str.startswith("root sum square").all()


def test_nothing_varies() -> None:
    """Without tolerances the verdict says that nothing varies, and every end is the same."""
    frame, low, high = judged(pad_case(NONE, converter={"bits": 10}))["none"]
    assert set(frame["verdict"]) == {"nothing varies"}
    assert frame["extreme_low_N"].to_numpy() == pytest.approx(low)
    assert frame["extreme_high_N"].to_numpy() == pytest.approx(high)


def test_unbounded_shapes_count_to_three_sigma() -> None:
    """A normal tolerance has no limit of its own: the extreme value takes its 3 sigma limits (0.135 %)."""
    case = pad_case(
        NONE, sensor={"sensitivity": "4 uS +/- 3 % (3 sigma)"}, study={"units": 4096, "points": "sobol"}
    )
    frame, _, _ = judged(case)["none"]
    assert (frame["extreme_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=1e-4)
    assert (frame["monte_carlo_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=0.03)
    assert (frame["root_sum_square_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=1e-6)
