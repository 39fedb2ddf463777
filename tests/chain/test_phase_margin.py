"""Phase margin, settling to half a code, and the divider of most swing, against independent computations."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import lti, step

from margin.chain import (
    CHECKS,
    Chain,
    Converter,
    DirectInterface,
    Divider,
    InvertingAmplifier,
    NonInvertingAmplifier,
    Setting,
    ThinFilm,
)
from margin.chain.circuits.divider import most_swing
from margin.chain.circuits.parts import phase_margin

SETTING = Setting(peak=20.0)


def loop_gain(f: float, g: float, rf: float, cf: float, ci: float, gbw: float) -> complex:
    """Loop gain by Kirchhoff's laws: the divider of feedback and input impedance behind an integrator."""
    s = 2j * math.pi * f
    feedback = 1.0 / (1.0 / rf + s * cf)
    to_ground = 1.0 / (g + s * ci)
    return gbw / (1j * f) * to_ground / (to_ground + feedback)


@given(
    st.floats(1e-7, 1e-3),
    st.floats(1e3, 1e6),
    st.floats(1e-13, 1e-8),
    st.floats(1e-12, 1e-8),
    st.floats(1e5, 1e7),
)
def test_phase_margin_is_that_of_the_loop_gain(g: float, rf: float, cf: float, ci: float, gbw: float) -> None:
    """The margin is 180 degrees and the phase of the loop gain where its magnitude, found by bisection, is 1."""

    def beyond(log_f: float) -> float:
        return math.log(abs(loop_gain(math.exp(log_f), g, rf, cf, ci, gbw)))

    crossing = math.exp(brentq(beyond, math.log(1e-6), math.log(1e12), xtol=1e-13))
    expected = 180.0 + math.degrees(cmath.phase(loop_gain(crossing, g, rf, cf, ci, gbw)))
    found = float(phase_margin(1.0 + rf * g, rf, cf, ci, gbw))
    assert found == pytest.approx(expected, abs=1e-5)


def test_capacitor_at_the_crossing_of_the_asymptotes_gives_the_golden_ratio() -> None:
    """With Cf = sqrt(Ci / (2 pi Rf GBW)), no sensor conductance and Cf far below Ci, (fc / fp)^2 is (1 + sqrt 5) / 2:
    51.8 degrees (derived on paper)."""
    rf, ci, gbw = 1e6, 1e-9, 1e7
    cf = math.sqrt(ci / (2.0 * math.pi * rf * gbw))
    golden = math.degrees(math.atan(math.sqrt(0.5 * (1.0 + math.sqrt(5.0)))))
    assert float(phase_margin(1.0, rf, cf, ci, gbw)) == pytest.approx(golden, abs=0.2)
    assert golden == pytest.approx(51.83, abs=0.005)


@pytest.mark.parametrize("cls", [InvertingAmplifier, NonInvertingAmplifier])
@pytest.mark.parametrize(("cf", "stable"), [(0.0, False), (47e-12, True)])
def test_check_is_kept_with_a_capacitor_across_the_feedback(cls: type, cf: float, stable: bool) -> None:
    """A pad with 1 nF at the input rings without a capacitor and not with one, as its step response shows."""
    circuit = cls(reference=1.0, feedback=100e3, capacitor=cf, gain_bandwidth=1e6, input_capacitance=1e-9)
    chain = Chain(
        DirectInterface(), ThinFilm(sensitivity=2e-6, reference_load=5.0), circuit, Converter(bits=12)
    )
    loads = np.array([1.0, 20.0])
    response = chain.respond(loads, SETTING)
    check = next(c for c in CHECKS if c.name == "phase margin")
    margin, limit = check.measure(chain, response, loads), check.limit(chain, response)
    assert margin is not None and limit is not None
    assert bool(np.all(margin > limit)) == stable
    # closed loop A beta / (1 + A beta) at 1 N with A = GBW / j f, overshoot of a step
    g = float(np.atleast_1d(response.output)[0])
    w, n, turn = 2.0 * math.pi * 1e6, 1.0 + 1e5 * g, 1e5
    top = [w * turn * cf, w] if cf else [w]
    closed = lti(top, [turn * (1e-9 + cf), n + w * turn * cf, w])
    _, volts = step(closed, N=4000)
    overshoot = float(np.max(volts)) - 1.0
    assert (overshoot < 0.35) == stable


def test_nothing_is_said_of_a_capacitance_that_is_not_stated() -> None:
    """Without an input capacitance, or a gain-bandwidth product, or an amplifier, there is no phase margin to check."""
    check = next(c for c in CHECKS if c.name == "phase margin")
    for circuit in (
        InvertingAmplifier(reference=1.0, feedback=1e5, gain_bandwidth=1e6),
        InvertingAmplifier(reference=1.0, feedback=1e5, input_capacitance=1e-9),
        Divider(reference=1.0, resistor=1e5),
    ):
        chain = Chain(
            DirectInterface(), ThinFilm(sensitivity=2e-6, reference_load=5.0), circuit, Converter(bits=12)
        )
        assert check.measure(chain, chain.respond(np.array([5.0]), SETTING), np.array([5.0])) is None


@pytest.mark.parametrize(("bits", "constants"), [(12, 9.01), (16, 11.78)])
def test_settling_to_half_a_code(bits: int, constants: float) -> None:
    """A step of full scale is within half a code after 9.01 time constants at 12 bit and 11.78 at 16 bit."""
    found = Converter(bits=bits).settling_constants
    assert found == pytest.approx(constants, abs=0.005)
    assert math.exp(-found) * 2.0**bits == pytest.approx(0.5, rel=1e-12)


@given(st.floats(1e-7, 1e-4), st.floats(1.5, 1e4))
def test_divider_of_most_swing_is_found_by_search(low: float, ratio: float) -> None:
    """No resistor swings more than the geometric mean of the sensor's range, found by a search on the circuit."""
    resistor, swing = most_swing(low, low * ratio)

    def missing(log_r: float) -> float:
        circuit = Divider(reference=1.0, resistor=math.exp(log_r))
        ends = circuit.static_voltage(np.array([low, low * ratio]), SETTING)
        return float(ends[0] - ends[1])

    found = minimize_scalar(
        missing, bounds=(math.log(resistor) - 5.0, math.log(resistor) + 5.0), method="bounded",
        options={"xatol": 1e-9},
    )  # fmt: skip
    assert -found.fun == pytest.approx(swing, rel=1e-9)
    assert math.exp(found.x) == pytest.approx(resistor, rel=1e-3)


def test_swing_over_a_hundredfold_range() -> None:
    """Over a range of 1 to 100 the best divider swings over 0.818 of its reference: 9 / 11."""
    assert most_swing(1e-6, 1e-4) == pytest.approx((1e5, 9.0 / 11.0), rel=1e-12)
