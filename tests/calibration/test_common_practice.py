"""What every practitioner expects of calibration, mechanics and front ends: common practice, no source."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, ONE_POINT, TWO_POINT, errors_of, loads_of, only, pad_case, use_draws

from margin.bench.merits.linearity import linearity
from margin.case import Case, nominal_elements
from margin.chain import Chain
from margin.chain.setting import Setting
from margin.estimates.evaluate import evaluate

GAIN_AND_OFFSET = {
    "sensor": {"sensitivity": "4 uS +/- 15 %", "offset_conductance": "0.3 uS +/- 0.2 uS"},
    "circuit": {"feedback": "60 kohm +/- 2 %", "offset": "0 V +/- 2 mV"},
}


def spread(**tables: dict) -> dict[str, float]:
    """Largest error over loads and units, N, by option."""
    return {
        name: float(np.abs(e).max())
        for name, e in errors_of(pad_case(NONE, ONE_POINT, TWO_POINT, **tables)).items()
    }


def test_two_points_remove_gain_and_offset_of_the_unit() -> None:
    """Two points remove what differs from unit to unit in gain and offset; one point leaves the offset; none
    leaves both."""
    found = spread(**GAIN_AND_OFFSET)
    assert found["none"] > 5.0
    assert 0.3 < found["one-point"] < found["none"]
    assert found["two-point"] < 1e-9


@pytest.mark.parametrize(
    "left",
    [
        {"sensor": {"reload_scatter": "2 %"}},
        {"sensor": {"hysteresis": "4 %"}, "use": {"direction": "down"}},
        {"sensor": {"temperature_coefficient": "0.2 %/K"}, "use": {"temperature": "5 degC to 45 degC"}},
        {"sensor": {"creep": "2 %"}, "use": {"dwell": "1000 s"}},
        {"sensor": {"ageing": "2 %"}, "use": {"age": "1000 h"}},
    ],
    ids=["reload scatter", "hysteresis", "temperature", "creep", "ageing"],
)
def test_two_points_do_not_remove_what_moves_afterwards(left: dict) -> None:
    """Reload scatter, hysteresis, temperature, creep and ageing come after the calibration and stay: with
    units that differ as much as with units alike."""
    alike = spread(**left)["two-point"]
    merged = {
        name: {**GAIN_AND_OFFSET.get(name, {}), **left.get(name, {})} for name in {*GAIN_AND_OFFSET, *left}
    }
    differing = spread(**merged)["two-point"]
    assert alike > 0.5
    assert differing == pytest.approx(alike, rel=0.25)


def test_more_points_help_a_bent_curve_only() -> None:
    """A curve of the wrong form is mended by more points; scatter from placement to placement is not."""
    five = {
        "kind": "multi-point",
        "name": "five",
        "fit": "piecewise",
        "loads": ["2 N", "12 N", "24 N", "40 N", "60 N"],
    }
    bent = errors_of(pad_case(TWO_POINT, five, sensor={"exponent": "1 +/- 0.15"}))
    assert np.abs(bent["five"]).max() < 0.4 * np.abs(bent["two-point"]).max()
    scattered = errors_of(pad_case(TWO_POINT, five, sensor={"reload_scatter": "2 %"}))
    assert scattered["five"].std() > 0.8 * scattered["two-point"].std()


def puck(**changes: str) -> dict:
    """A load concentrator well inside of the sensing area."""
    return {
        "kind": "load concentrator", "concentrator_radius": "4 mm", "sensing_radius": "5 mm",
        "placement": "0.2 mm", "tilt_unevenness": "8 1/rad", **changes,
    }  # fmt: skip


def rebuilt(**changes: str) -> np.ndarray:
    """Errors, share of the load, of a sub-assembly that is calibrated in a fixture and then built in."""
    case = pad_case(
        {**TWO_POINT, "stage": "sub-assembly"},
        interface=puck(**changes),
        sensor={"exponent": 0.8},
        study={"units": 1000},
    )
    return only(case)[:, 0, 0, 0, :] / loads_of(case)


def test_an_unsuitable_load_concentrator_costs_repeatability() -> None:
    """Large tilt, or a placement beyond the clearance, makes each rebuild read differently: the scatter over
    mountings grows several times."""
    good = rebuilt()
    assert np.abs(good).max() < 1e-9
    beyond = rebuilt(placement="1 mm")
    tilted = rebuilt(placement="0.2 mm", tilt="8 deg")
    assert beyond[:, -1].std() > 0.02
    assert tilted[:, -1].std() > 0.01
    assert tilted[:, -1].mean() < -0.01


def test_an_unsuitable_load_concentrator_costs_linearity() -> None:
    """A housing stop that takes part of the load, and a preload, bend the curve: linearity by the
    terminal line grows."""
    load = np.linspace(2.0, 60.0, 30)

    def of(interface: dict) -> float:
        return linearity(load, response(pad_case(NONE, interface=interface), load), "terminal-based")

    good = of(puck())
    stopped = of(puck(stop_force="40 N", stop_share="30 %"))
    assert good < 1e-9
    assert stopped > 0.1


def response(case: Case, load: np.ndarray) -> np.ndarray:
    """Output voltage of the design at some loads."""
    e = nominal_elements(case)
    chain = Chain(e["interface"], e["sensor"], e["circuit"], e["converter"])
    return np.asarray(chain.respond(load, Setting(peak=60.0)).voltage)


DIVIDER = {"kind": "voltage divider", "reference": "1.2 V", "resistor": "150 kohm"}


def test_a_divider_is_far_less_linear_than_an_amplifier() -> None:
    """With the same sensor the voltage of a divider is far less linear in load than that of an inverting
    amplifier; the divider's has the closed form (sqrt(a + 1) - sqrt(a))^2 with a the ratio of the
    fixed to the largest conductance."""
    load = np.linspace(0.0, 60.0, 2001)
    amplifier = linearity(load, response(pad_case(NONE), load), "terminal-based")
    divider = linearity(load, response(pad_case(NONE, circuit=DIVIDER), load), "terminal-based")
    a = (1 / 150e3) / 12e-6
    assert divider == pytest.approx((np.sqrt(a + 1) - np.sqrt(a)) ** 2, rel=1e-4)
    assert divider > 0.2
    assert amplifier < 1e-9


def test_two_points_in_the_voltage_of_a_divider_leave_its_curve() -> None:
    """A straight line in the voltage of a divider does not contain its curve, one in conductance does:
    the same two loads leave a large error in the one and none in the other."""
    case = pad_case(
        {**TWO_POINT, "name": "voltage", "space": "signal"},
        {**TWO_POINT, "name": "conductance", "space": "output"},
        sensor={"sensitivity": "4 uS +/- 10 %"},
        circuit=DIVIDER,
    )
    found = errors_of(case)
    assert np.abs(found["voltage"]).min(axis=0).max() > 5.0
    assert np.abs(found["conductance"]).max() < 1e-9
    amplifier = only(pad_case({**TWO_POINT, "space": "signal"}, sensor={"sensitivity": "4 uS +/- 10 %"}))
    assert np.abs(amplifier).max() < 1e-9


def test_more_reference_gives_finer_resolution_until_saturation() -> None:
    """With a converter of its own reference a higher drive makes one count stand for less load, in inverse
    proportion, until the output saturates and high loads are lost."""

    def at(reference: float) -> pd.DataFrame:
        case = pad_case(
            NONE,
            circuit={"reference": f"{reference} V"},
            converter={"bits": 12, "reference": "absolute", "full_scale": "2 V"},
            study={"units": 20},
        )
        return evaluate(case, workers=1, with_budget=False).options[0].saturation

    resolution = {v: at(v)["resolution_N"].to_numpy() for v in (0.6, 1.2, 2.4)}
    assert resolution[0.6] == pytest.approx(60 / (0.72 * 0.6 / 2 * 4096))
    assert resolution[1.2] == pytest.approx(resolution[0.6] / 2)
    assert resolution[2.4] == pytest.approx(resolution[0.6] / 4)
    lost = at(4.0)
    assert lost["resolution_N"].iloc[0] == pytest.approx(resolution[0.6][0] * 0.6 / 4)
    assert lost["saturated"].iloc[-1] == 1.0
    assert lost["saturated"].iloc[0] == 0.0


def test_tare_removes_an_offset_and_no_gain() -> None:
    """A tare of the sensor's output removes a zero that is the same at every load, and leaves the gain. A
    tare of the load estimate cannot see a zero below the designed one, where the design curve reads no
    load."""
    tares = ({"kind": "tare", "space": "force"}, {"kind": "tare", "name": "output"})
    case = pad_case(NONE, *tares, sensor={"offset_conductance": "0.3 uS +/- 0.2 uS"})
    found = errors_of(case)
    assert np.abs(found["output"]).max() < 1e-9
    above = use_draws(case, "sensor.offset_conductance").ravel() > 0
    assert np.abs(found["tare"][above]).max() < 1e-9
    assert np.array_equal(found["tare"][~above], found["none"][~above])
    gain = errors_of(pad_case(NONE, *tares, sensor={"sensitivity": "4 uS +/- 10 %"}))
    assert np.array_equal(gain["tare"], gain["none"])
    assert gain["output"] == pytest.approx(gain["none"], abs=1e-9)
