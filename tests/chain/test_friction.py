"""Friction and shear in the load path: a sliding fit step by step, its inverse, and what a case shows of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pad_study import NONE, factor_of, only, pad_case, use_draws

from margin.chain import (
    Chain,
    ConcentratorInterface,
    Converter,
    Firmware,
    InvertingAmplifier,
    Setting,
    ThinFilm,
)
from margin.chain.memory import Memory

PEAK = 60.0


def slid(share: float, constant: float, turns: list[float], each: int = 4000) -> NDArray[np.float64]:
    """Force at each turn of a load that goes from 0 to one turn after the other, in small increments.

    The fit moves only as far as it must for the difference of load and force to stay within the friction.
    """
    force, load, found = 0.0, 0.0, []
    for turn in turns:
        for now in np.linspace(load, turn, each):
            friction = share * now + constant
            if now - force > friction:
                force = now - friction
            if force - now > friction:
                force = now + friction
        load = turn
        found.append(force)
    return np.asarray(found)


@pytest.mark.parametrize(("share", "constant"), [(0.05, 0.0), (0.0, 1.5), (0.08, 0.7)])
@pytest.mark.parametrize("load", [0.0, 0.9, 10.0, 40.0, 55.0, 60.0])
def test_branches_are_those_of_a_sliding_fit(share: float, constant: float, load: float) -> None:
    """Up from no load, and down from the peak: the force of small increments."""
    interface = ConcentratorInterface(friction=share, friction_force=constant)
    up = interface.transmit(load, Setting(peak=PEAK)).force
    assert up == pytest.approx(slid(share, constant, [load])[0], abs=1e-9)
    down = interface.transmit(load, Setting(peak=PEAK, descending=1.0)).force
    assert down == pytest.approx(slid(share, constant, [PEAK, load])[1], abs=1e-9)
    midway = interface.transmit(load, Setting(peak=PEAK, descending=0.5)).force
    assert midway == pytest.approx(0.5 * (up + down), abs=1e-9)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=8))
@settings(max_examples=25, deadline=None)
def test_a_load_history_is_followed_step_by_step(turns: list[int]) -> None:
    """Along steps of load the force is that of small increments, whatever their order."""
    loads = np.asarray(turns, dtype=float)
    memory = Memory(loads, np.ones(loads.size), PEAK, 5.0)
    interface = ConcentratorInterface(friction=np.array([0.05, 0.1]).reshape(2, 1), friction_force=0.4)
    found = interface.transmit(loads.reshape(1, -1), Setting(peak=PEAK, memory=memory)).force
    for row, share in zip(np.asarray(found), (0.05, 0.1), strict=True):
        assert row == pytest.approx(slid(share, 0.4, loads.tolist(), each=300), abs=1e-9)


@given(
    st.floats(0.0, 0.3), st.floats(0.0, 2.0), st.sampled_from([0.0, 0.3, 0.5, 1.0]), st.floats(0.1, 1.0)
)  # fmt: skip
@settings(max_examples=200)
def test_the_inverse_returns_the_load(share: float, constant: float, fallen: float, part: float) -> None:
    """`load_on_branch` is the inverse of `transmit` wherever the force moves with the load."""
    interface = ConcentratorInterface(
        friction=share, friction_force=constant, sensor_stiffness=1e6, parallel_stiffness=1e5, preload=0.3
    )
    setting = Setting(peak=PEAK, descending=fallen)
    top = (PEAK * (1.0 - share) - 2.0 * constant) / (1.0 + share)
    load = part * top if fallen == 1.0 else part * PEAK
    if fallen == 0.0 and load * (1.0 - share) <= constant:
        load = constant / (1.0 - share) + part
    force = interface.transmit(load, setting).force
    assert interface.load_on_branch(force, setting) == pytest.approx(load, rel=1e-9, abs=1e-9)
    if fallen == 0.0:
        assert interface.load_from(force) == pytest.approx(load, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("fallen", [0.0, 0.5, 1.0])
def test_firmware_takes_nominal_friction_out(fallen: float) -> None:
    """The design curve of the branch gives the load; that of the other branch is off by twice the friction."""
    chain = Chain(
        ConcentratorInterface(friction=0.04, friction_force=0.2, tilt=0.01, tilt_x=1.0),
        ThinFilm(sensitivity=4e-6, reference_load=20.0, hysteresis=0.03),
        InvertingAmplifier(reference=1.2, feedback=60e3),
        Converter(bits=0),
    )
    loads = np.array([2.0, 10.0, 30.0, 50.0])
    setting = Setting(peak=PEAK, descending=fallen)
    codes = chain.respond(loads, setting).code
    assert Firmware(chain).force_of(codes, setting) == pytest.approx(loads, rel=1e-6)
    if fallen == 1.0:
        by_the_rise = Firmware(chain).force_of(codes, Setting(peak=PEAK))
        assert np.all(by_the_rise / loads > 1.04 / 0.96)


PUCK = {"kind": "load concentrator"}


@pytest.mark.parametrize("direction", ["up", "down"])
def test_an_error_of_use_lags_by_the_friction(direction: str) -> None:
    """With the design curve of the rise at 3 %: (1 -+ drawn friction) / (1 - 3 %), up and, below the peak, down."""
    case = pad_case(
        NONE,
        load={"check": ["5 N", "30 N", "50 N"]},
        interface={**PUCK, "friction": "3 % +/- 1 % per common"},
        use={"direction": direction, "peak": "60 N"},
        study={"units": 10},
    )
    share = 0.03 + use_draws(case, "interface.friction")
    expected = (1.0 - share if direction == "up" else 1.0 + share) / 0.97 - 1.0
    found = only(case) / np.asarray(case.check_loads)
    assert found == pytest.approx(np.broadcast_to(expected, found.shape), abs=1e-9)
    assert np.all(found * (-1.0 if direction == "up" else 1.0) > -0.011)


def test_shear_is_drawn_for_each_placement() -> None:
    """The relative error of a reading is 2 % times the normal draw of its placement."""
    use = {"loadings": 3, "readings": 2}
    case = pad_case(NONE, interface={**PUCK, "shear_error": "2 %"}, use=use, study={"units": 400})
    draws = use_draws(case, "interface.shear_error")
    assert factor_of(case, "interface.shear_error").level == "loading"
    found = only(case) / np.asarray(case.check_loads)
    assert found == pytest.approx(np.broadcast_to(0.02 * draws, found.shape), abs=1e-9)
    assert float(np.std(found)) == pytest.approx(0.02, rel=0.05)
