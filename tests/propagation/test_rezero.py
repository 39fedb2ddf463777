"""A new zero before each use: what it removes, what it adds, and what it costs.

Each law is derived in its test from the equations of the chain alone: removing an unloaded reading takes out all that
adds to the sensor's output, and adds that reading's own noise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pad_study import ONE_POINT, TWO_POINT, errors_of, loads_of, option_named, pad_case

from margin.calibration.cost import seconds_per_unit
from margin.calibration.station import Station
from margin.case import Case
from margin.case.faults import CaseError
from margin.estimates.worst_case.corners import Corners
from margin.propagation.model import model_of

BRIDGE: dict[str, Any] = {
    "sensor": {"kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V"},
    "circuit": {
        "kind": "bridge amplifier", "reference": "3 V", "internal_resistor": "80 kohm", "gain_resistor": "220 ohm",
        "pedestal_ratio": 0.15,
    },
}  # fmt: skip
"""A bridge without errors: 60 N give 2 mV/V."""

DRIFTING = {
    **BRIDGE["sensor"],
    "zero": "0 +/- 0.1 mV/V per unit",
    "zero_temperature_coefficient": "0 +/- 0.01 mV/V/K per unit",
}
WARM = {"temperature": "5 degC to 45 degC", "conditions": 3, "loadings": 2}

PLAIN = {"kind": "none", "name": "plain"}
SPACES = [
    {"kind": "none", "name": "none", "rezero": True},
    {**ONE_POINT, "name": "force", "rezero": True},
    {**TWO_POINT, "name": "signal", "space": "signal", "rezero": True},
    {**TWO_POINT, "name": "output", "space": "output", "rezero": True},
    {**TWO_POINT, "name": "logarithm", "space": "logarithm", "rezero": True},
    {**TWO_POINT, "name": "bare", "stage": "bare sensor", "rezero": True},
    {"kind": "classes", "name": "classes", "classes": 2, "rezero": True},
    {"kind": "lot-curve", "name": "lot", "sample_units": 3, "loads": ["6 N", "54 N"], "rezero": True},
]


def bridge(*options: dict[str, Any], **tables: Any) -> Case:
    """The bridge with changes."""
    return pad_case(*options, **{**BRIDGE, **tables})


def test_a_drifting_zero_is_removed_whatever_the_option() -> None:
    """Zero and its drift with temperature add to the output: none of them is left, in any space and at any stage."""
    case = bridge(
        PLAIN, *SPACES, sensor=DRIFTING, circuit={**BRIDGE["circuit"], "offset": "0 uV +/- 50 uV"}, use=WARM,
        study={"units": 60, "units_per_lot": 20},
    )  # fmt: skip
    errors = errors_of(case)
    assert np.abs(errors.pop("plain")).max() > 3.0
    for name, found in errors.items():
        assert np.abs(found).max() < 1e-6, name


def test_what_the_placement_adds_is_not_removed() -> None:
    """The zero is taken before the load is placed: the scatter of that placement stays, as without a new zero."""
    sensor = {**BRIDGE["sensor"], "reload_scatter": "0.5 %"}
    errors = errors_of(bridge(PLAIN, {**PLAIN, "name": "zeroed", "rezero": True}, sensor=sensor))
    assert np.std(errors["plain"]) == pytest.approx(0.3, rel=0.1)
    assert errors["zeroed"] == pytest.approx(errors["plain"], abs=1e-9)


def test_what_earlier_loads_left_is_removed() -> None:
    """The residue of loads before is there before the placement and under it: a zero return leaves no error."""
    case = pad_case(PLAIN, *SPACES, sensor={"zero_return": "5 %"}, use={"loadings": 4}, study={"units": 50})
    errors = errors_of(case)
    assert np.abs(errors.pop("plain")).max() > 1.0
    # the pad is bent: straight lines through two of its signals, or outputs, are no measure of this
    for name in ("none", "force", "logarithm", "bare", "classes", "lot"):
        assert np.abs(errors[name]).max() < 1e-9, name


def test_the_noise_of_the_unloaded_reading_is_added() -> None:
    """Two independent readings of one noise: its variance is doubled, at every load alike."""
    noisy = {**BRIDGE["circuit"], "voltage_noise": "100 nV/Hz**0.5", "noise_bandwidth": "1 kHz"}
    case = bridge(PLAIN, SPACES[0], circuit=noisy, use={"readings": 4}, study={"units": 4000})
    errors = errors_of(case)
    ratio = errors["none"].var(axis=(0, 1, 2, 3)) / errors["plain"].var(axis=(0, 1, 2, 3))
    # 4000 unloaded readings: a relative standard deviation of the variance of sqrt(2 / 4000) = 2.2 %
    assert ratio == pytest.approx(2.0, rel=0.1)


def test_the_unloaded_reading_is_shared_by_the_samples_of_a_placement() -> None:
    """Samples under one load are held against one zero: half of the variance is common to them."""
    noisy = {**BRIDGE["circuit"], "voltage_noise": "100 nV/Hz**0.5", "noise_bandwidth": "1 kHz"}
    case = bridge(SPACES[0], circuit=noisy, use={"readings": 2}, study={"units": 4000})
    first, second = np.moveaxis(errors_of(case)["none"][:, 0, 0, :, 0], 1, 0)
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(0.5, abs=0.05)


def test_a_gain_error_is_left() -> None:
    """A new zero removes no error of the span: what is reported is out by the gain's share."""
    sensor = {**BRIDGE["sensor"], "rated_output": "2 mV/V +/- 1 %"}
    case = bridge(PLAIN, SPACES[0], sensor=sensor, study={"units": 40})
    errors = errors_of(case)
    assert errors["none"] == pytest.approx(errors["plain"], abs=1e-9)
    assert np.abs(errors["none"] / loads_of(case)).max() > 0.009


def test_a_temperature_correction_holds_beside_it() -> None:
    """With the zero as designed at the measured temperature, a known drift of zero and span leaves no error."""
    sensor = {
        **BRIDGE["sensor"], "zero_temperature_coefficient": "0.005 mV/V/K",
        "span_temperature_coefficient": "0.1 %/K",
    }  # fmt: skip
    corrected = {**SPACES[0], "temperature_correction": True}
    case = bridge(PLAIN, corrected, sensor=sensor, use=WARM, study={"units": 20})
    errors = errors_of(case)
    assert np.abs(errors["plain"]).max() > 1.0
    assert np.abs(errors["none"]).max() < 1e-6


def test_a_placement_at_the_station_takes_the_samples_of_its_zero_too() -> None:
    """Three placements of each of two loads, five samples each: thirty samples more; none without a calibration."""
    options = {"reloads": 3, "samples": 5}
    case = pad_case({**TWO_POINT, **options}, {**SPACES[4], **options}, SPACES[0])
    station = Station(seconds_per_sample=0.2)
    plain, rezeroed, none = (seconds_per_unit(option, station, 100) for option in case.calibrations)
    assert rezeroed - plain == pytest.approx(30 * 0.2)
    assert none == 0.0


@pytest.mark.parametrize("key", [{"tare": True}, {"kind": "tare", "loads": None}])
def test_a_tare_beside_it_is_refused(key: dict[str, Any]) -> None:
    """A tare at the station would have no effect: the message says so, and what to write."""
    option = {name: value for name, value in {**SPACES[1], **key}.items() if value is not None}
    with pytest.raises(CaseError, match="a tare removes nothing where each use begins with a new zero"):
        pad_case(option)


def test_a_worst_case_has_the_unloaded_reading() -> None:
    """Noise and reload scatter of the unloaded reading are variables of their own; what earlier loads left is not."""
    sensor = {"reload_scatter": "1 %", "zero_return": "1 %"}
    case = pad_case(SPACES[0], sensor=sensor, converter={"bits": 12, "noise": 0.7})
    variables = Corners.of(model_of(case), option_named(case, "none")).variables
    own = {"converter.noise (each reading)", "sensor.reload_scatter (each loading)"}
    assert {v.factor.name for v in variables if v.event == "use, unloaded"} == own
    calibrated = pad_case({**ONE_POINT, "rezero": True}, sensor=sensor, converter={"bits": 12, "noise": 0.7})
    variables = Corners.of(model_of(calibrated), calibrated.calibrations[0]).variables
    assert {v.factor.name for v in variables if v.event == "calibration at 30 N, unloaded"} == own
