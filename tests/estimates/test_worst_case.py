"""Worst case by three methods: extreme values that enclose, root sum square, and where they disagree."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case

from margin.backends.run import run
from margin.case import Case
from margin.estimates.worst_case import Corners, WorstCase, worst_cases
from margin.estimates.worst_case.verdict import BELOW_ROUNDING
from margin.propagation.model import model_of


def found_for(case: Case) -> dict[str, WorstCase]:
    """Worst case by option."""
    result = run(case, workers=1)
    return dict(worst_cases(result.model, result.plan.frame, result.tallies))


def judged(case: Case) -> dict[str, tuple[pd.DataFrame, np.ndarray, np.ndarray]]:
    """Worst case, smallest and largest error drawn, by option."""
    result = run(case, workers=1)
    found = dict(worst_cases(result.model, result.plan.frame, result.tallies))
    return {
        name: (found[name].ways, t.low.min(axis=0), t.high.max(axis=0)) for name, t in result.tallies.items()
    }


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
    """A load concentrator that mostly lies within its clearance has no first-order effect: root sum square does not
    see it, and the verdict says so and names the placement (common practice, no source)."""
    puck = {
        "kind": "load concentrator",
        "concentrator_radius": "4 mm",
        "sensing_radius": "5 mm",
        "placement": "0.6 mm",
    }
    case = pad_case(NONE, interface=puck, study={"units": 4000})
    frame, low, _ = judged(case)["none"]
    assert np.all(frame["root_sum_square_N"] < 1e-9)
    assert np.all(low < -0.01 * frame["load_N"].to_numpy())
    assert frame["verdict"].str.startswith("root sum square too narrow").all()
    assert frame["why"].str.startswith("no first-order term: interface.placement x").all()
    assert frame["why"].str.contains("interface.placement y").all()
    assert np.all(frame["rss_over_draws"] < 1e-9)
    assert np.all(frame["extreme_over_draws"] > 1.2)


def test_root_sum_square_of_second_order_sees_the_tilt() -> None:
    """The cosine of a tilt is one-sided and of second order: root sum square of first order does not
    see it. With
    second order the mean moves by -s^2 and the standard deviation is s^2, with s the standard deviation about
    each of two axes (closed form of chi square with two degrees of freedom)."""
    puck = {"kind": "load concentrator", "tilt": "6 deg"}
    frame, low, high = judged(pad_case(NONE, interface=puck, study={"units": 4000}))["none"]
    assert np.all(high <= 1e-9)
    assert np.all(frame["rss_mean_N"] - frame["root_sum_square_N"] > low)
    assert frame["verdict"].str.startswith("root sum square too narrow").all()
    assert frame["why"].str.contains("interface.tilt x").all()
    load, square = frame["load_N"].to_numpy(), np.deg2rad(6.0) ** 2
    assert frame["rss_second_mean_N"].to_numpy() == pytest.approx(-load * square, rel=0.01)
    assert frame["root_sum_square_second_N"].to_numpy() == pytest.approx(3.0 * load * square, rel=0.01)


def test_clipping_makes_root_sum_square_too_wide() -> None:
    """Where the circuit's swing cuts sensitive units off, root sum square is pessimistic, and the factor that
    bends is named (closed form: 1.0 V of 1.2 V less 28 % at 60 N)."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 40 % (3 sigma)"}, circuit={"swing_high": "1.0 V"})
    frame, _, _ = judged(case)["none"]
    top = frame.iloc[-1]
    assert top["verdict"].startswith("root sum square too wide")
    assert "nonlinear within its limits: sensor.sensitivity per unit" in top["why"]
    assert top["rss_over_draws"] > 1.2
    assert frame.iloc[0]["verdict"] == "the three methods agree"


def test_limits_within_three_sigma_make_root_sum_square_too_wide() -> None:
    """One rectangular tolerance ends at 1.73 standard deviations: three of them are 1.73 times the draws."""
    frame, _, _ = judged(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 5 %"}, study={"units": 4000}))[
        "none"
    ]
    assert frame["rss_over_draws"].to_numpy() == pytest.approx(np.sqrt(3.0), rel=0.02)
    assert frame["extreme_over_draws"].to_numpy() == pytest.approx(1.0, rel=0.02)
    assert frame["why"].str.contains("limits closer than 3 standard deviations: sensor.sensitivity").all()


def test_first_order_adds_covariances() -> None:
    """Two normal tolerances with the correlation r of their scores: u^2 = a^2 + b^2 + 2 r a b (JCGM 100, 5.2.2);
    the draws scatter alike."""
    tie = {"between": ["sensor.sensitivity", "circuit.feedback"], "level": "unit", "rank_correlation": 0.7}
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 1 % (1 sigma)"},
        circuit={"feedback": "60 kohm +/- 0.5 % (1 sigma)"},
        dependence=[tie],
        study={"units": 8192, "points": "sobol"},
    )
    frame, _, _ = judged(case)["none"]
    r = 2.0 * np.sin(np.pi * 0.7 / 6.0)
    u = np.sqrt(0.01**2 + 0.005**2 + 2.0 * r * 0.01 * 0.005)
    assert (frame["root_sum_square_N"] / frame["load_N"]).to_numpy() == pytest.approx(3.0 * u, rel=1e-3)
    assert frame["rss_over_draws"].to_numpy() == pytest.approx(1.0, rel=0.05)


def test_each_condition_keeps_its_own_limits() -> None:
    """Named conditions of use have limits of their own: -1 %/K from 25 degC gives +15 % at 10 degC and -35 % at
    60 degC, and no error beyond (closed form)."""
    case = pad_case(
        NONE,
        sensor={"temperature_coefficient": "-1 %/K"},
        use={
            "condition": [
                {"name": "cool", "temperature": "10 degC to 20 degC"},
                {"name": "hot", "temperature": "30 degC to 60 degC"},
            ]
        },
    )
    found = found_for(case)["none"]
    load = found.ways["load_N"].to_numpy()
    assert found.ways["extreme_high_N"].to_numpy() == pytest.approx(0.15 * load)
    assert found.ways["extreme_low_N"].to_numpy() == pytest.approx(-0.35 * load)
    named = found.extremes.groupby("end")["condition"].unique()
    assert named["high"].tolist() == ["cool"]
    assert named["low"].tolist() == ["hot"]


def test_root_sum_square_has_the_rounding_of_a_coarse_converter() -> None:
    """A count over root 12 joins the root sum square (JCGM 100, F.2.2.1): 6 bits are 1/64 of the reference, of
    which 60 N take 72 %."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 0.01 % (3 sigma)"},
        converter={"bits": 6},
        load={"check": ["60 N"]},
    )
    frame, _, _ = judged(case)["none"]
    count = 60.0 / 0.72 / 64.0
    assert frame["root_sum_square_N"].to_numpy() == pytest.approx(3.0 * count / np.sqrt(12.0), rel=0.01)


def test_every_extreme_is_reached_by_its_corner() -> None:
    """The corner in the frame, put through the chain, gives the extreme value; the factors are all there, the
    most important first (closed form: the feedback resistor counts for 1 %, the sensor for 5 %)."""
    case = pad_case(
        {**ONE_POINT, "reloads": 2},
        NONE,
        sensor={"sensitivity": "4 uS +/- 5 %", "reload_scatter": "1 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        load={"check": 3},
    )
    found, model = found_for(case), model_of(case)
    for option in case.calibrations:
        corners, frames = Corners.of(model, option), found[option.name]
        keys = [(v.factor.name, v.event) for v in corners.variables]
        for (load, end), rows in frames.extremes.groupby(["load_N", "end"]):
            values = rows.set_index(["factor", "event"])["value"]
            assert sorted(values.index) == sorted(keys)
            row = np.array([[values[key] for key in keys]])
            error = corners.errors(row)[0, case.check_loads.index(load)]
            extreme = frames.ways.set_index("load_N")[f"extreme_{end}_N"][load]
            assert error == pytest.approx(extreme, abs=1e-9)
            assert rows["error_N"].to_numpy() == pytest.approx(extreme)
            assert rows["change_N"].abs().is_monotonic_decreasing
    top = found["none"].extremes.query("load_N == 60 and end == 'high'")
    assert (
        top["factor"].tolist()[:2]
        == ["sensor.reload_scatter (each loading)", "sensor.sensitivity per unit"][::-1]
    )
    assert set(top["position"]) == {"high"}
    assert set(top["unit"]) == {"relative", "draw"}


def test_discrete_values_are_searched_where_they_are() -> None:
    """A temperature coefficient of 0 is not among -1 and 2 %/K: no corner takes a value between the two, so
    that the error at 10 K is not between (closed form)."""
    spread = {"level": "unit", "shape": "discrete", "values": ["-1 %/K", "2 %/K"], "weights": [1, 1]}
    case = pad_case(
        NONE,
        sensor={"temperature_coefficient": {"value": "0 %/K", "spread": [spread]}},
        use={"temperature": "35 degC"},
        study={"units": 400},
    )
    found = found_for(case)["none"]
    load = found.ways["load_N"].to_numpy()
    assert found.ways["extreme_low_N"].to_numpy() == pytest.approx(-0.1 * load)
    assert found.ways["extreme_high_N"].to_numpy() == pytest.approx(0.2 * load)
    corners = Corners.of(model_of(case), case.calibrations[0])
    moved = corners.possible(np.array([[-0.01], [-0.004], [0.004], [0.02]]))
    assert moved.ravel() == pytest.approx([-0.01, -0.01, -0.01, 0.02])


def test_what_an_option_does_not_read_is_no_variable() -> None:
    """The station's load cell is no variable without a calibration, the unloaded unit none without a tare."""
    tables = {"sensor": {"reload_scatter": "1 %"}, "station": {"reference_gain": "0 % +/- 1 %"}}
    case = pad_case(NONE, ONE_POINT, {**ONE_POINT, "name": "tared", "tare": True}, **tables)
    none, one, tared = (Corners.of(model_of(case), option) for option in case.calibrations)
    assert {v.event for v in none.variables} == {"use"}
    assert {v.event for v in one.variables} == {"use", "both", "calibration at 30 N"}
    assert {v.event for v in tared.variables} == {"use", "both", "calibration at 0 N", "calibration at 30 N"}


def test_nothing_varies() -> None:
    """Without tolerances the verdict says that nothing varies, and every end is the same; a coarse converter leaves
    its rounding in the root sum square, and the verdict says that."""
    frame, low, high = judged(pad_case(NONE))["none"]
    assert set(frame["verdict"]) == {"nothing varies"}
    assert frame["extreme_low_N"].to_numpy() == pytest.approx(low)
    assert frame["extreme_high_N"].to_numpy() == pytest.approx(high)
    coarse, _, _ = judged(pad_case(NONE, converter={"bits": 10}))["none"]
    assert set(coarse["verdict"]) == {BELOW_ROUNDING}


def test_unbounded_shapes_count_to_three_sigma() -> None:
    """A normal tolerance has no limit of its own: the extreme value takes its 3 sigma limits (0.135 %)."""
    case = pad_case(
        NONE, sensor={"sensitivity": "4 uS +/- 3 % (3 sigma)"}, study={"units": 4096, "points": "sobol"}
    )
    frame, _, _ = judged(case)["none"]
    assert (frame["extreme_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=1e-4)
    assert (frame["monte_carlo_high_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=0.03)
    assert (frame["root_sum_square_N"] / frame["load_N"]).to_numpy() == pytest.approx(0.03, rel=1e-6)
