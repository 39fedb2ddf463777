"""Interface: geometry against numerical integration, laws of tilt, clearance, stop and share."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.chain import ConcentratorInterface, DirectInterface, Setting
from margin.chain.interface.geometry import captured_fraction, lens_area, tilt_unevenness

SETTING = Setting()


def overlap_by_integration(r1: float, r2: float, d: float) -> float:
    """Common height of two circles summed over thin vertical strips."""
    x = np.linspace(-r1, r1, 200_001)
    x = 0.5 * (x[1:] + x[:-1])
    first = np.sqrt(np.maximum(r1**2 - x**2, 0.0))
    second = np.sqrt(np.maximum(r2**2 - (x - d) ** 2, 0.0))
    return float(np.sum(2.0 * np.minimum(first, second)) * (2.0 * r1 / x.size))


@pytest.mark.parametrize(
    ("r1", "r2", "d"), [(4.0, 5.0, 0.5), (4.0, 5.0, 2.0), (4.0, 5.0, 8.9), (5.0, 5.0, 3.0), (5.0, 2.0, 4.0)]
)
def test_lens_area_agrees_with_numerical_integration(r1: float, r2: float, d: float) -> None:
    """The closed form of the overlap equals a sum over strips."""
    assert lens_area(r1, r2, d) == pytest.approx(overlap_by_integration(r1, r2, d), rel=1e-5)


def test_lens_area_at_its_limits() -> None:
    """Coincident circles overlap wholly, distant ones not at all, a contained one with its own area."""
    assert lens_area(2.0, 2.0, 0.0) == pytest.approx(4.0 * np.pi, rel=1e-9)
    assert lens_area(2.0, 3.0, 5.0) == pytest.approx(0.0, abs=1e-12)
    assert lens_area(2.0, 3.0, 50.0) == pytest.approx(0.0, abs=1e-12)
    assert lens_area(2.0, 3.0, 0.4) == pytest.approx(4.0 * np.pi, rel=1e-9)


def test_overlap_of_unit_circles_at_unit_distance() -> None:
    """Two unit circles one radius apart share 2 pi/3 - sqrt(3)/2 (textbook vesica piscis)."""
    assert lens_area(1.0, 1.0, 1.0) == pytest.approx(2.0 * np.pi / 3.0 - np.sqrt(3.0) / 2.0, rel=1e-12)


@given(st.floats(1e-3, 5e-3), st.floats(1e-3, 5e-3), st.floats(0.0, 0.999))
@settings(max_examples=50)
def test_placement_inside_the_clearance_loses_nothing(radius: float, clearance: float, share: float) -> None:
    """An offset smaller than sensing radius less concentrator radius leaves the whole load on the sensor."""
    assert captured_fraction(radius, radius + clearance, share * clearance) == pytest.approx(1.0, rel=1e-9)


def test_capture_falls_with_the_offset_beyond_the_clearance() -> None:
    """The captured share falls all the way to 0 once the edge of the sensing area is reached."""
    offset = np.linspace(1.0, 9.0, 50)
    captured = captured_fraction(4.0, 5.0, offset)
    assert np.all(np.diff(captured) < 0.0)
    assert captured[-1] == pytest.approx(0.0, abs=1e-9)


@given(st.floats(-4.0, 4.0), st.floats(-4.0, 4.0), st.floats(0.0, 0.2))
@settings(max_examples=50)
def test_tilt_only_ever_reduces(tilt_x: float, tilt_y: float, tilt: float) -> None:
    """The axial component of a tilted load is never above the load: a one-sided effect."""
    contact = ConcentratorInterface(tilt=tilt, tilt_x=tilt_x, tilt_y=tilt_y).transmit(10.0, SETTING)
    assert contact.force <= 10.0


def test_tilt_of_three_and_ten_degrees() -> None:
    """3 degrees cost 0.137 %, 10 degrees 1.519 % (1 - cos of the angle)."""
    for degrees, lost in ((3.0, 0.00137), (10.0, 0.01519)):
        interface = ConcentratorInterface(tilt=np.radians(degrees), tilt_x=1.0)
        assert 1.0 - interface.transmit(1.0, SETTING).force == pytest.approx(lost, abs=5e-6)


def test_unevenness_of_a_linear_pressure_on_a_disc() -> None:
    """kappa^2 / 4 is the variance of p0 (1 + kappa x / r) over a disc, relative to its mean squared."""
    radius = np.sqrt((np.arange(2000) + 0.5) / 2000)
    angle = 2.0 * np.pi * np.arange(64) / 64
    pressure = 1.0 + 0.6 * radius[:, None] * np.cos(angle)
    expected = pressure.var() / pressure.mean() ** 2
    assert tilt_unevenness(0.1, 6.0) == pytest.approx(expected, rel=1e-3)


def test_share_of_parallel_stiffness() -> None:
    """Two springs in parallel share the load by stiffness; 10 % of stiffness costs (1 - s) of it."""
    stiff = ConcentratorInterface(sensor_stiffness=98.0, parallel_stiffness=2.0)
    softer = ConcentratorInterface(sensor_stiffness=98.0, parallel_stiffness=2.2)
    assert stiff.transmit(10.0, SETTING).force == pytest.approx(9.8)
    change = softer.transmit(10.0, SETTING).force / stiff.transmit(10.0, SETTING).force - 1.0
    assert change == pytest.approx(-0.02 * 0.1, rel=0.01)


def test_stop_passes_a_share_of_the_excess() -> None:
    """Above the stop only the stated share of the excess reaches the sensor."""
    interface = ConcentratorInterface(stop_force=8.0, stop_share=0.25)
    assert interface.transmit(np.array([4.0, 8.0, 12.0]), SETTING).force == pytest.approx([4.0, 8.0, 9.0])


def test_preload_drifts_with_temperature_and_ages() -> None:
    """Preload adds to the load, moves with temperature and is lost by the decade of hours."""
    interface = ConcentratorInterface(preload=2.0, preload_tempco=0.01, preload_ageing=0.05)
    assert interface.transmit(0.0, Setting(temperature=35.0)).force == pytest.approx(2.1)
    assert interface.transmit(0.0, Setting(age=99.0)).force == pytest.approx(2.0 * (1.0 - 0.1))


def test_a_preload_is_lost_no_further_than_to_nothing() -> None:
    """A quarter a decade leaves half a preload of 3 N after two decades, and none from four decades on, not less."""
    interface = ConcentratorInterface(preload=3.0, preload_ageing=0.25)
    force = interface.transmit(0.0, Setting(age=np.array([99.0, 9999.0, 99_999.0]))).force
    assert force == pytest.approx([1.5, 0.0, 0.0], abs=1e-12)


def test_area_is_related_to_the_design() -> None:
    """A concentrator 5 % larger in radius than designed loads 10.25 % more area."""
    interface = ConcentratorInterface(concentrator_radius=4.2e-3, sensing_radius=6e-3, design_radius=4e-3)
    assert interface.transmit(1.0, SETTING).area == pytest.approx(1.05**2)
    assert interface.transmit(1.0, SETTING).force == pytest.approx(1.0)


@given(
    st.floats(0.0, 40.0), st.floats(1.0, 30.0), st.floats(0.05, 1.0), st.floats(0.0, 2.0),
    st.floats(0.0, 500.0),
)  # fmt: skip
@settings(max_examples=60)
def test_load_from_inverts_transmit(
    load: float, stop: float, stop_share: float, preload: float, beside: float
) -> None:
    """The nominal inverse returns the load, stop and preload included."""
    interface = ConcentratorInterface(
        sensor_stiffness=1000.0, parallel_stiffness=beside, stop_force=stop, stop_share=stop_share,
        preload=preload, concentrator_radius=4e-3, sensing_radius=3.5e-3, contact_gain=1.04,
    )  # fmt: skip
    force = interface.transmit(load, SETTING).force
    assert interface.load_from(force) == pytest.approx(load, rel=1e-9, abs=1e-9)


def test_direct_interface_passes_the_load() -> None:
    """The ideal interface changes nothing."""
    load = np.array([0.0, 3.0])
    contact = DirectInterface().transmit(load, SETTING)
    assert contact.force is load
    assert DirectInterface().load_from(load) is load
