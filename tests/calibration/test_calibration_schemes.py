"""Corrections that a calibration stores: exact where the form holds, harmless where it cannot."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, TWO_POINT, errors_of, loads_of, only, pad_case

from margin.backends.run import run
from margin.calibration.cost import seconds_per_unit
from margin.calibration.event import applied_load
from margin.calibration.schemes import least_squares, one_point, one_point_logarithm, piecewise
from margin.calibration.station import Station
from margin.case.types import CalibrationSpec


def units(*rows: list[float]) -> np.ndarray:
    """Coordinates of some units at some loads as (unit, 1, 1, 1, load)."""
    return np.array(rows, dtype=float).reshape(len(rows), 1, 1, 1, -1)


def drawn_units(seed: int, loads: int, count: int = 20) -> np.ndarray:
    """Rising coordinates that are not evenly spaced."""
    draws = np.random.default_rng(seed)
    return np.cumsum(draws.uniform(0.2, 1.0, (count, 1, 1, 1, loads)), axis=-1) + draws.uniform(-1, 1)


def test_one_point_is_exact_at_its_load_and_its_zero() -> None:
    """One point and a zero give the line through both."""
    gain = one_point(units([3.0], [5.0]), 30.0, 1.0)
    assert gain.load(units([1.0, 3.0, 2.0], [1.0, 5.0, 3.0])).reshape(2, 3) == pytest.approx(
        np.array([[0, 30, 15], [0, 30, 15]])
    )


def test_one_point_in_logarithms_is_a_gain() -> None:
    """An offset in logarithms is a gain on the load."""
    offset = one_point_logarithm(np.log(units([25.0])), np.log(30.0))
    assert np.exp(offset.load(np.log(units([5.0, 25.0])))).ravel() == pytest.approx([6.0, 30.0])


@given(
    x=st.tuples(st.floats(-5, 5), st.floats(0.01, 10)),
    y=st.tuples(st.floats(0, 50), st.floats(1, 50)),
    falling=st.booleans(),
)
@settings(max_examples=50, deadline=None)
def test_two_points_are_met_exactly(x: tuple, y: tuple, falling: bool) -> None:
    """The line through two points meets both, whether the coordinate rises or falls, and is straight
    between."""
    ends = [x[0], x[0] + x[1]]
    points = units(ends[::-1] if falling else ends)
    loads = np.array([y[0], y[0] + y[1]])
    for found in (least_squares(points, loads, 1, np.ones(2)), piecewise(points, loads)):
        assert found.load(points).ravel() == pytest.approx(loads, abs=1e-9, rel=1e-9)
        middle = points.mean(axis=-1, keepdims=True)
        assert found.load(middle).ravel() == pytest.approx(loads.mean(), abs=1e-9, rel=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 3, 4])
@pytest.mark.parametrize("weighted", [False, True])
def test_least_squares_agrees_with_numpy(degree: int, weighted: bool) -> None:
    """Each unit's polynomial is that of numpy.polyfit (whose weights multiply the residuals, not the
    squares)."""
    x, y = drawn_units(degree, 7), np.linspace(2.0, 60.0, 7)
    weights = 1 / y**2 if weighted else np.ones(7)
    found = least_squares(x, y, degree, weights)
    at = np.linspace(x.min(axis=-1), x.max(axis=-1), 11, axis=-1)
    for unit in range(x.shape[0]):
        expected = np.polyval(np.polyfit(x[unit].ravel(), y, degree, w=np.sqrt(weights)), at[unit].ravel())
        assert found.load(at)[unit].ravel() == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(scale=st.floats(1e-9, 1e9), shift=st.floats(-100, 100))
@settings(max_examples=30, deadline=None)
def test_least_squares_does_not_depend_on_units(scale: float, shift: float) -> None:
    """Volts, microsiemens or counts: the fitted load is the same."""
    x, y = drawn_units(9, 6, 4), np.linspace(2.0, 60.0, 6)
    plain = least_squares(x, y, 2, np.ones(6)).load(x)
    moved = scale * (x + shift)
    assert least_squares(moved, y, 2, np.ones(6)).load(moved) == pytest.approx(plain, rel=1e-7, abs=1e-7)


def test_too_few_loads_are_refused() -> None:
    """A polynomial needs a load more than its degree, straight lines need two."""
    with pytest.raises(ValueError, match="needs 3 loads"):
        least_squares(units([1.0, 2.0]), np.array([1.0, 2.0]), 2, np.ones(2))
    with pytest.raises(ValueError, match="need 2 loads"):
        piecewise(units([1.0]), np.array([1.0]))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_pieces_are_those_of_interpolation(sign: float) -> None:
    """Inside the points pieces equal numpy.interp, for rising and for falling coordinates; the end pieces
    go on straight."""
    x, y = drawn_units(5, 6), np.array([2.0, 5.0, 11.0, 20.0, 37.0, 60.0])
    found = piecewise(sign * x, y)
    at = np.linspace(x[..., 0], x[..., -1], 31, axis=-1)
    for unit in range(x.shape[0]):
        expected = np.interp(at[unit].ravel(), x[unit].ravel(), y)
        assert found.load(sign * at)[unit].ravel() == pytest.approx(expected, rel=1e-9, abs=1e-9)
    beyond = x[..., -1:] + (x[..., -1:] - x[..., -2:-1])
    assert found.load(sign * beyond).ravel() == pytest.approx(2 * 60.0 - 37.0)


def test_rising_and_falling_units_together() -> None:
    """Units of both directions in one block are each read by their own."""
    y = np.array([2.0, 10.0, 60.0])
    x = units([1.0, 2.0, 4.0], [4.0, 2.0, 1.0])
    assert piecewise(x, y).load(x).reshape(2, 3) == pytest.approx(np.array([y, y]))


STUCK = units([2.0, 2.0, 2.0], [0.0, 0.0, 0.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize("kind", ["one-point", "line", "parabola", "pieces"])
def test_a_stuck_unit_gets_a_reading_that_no_requirement_accepts(kind: str) -> None:
    """A unit whose coordinate does not move gets a finite, constant reading: wrong by the whole load at
    one end of the range at least; the sound unit beside it is as if alone."""
    y = np.array([2.0, 30.0, 60.0])
    found = {
        "one-point": lambda: one_point(
            STUCK[..., 1:2], 30.0, STUCK[..., :1] * np.array([1, 1, 0]).reshape(3, 1, 1, 1, 1)
        ),
        "line": lambda: least_squares(STUCK, y, 1, np.ones(3)),
        "parabola": lambda: least_squares(STUCK, y, 2, np.ones(3)),
        "pieces": lambda: piecewise(STUCK, y),
    }[kind]().load(STUCK)
    assert np.all(np.isfinite(found))
    for unit in (0, 1):
        assert np.ptp(found[unit]) == 0.0
        assert np.abs(found[unit].ravel() - y).max() >= 28.0
    if kind != "one-point":
        assert np.abs(found[2].ravel() - y).max() < 2.0


def test_pieces_that_turn_back_are_flat() -> None:
    """Where noise makes a step go the wrong way that piece is flat, and nothing is infinite."""
    found = piecewise(units([0.0, 2.0, 1.5, 3.0]), np.array([0.0, 20.0, 30.0, 40.0]))
    values = found.load(np.linspace(-1, 4, 101).reshape(1, 1, 1, 1, -1)).ravel()
    assert np.all(np.isfinite(values))
    assert np.all(np.diff(values) >= -1e-12)


@pytest.mark.parametrize("position", ["sensor to reference", "sensor to ground"])
@pytest.mark.parametrize("space", ["force", "signal", "output", "logarithm"])
def test_every_space_reads_its_own_points(position: str, space: str) -> None:
    """Without scatter every unit reports the loads at which it was calibrated, in every space and for a
    signal that rises or falls."""
    loads = ["6 N", "20 N", "40 N", "60 N"]
    case = pad_case(
        {"kind": "one-point", "loads": ["20 N"], "space": space, "name": "one"},
        {"kind": "two-point", "loads": ["6 N", "60 N"], "space": space, "name": "two"},
        {"kind": "multi-point", "loads": loads, "space": space, "name": "cubic", "degree": 3},
        {"kind": "multi-point", "loads": loads, "space": space, "name": "pieces", "fit": "piecewise"},
        load={"check": loads},
        sensor={"sensitivity": "4 uS +/- 20 %", "exponent": "0.9 +/- 0.05"},
        circuit={
            "kind": "voltage divider", "reference": "1.2 V", "resistor": "100 kohm", "position": position,
        },
        study={"units": 50},
    )  # fmt: skip
    found = {name: np.abs(error) for name, error in errors_of(case).items()}
    assert found["one"][..., 1].max() < 1e-8
    assert found["two"][..., [0, 3]].max() < 1e-8
    assert found["cubic"].max() < 1e-7
    assert found["pieces"].max() < 1e-8
    assert found["one"].max() > 1.0


def test_saturated_units_never_give_no_number() -> None:
    """Units whose output is stuck at the swing from the lowest calibration load on are counted, and fail."""
    kinds = (
        NONE, ONE_POINT, TWO_POINT, {"kind": "tare"}, {"kind": "multi-point"},
        {"kind": "multi-point", "name": "pieces", "fit": "piecewise"},
        {"kind": "multi-point", "name": "logarithm", "space": "logarithm"},
        {"kind": "two-point", "name": "signal", "space": "signal", "tare": True},
        {"kind": "lot-curve"}, {"kind": "classes"},
    )  # fmt: skip
    for circuit in ({"feedback": "10 Mohm"}, {"feedback": "60 kohm", "swing_high": "1 uV"}):
        result = run(
            pad_case(*kinds, circuit=circuit, sensor={"sensitivity": "4 uS +/- 10 %"}, study={"units": 50})
        )
        for tally in result.tallies.values():
            assert tally.within[:, 2].sum() == 0


def test_relative_weights_favour_low_loads() -> None:
    """With weights 1 / load squared a line through a bent curve is closer, in percent, at low load (closed
    form for least squares)."""
    loads = ["6 N", "20 N", "40 N", "60 N"]
    line = {"kind": "multi-point", "loads": loads, "degree": 1, "space": "output"}
    case = pad_case(
        {**line, "name": "equal"}, {**line, "name": "relative", "weights": "relative"},
        load={"check": loads}, sensor={"exponent": 0.8},
    )  # fmt: skip
    found = {name: error[0].ravel() / loads_of(case) for name, error in errors_of(case, 1).items()}
    assert abs(found["relative"][0]) < 0.5 * abs(found["equal"][0])
    assert np.sum(found["relative"] ** 2) < np.sum(found["equal"] ** 2)


def test_both_branches_centre_the_loop() -> None:
    """Calibrated on the way up a unit errs by the whole loop on the way down; calibrated on both by half
    of it (common practice, no source)."""
    base = {"kind": "multi-point", "loads": ["6 N", "20 N", "30 N", "40 N", "54 N"], "fit": "piecewise"}
    case = pad_case(
        *({**base, "name": direction, "direction": direction} for direction in ("up", "both", "down")),
        load={"check": ["20 N", "30 N", "40 N"]}, sensor={"hysteresis": "4 %"}, use={"direction": "down"},
    )  # fmt: skip
    middle = {name: error[0, 0, 0, 0, 1] / 30 for name, error in errors_of(case, 1).items()}
    assert middle["up"] == pytest.approx(0.04, rel=1e-6)
    assert middle["both"] == pytest.approx(0.02, rel=0.05)
    assert middle["down"] == pytest.approx(0.0, abs=1e-9)


def test_classes_leave_the_width_of_a_class() -> None:
    """Sorted into classes, units of a rectangular gain spread keep the spread of one class, width / sqrt(12)
    (closed form for a rectangular spread)."""
    case = pad_case(
        NONE,
        *({"kind": "classes", "classes": n, "name": f"{n} classes"} for n in (2, 5, 20)),
        load={"check": 2},
        sensor={"sensitivity": "4 uS +/- 10 %"},
        study={"units": 4000},
    )
    top = {name: float((error[..., -1] / 60).std()) for name, error in errors_of(case).items()}
    for n in (2, 5, 20):
        assert top[f"{n} classes"] == pytest.approx(top["none"] / n, rel=0.06)


def test_temperature_correction_removes_what_the_thermometer_tells() -> None:
    """A firmware that corrects by temperature leaves the error of its thermometer (closed form, first
    order)."""
    corrected = {**ONE_POINT, "name": "corrected", "temperature_correction": True}
    tables = {
        "sensor": {"temperature_coefficient": "0.3 %/K"},
        "use": {"temperature": "5 degC to 45 degC"},
    }
    exact = errors_of(pad_case(ONE_POINT, corrected, **tables))
    assert np.abs(exact["corrected"]).max() < 1e-9
    assert np.abs(exact["one-point"]).max() > 2.0
    wrong = pad_case(
        corrected,
        firmware={"thermometer_error": "1 degC"},
        use={"temperature": "45 degC"},
        sensor=tables["sensor"],
    )
    # the thermometer errs at the station too: what remains is the ratio of both corrections
    expected = (1 + 0.003 * 20) / (1 + 0.003 * 21) * (1 + 0.003) - 1
    assert only(wrong, 3)[..., -1] / 60 == pytest.approx(expected, rel=1e-9)


def test_applied_load_inverts_what_the_reference_indicates() -> None:
    """Loaded until the reference indicates a load, the unit carries (indicated - offset) / (1 + gain);
    unloaded it carries nothing, and no load is negative."""
    station = Station(reference_gain=0.02, reference_offset=0.5)
    indicated = np.array([0.0, 0.2, 10.0, 60.0])
    true = applied_load(indicated, station)
    assert true == pytest.approx([0.0, 0.0, 9.5 / 1.02, 59.5 / 1.02])
    assert 1.02 * true[2:] + 0.5 == pytest.approx(indicated[2:])


def test_seconds_of_a_calibration() -> None:
    """Handling once, and for each placement loading, dwell and samples: by hand."""
    station = Station(dwell=2.0, seconds_per_load=5.0, seconds_per_unit=20.0, seconds_per_sample=0.1)
    one = CalibrationSpec("a", "one-point", loads=(30.0,), reloads=3, samples=10)
    assert seconds_per_unit(one, station, 100) == pytest.approx(20 + 3 * (5 + 2 + 1))
    both = CalibrationSpec("b", "multi-point", loads=(2.0, 30.0, 60.0), direction="both", tare=True)
    assert seconds_per_unit(both, station, 100) == pytest.approx(20 + 7.1 + 5 * 7.1)
    assert seconds_per_unit(CalibrationSpec("c", "none"), station, 100) == 0.0
    assert seconds_per_unit(CalibrationSpec("d", "tare"), station, 100) == pytest.approx(27.1)
    # its zero is a mean over as many unloadings as there are placements
    tared = CalibrationSpec("f", "one-point", loads=(30.0,), reloads=4, tare=True)
    assert seconds_per_unit(tared, station, 100) == pytest.approx(20 + 4 * 7.1 + 4 * 7.1)
    lot = CalibrationSpec("e", "lot-curve", loads=(2.0, 30.0, 60.0), sample_units=10)
    assert seconds_per_unit(lot, station, 100) == pytest.approx(27.1 + 0.1 * (20 + 3 * 7.1))
