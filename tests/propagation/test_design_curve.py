"""The design curve is one of the bench: what use does otherwise than the bench is an error of every unit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, errors_of, loads_of, only, pad_case
from same_counts import assert_same_counts

from margin.backends.run import run
from margin.case.types import Case
from margin.propagation.assemble import nominal_of, nominal_setting

PAD: dict[str, Any] = {
    "kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", "exponent": 0.8,
}  # fmt: skip
LOOP = {**PAD, "hysteresis": "6 %"}
DOWN = {"direction": "down"}


def relative(case: Case) -> np.ndarray:
    """Error over load by load, of the one unit without spread."""
    found: np.ndarray = (only(case, 1) / loads_of(case)).ravel()
    return found


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.05, 0.05), st.floats(0.5, 1.1), st.floats(0.1, 100.0), st.floats(0.1, 1000.0))
def test_creep_beyond_the_dwell_of_the_bench_is_an_error(
    creep: float, exponent: float, bench: float, use: float
) -> None:
    """F' / F = ((1 + c log10(t use / t0)) / (1 + c log10(t bench / t0)))^(1/n): G ~ F^n turned round by hand."""
    case = pad_case(
        sensor={
            **PAD, "creep": f"{100 * creep:.9f} %", "exponent": exponent, "creep_reference_time": "2 s",
        },
        design_curve={"dwell": f"{bench:.9f} s"},
        use={"dwell": f"{use:.9f} s"},
        circuit={"feedback": "30 kohm"},
    )  # fmt: skip
    ratio = (1 + creep * np.log10(use / 2)) / (1 + creep * np.log10(bench / 2))
    assert relative(case) == pytest.approx(ratio ** (1 / exponent) - 1, abs=1e-7)


def test_ten_times_the_dwell_of_the_bench_costs_one_decade_of_creep() -> None:
    """Nothing stated of the curve: it was measured when the sensor's values hold, and use comes a decade later."""
    sensor = {**PAD, "creep": "2 %", "creep_reference_time": "3 s"}
    case = pad_case(sensor=sensor, use={"dwell": "30 s"})
    assert relative(case) == pytest.approx(1.02 ** (1 / 0.8) - 1, rel=1e-9)
    same = pad_case(sensor=sensor, use={"dwell": "30 s"}, design_curve={"dwell": "30 s"})
    assert np.abs(only(same, 1)).max() < 1e-9


def test_use_on_the_other_branch_is_an_error_by_the_weight_of_the_branch() -> None:
    """F' = F (1 + h 4u(1 - u))^(1/n): the ascending curve turned round at descending outputs."""
    case = pad_case(sensor=LOOP, use=DOWN, load={"check": 25})
    u = loads_of(case).ravel() / 60
    assert relative(case) == pytest.approx((1 + 0.06 * 4 * u * (1 - u)) ** (1 / 0.8) - 1, abs=1e-12)
    assert np.abs(only(pad_case(sensor=LOOP), 1)).max() < 1e-9


def test_a_curve_of_the_branch_of_use_leaves_no_error() -> None:
    """Measured going down and used going down: the branch cancels, under a concentrator too."""
    for interface in (
        {"kind": "direct"},
        {"kind": "load concentrator", "preload": "1 N", "contact_gain": 0.9},
    ):
        case = pad_case(sensor=LOOP, use=DOWN, interface=interface, design_curve={"branch": "down"})
        assert np.abs(only(case, 1)).max() < 1e-9


def test_the_mean_branch_halves_the_peak_error() -> None:
    """The reported load solves F'^n (1 + h w(F') / 2) = F^n (1 + h w(F)): half the loop each way, to first order."""
    tables: dict[str, Any] = {"sensor": LOOP, "load": {"check": 25}}
    full = relative(pad_case(**tables, use=DOWN))
    mean = {"branch": "mean"}
    down = relative(pad_case(**tables, use=DOWN, design_curve=mean))
    up = relative(pad_case(**tables, design_curve=mean))
    # the loop is skewed by its own square: h / 2n of the error
    assert down.max() == pytest.approx(full.max() / 2, rel=0.06 / 0.8)
    assert -up.min() == pytest.approx(full.max() / 2, rel=0.06 / 0.8)
    load = loads_of(pad_case(**tables)).ravel()

    def output(force: np.ndarray, share: float) -> np.ndarray:
        u = force / 60
        return force**0.8 * (1 + share * 0.06 * 4 * u * (1 - u))

    inside = slice(None, -1)
    assert output(load * (1 + down), 0.5)[inside] == pytest.approx(output(load, 1.0)[inside], rel=1e-12)
    assert output(load * (1 + up), 0.5)[inside] == pytest.approx(output(load, 0.0)[inside], rel=1e-12)


def test_the_temperature_of_the_bench_is_that_of_the_curve() -> None:
    """F' / F = ((1 + a dT use) / (1 + a dT bench))^(1/n), both from the reference; a thermometer removes it."""
    sensor = {**PAD, "temperature_coefficient": "-0.4 %/K", "humidity_coefficient": "0.1 %/percent_RH"}
    tables: dict[str, Any] = {
        "sensor": sensor, "use": {"temperature": "40 degC", "humidity": "70 %RH"}, "converter": {"bits": 24},
        "design_curve": {"temperature": "15 degC", "humidity": "30 %RH"},
    }  # fmt: skip
    expected = ((1 - 0.004 * 15) * (1 + 0.001 * 20)) / ((1 + 0.004 * 10) * (1 - 0.001 * 20))
    found = errors_of(pad_case(NONE, {**NONE, "name": "warm", "temperature_correction": True}, **tables), 1)
    load = loads_of(pad_case(**tables))
    assert found["none"] / load == pytest.approx(expected ** (1 / 0.8) - 1, abs=1e-5)
    # what is left is the humidity, of which the firmware has no sensor
    assert found["warm"] / load == pytest.approx((1.02 / 0.98) ** (1 / 0.8) - 1, abs=1e-5)


def test_the_station_keeps_its_own_dwell_branch_and_temperature() -> None:
    """A gain set at the station removes what the station saw, and the bench of the curve drops out of it."""
    sensor = {**PAD, "creep": "2 %", "temperature_coefficient": "-0.4 %/K"}
    use, station = {"dwell": "100 s", "temperature": "40 degC"}, {"dwell": "10 s", "temperature": "30 degC"}
    one = {**ONE_POINT, "loads": ["60 N"]}
    ratio = (1.04 / 1.02) * (1 - 0.004 * 15) / (1 - 0.004 * 5)
    for curve in ({}, {"dwell": "1000 s", "temperature": "5 degC"}):
        case = pad_case(one, sensor=sensor, use=use, station=station, design_curve=curve)
        assert relative(case) == pytest.approx(ratio ** (1 / 0.8) - 1, rel=1e-9)


def test_firmware_keeps_the_top_of_the_range_as_peak() -> None:
    """The descending curve is that of a cycle to the top of the range, whatever the peak of the use."""
    case = pad_case(sensor=LOOP, use={"peak": "30 N"}, design_curve={"branch": "down", "dwell": "7 s"})
    found = nominal_setting(case)
    assert (found.peak, found.descending, found.dwell, found.age) == (60.0, 1.0, 7.0, 0.0)
    assert nominal_of(case).setting == found


@pytest.mark.parametrize("bits", [12, 18])
@pytest.mark.parametrize("branch", ["down", "mean"])
def test_a_compiled_kernel_turns_the_branch_round_too(branch: str, bits: int) -> None:
    """By table of codes or reading by reading, with and without a thermometer: the same whole numbers."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    tables = {**EVERY_SPREAD, "converter": {**EVERY_SPREAD["converter"], "bits": bits}}
    options = [NONE, {**TWO_POINT, "temperature_correction": True, "direction": "both"}]
    case = pad_case(
        *options, **tables, design_curve={"branch": branch, "dwell": "5 s", "temperature": "20 degC"}
    )
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))
