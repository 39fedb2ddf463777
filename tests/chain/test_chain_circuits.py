"""Circuits: closed forms against an independent nodal analysis, textbook numbers, noise, filters."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.chain import (
    BridgeAmplifier,
    ConstantCurrent,
    Divider,
    InvertingAmplifier,
    NonInvertingAmplifier,
    Setting,
)
from margin.chain.circuits.parts import (
    johnson_density,
    johnson_noise,
    noise_bandwidth,
    one_pole,
)

SETTING = Setting()
CELSIUS_OF_300_K = 300.0 - 273.15
G = np.array([0.0, 1e-6, 2e-5, 1e-4, 5e-4])


class Network:
    """Linear network by modified nodal analysis: one unknown a node and a voltage source."""

    def __init__(self, nodes: int, sources: int) -> None:
        size = nodes + sources
        self.matrix, self.right, self.nodes = np.zeros((size, size)), np.zeros(size), nodes
        self._next = nodes

    def conductance(self, a: int, b: int, g: float) -> None:
        """Conductance between nodes, -1 for ground."""
        for i, j in ((a, b), (b, a)):
            if i >= 0:
                self.matrix[i, i] += g
                if j >= 0:
                    self.matrix[i, j] -= g

    def inject(self, node: int, current: float) -> None:
        """Current into a node."""
        self.right[node] += current

    def source(self, node: int, volts: float, controlled: dict[int, float] | None = None) -> None:
        """Voltage of a node: volts + sum of factor * controlling node voltage."""
        row = self._next
        self._next += 1
        self.matrix[node, row] = 1.0
        self.matrix[row, node] = 1.0
        for other, factor in (controlled or {}).items():
            self.matrix[row, other] -= factor
        self.right[row] = volts

    def solve(self) -> Any:
        """Node voltages, V."""
        return np.linalg.solve(self.matrix, self.right)[: self.nodes]


VR, R, RO, VOS, IB, GL, A = 3.3, 22e3, 150.0, 2e-3, 3e-8, 2e-8, 2e3
COMMON: dict[str, float] = {
    "reference": VR, "offset": VOS, "bias_current": IB, "leakage": GL, "open_loop_gain": A,
    "source_resistance": RO,
}  # fmt: skip


def follower(net: Network, node: int, out: int) -> None:
    """Output = A (V + Vos - output)."""
    net.source(out, A * VOS / (1.0 + A), {node: A / (1.0 + A)})


def divider_high(g: float) -> tuple[float, float]:
    """Nodes: 0 drive, 1 behind the source resistance, 2 middle, 3 output."""
    net = Network(4, 2)
    net.source(0, VR)
    net.conductance(0, 1, 1.0 / RO)
    net.conductance(1, 2, g + GL)
    net.conductance(2, -1, 1.0 / R)
    net.inject(2, -IB)
    follower(net, 2, 3)
    v = net.solve()
    return v[3], v[1] - v[2]


def divider_low(g: float) -> tuple[float, float]:
    """The same with sensor and resistor exchanged."""
    net = Network(4, 2)
    net.source(0, VR)
    net.conductance(0, 1, 1.0 / RO)
    net.conductance(1, 2, 1.0 / R)
    net.conductance(2, -1, g + GL)
    net.inject(2, -IB)
    follower(net, 2, 3)
    v = net.solve()
    return v[3], v[2]


def inverting(g: float) -> tuple[float, float]:
    """Nodes: 0 drive at Vb - D, 1 behind source resistance, 2 summing, 3 output; Vb at the other input."""
    vb, d = 0.25 * VR, 0.2 * VR
    net = Network(4, 2)
    net.source(0, vb - d)
    net.conductance(0, 1, 1.0 / RO)
    net.conductance(1, 2, g + GL)
    net.conductance(2, 3, 1.0 / R)
    net.inject(2, -IB)
    net.source(3, A * (vb + VOS), {2: -A})
    v = net.solve()
    return v[3], v[2] - v[1]


def non_inverting(g: float) -> tuple[float, float]:
    """Nodes: 0 drive, 1 other input behind source resistance, 2 inverting input, 3 output."""
    net = Network(4, 2)
    net.source(0, 0.1 * VR)
    net.conductance(0, 1, 1.0 / RO)
    net.inject(1, -IB)
    net.conductance(2, -1, g + GL)
    net.conductance(2, 3, 1.0 / R)
    net.inject(2, -IB)
    net.source(3, A * VOS, {1: A, 2: -A})
    v = net.solve()
    return v[3], v[2]


def constant_current(g: float) -> tuple[float, float]:
    """Nodes: 0 sensor, 1 output."""
    net = Network(2, 1)
    net.conductance(0, -1, g + GL)
    net.inject(0, VR / R - IB)
    follower(net, 0, 1)
    v = net.solve()
    return v[1], v[0]


CASES: list[tuple[Any, Callable[[float], tuple[float, float]]]] = [
    (Divider(resistor=R, **COMMON), divider_high),
    (Divider(resistor=R, position="sensor to ground", **COMMON), divider_low),
    (InvertingAmplifier(feedback=R, drive_ratio=0.2, bias_ratio=0.25, **COMMON), inverting),
    (NonInvertingAmplifier(feedback=R, drive_ratio=0.1, **COMMON), non_inverting),
    (ConstantCurrent(resistor=R, compliance=1e9, **COMMON), constant_current),
]
IDEAL: list[Any] = [
    Divider(reference=VR, resistor=R),
    Divider(reference=VR, resistor=R, position="sensor to ground"),
    InvertingAmplifier(reference=VR, feedback=R, drive_ratio=0.2, bias_ratio=0.1),
    NonInvertingAmplifier(reference=VR, feedback=R, drive_ratio=0.1),
    ConstantCurrent(reference=VR, resistor=R, compliance=1e4),
]


@pytest.mark.parametrize(("circuit", "nodal"), CASES)
def test_circuit_agrees_with_nodal_analysis(
    circuit: Any, nodal: Callable[[float], tuple[float, float]]
) -> None:
    """Output and sensor voltage equal a network solution with all non-ideal terms at once."""
    for g in G:
        volts, across = nodal(float(g))
        assert circuit.voltage(float(g), SETTING) == pytest.approx(volts, rel=1e-9)
        assert circuit.sensor_voltage(float(g), SETTING) == pytest.approx(across, rel=1e-9)


@pytest.mark.parametrize(("circuit", "nodal"), CASES)
@pytest.mark.parametrize("coefficient", [-0.03, 0.0, 0.05])
def test_voltage_dependent_conductance_agrees_with_iteration(
    circuit: Any, nodal: Callable[[float], tuple[float, float]], coefficient: float
) -> None:
    """The closed form of the operating point equals a fixed point found by brute force on the network."""
    for g0 in (5e-5, 1e-4, 5e-4):
        g = g0
        for _ in range(400):
            g = 0.5 * (g + g0 * (1.0 + coefficient * (nodal(g)[1] - 1.0)))
        assert circuit.operate(g0, coefficient, 1.0, SETTING) == pytest.approx(g, rel=1e-9)


def test_operating_point_for_arrays_that_hold_zero() -> None:
    """Coefficients and conductances of 0 within arrays are handled like the plain numbers."""
    coefficient = np.array([[0.0], [0.02]])
    for circuit in IDEAL:
        out = np.asarray(circuit.operate(G, coefficient, 1.0, SETTING))
        assert out[0] == pytest.approx(G)
        assert out[1] == pytest.approx(circuit.operate(G, 0.02, 1.0, SETTING))


def test_voltage_dependence_makes_divider_and_amplifier_curves_differ() -> None:
    """A divider lowers the sensor's voltage as the load grows, an amplifier keeps it: the curves part.

    Conductance read in one circuit does not hold in the other unless the coefficient is modelled.
    """
    divider, amplifier = IDEAL[0], InvertingAmplifier(reference=VR, feedback=R, drive_ratio=0.5)
    ratio = divider.operate(G[1:], 0.03, 1.0, SETTING) / amplifier.operate(G[1:], 0.03, 1.0, SETTING)
    assert np.ptp(ratio) > 0.02
    plain = divider.operate(G[1:], 0.0, 1.0, SETTING) / amplifier.operate(G[1:], 0.0, 1.0, SETTING)
    assert np.ptp(plain) == 0.0


@given(st.sampled_from(range(len(IDEAL))), st.floats(1e-7, 1e-3))
@settings(max_examples=60)
def test_output_from_inverts_the_ideal_circuit(which: int, g: float) -> None:
    """Without non-ideal terms the firmware's equation returns the conductance."""
    circuit = IDEAL[which]
    assert circuit.output_from(circuit.voltage(g, SETTING), SETTING) == pytest.approx(g, rel=1e-9)


def test_inverse_stays_finite_at_the_ends_of_the_range() -> None:
    """Voltages that only an infinite conductance gives are held off, so that no reading becomes infinite."""
    volts = np.array([-0.1, 0.0, VR, 1.1 * VR])
    for circuit in IDEAL:
        assert np.all(np.isfinite(circuit.output_from(volts, SETTING)))


# Divider V = x / (a + x) of a variable resistor x = R / Rmax: largest distance from the line through the
# ends is (sqrt(a + 1) - sqrt(a))^2 of full scale, at x = sqrt(a (a + 1)) - a.
@pytest.mark.parametrize(
    ("a", "share", "at"), [(1.0, 0.17157288, 0.414214), (10.0, 0.02382304, 0.488088), (0.1, 0.536675, None)]
)
def test_terminal_nonlinearity_of_a_divider(a: float, share: float, at: float | None) -> None:
    """A divider with the sensor to ground, read over its resistance, bends as the closed form says."""
    divider = Divider(reference=1.0, resistor=a * 1e4, position="sensor to ground")
    x = np.linspace(1e-6, 1.0, 200_001)
    v = np.asarray(divider.voltage(1.0 / (1e4 * x), SETTING))
    departure = v / v[-1] - x
    assert departure.max() == pytest.approx((np.sqrt(a + 1.0) - np.sqrt(a)) ** 2, rel=1e-4)
    assert departure.max() == pytest.approx(share, rel=1e-4)
    found = x[departure.argmax()]
    assert found == pytest.approx(np.sqrt(a * (a + 1.0)) - a, abs=1e-4)
    if at is not None:
        assert found == pytest.approx(at, abs=1e-4)


@pytest.mark.parametrize(
    ("a", "gain", "error"),
    [(1e5, 10.0, -0.0099990e-2), (1e4, 100.0, -0.990099e-2), (1e3, 100.0, -9.090909e-2)],
)
def test_finite_loop_gain_numbers(a: float, gain: float, error: float) -> None:
    """A non-inverting gain G with open-loop gain A falls short by 1 / (1 + G / A) (textbook result)."""
    kw = {"reference": 1.0, "feedback": 1e4}
    g = (gain - 1.0) / 1e4
    real = NonInvertingAmplifier(open_loop_gain=a, **kw).voltage(g, SETTING)
    assert real / NonInvertingAmplifier(**kw).voltage(g, SETTING) - 1.0 == pytest.approx(error, rel=1e-5)


@pytest.mark.parametrize(
    ("resistance", "density"),
    [(50.0, 0.910159e-9), (350.0, 2.408054e-9), (1e3, 4.070355e-9), (1e4, 12.871592e-9), (1e6, 128.716e-9)],
)
def test_johnson_noise_at_300_kelvin(resistance: float, density: float) -> None:
    """sqrt(4 k T R) for common resistances at 300 K."""
    assert np.sqrt(johnson_density(resistance, CELSIUS_OF_300_K)) == pytest.approx(density, rel=1e-6)


def test_johnson_noise_over_a_bandwidth() -> None:
    """10 kohm over 10 kHz at 300 K is 1.287159 uV, 1 kohm over 20 kHz 0.575635 uV."""
    assert johnson_noise(1e4, CELSIUS_OF_300_K, 1e4) == pytest.approx(1.287159e-6, rel=1e-6)
    assert johnson_noise(1e3, CELSIUS_OF_300_K, 2e4) == pytest.approx(0.575635e-6, rel=1e-6)


def test_noise_of_resistor_and_capacitor_is_k_t_over_c() -> None:
    """Whatever the resistor, 100 pF at 300 K holds 6.4358 uV, 1 nF 2.0352 uV."""
    for r in (1e3, 1e6):
        for c, rms in ((100e-12, 6.4358e-6), (1e-9, 2.0352e-6)):
            got = johnson_noise(r, CELSIUS_OF_300_K, noise_bandwidth(r * c, 0.0))
            assert got == pytest.approx(rms, rel=1e-4)


def test_noise_of_a_non_inverting_amplifier() -> None:
    """Gain 10 from 9 k and 1 k, source 1 k, 10 nV and 1 pA: 11.545077 nV/rtHz at the input, 300 K."""
    circuit = NonInvertingAmplifier(
        reference=1.0, feedback=9e3, source_resistance=1e3, voltage_noise=10e-9, current_noise=1e-12,
        noise_bandwidth=1.0,
    )  # fmt: skip
    at_output = circuit.noise_rms(1e-3, Setting(temperature=CELSIUS_OF_300_K))
    assert at_output / 10.0 == pytest.approx(11.545077e-9, rel=1e-6)


def test_divider_noise_is_that_of_the_parallel_resistance() -> None:
    """Sensor and resistor of 20 k each leave the thermal noise of 10 k."""
    circuit = Divider(reference=1.0, resistor=2e4, noise_bandwidth=1e4)
    rms = circuit.noise_rms(5e-5, Setting(temperature=CELSIUS_OF_300_K))
    assert rms == pytest.approx(1.287159e-6, rel=1e-6)


def test_noise_draw_adds_the_rms_noise() -> None:
    """One standard draw moves the voltage by one rms value."""
    circuit = InvertingAmplifier(
        reference=1.0, feedback=1e4, capacitor=1e-9, voltage_noise=10e-9, noise_draw=np.array([0.0, 1.0])
    )
    volts = np.asarray(circuit.voltage(5e-5, SETTING))
    assert volts[1] - volts[0] == pytest.approx(circuit.noise_rms(5e-5, SETTING), rel=1e-6)


def test_seven_times_the_load_frequency_costs_one_percent_of_the_amplitude() -> None:
    """A corner at 7 f costs 1 % of the amplitude, one at 22 f costs 0.1 % (common practice, no source)."""
    assert 1.0 - one_pole(1.0 / 7.0) == pytest.approx(0.01, rel=0.02)
    assert 1.0 - one_pole(1.0 / 22.0) == pytest.approx(0.001, rel=0.05)


def test_amplifier_bandwidth_is_gain_bandwidth_over_noise_gain() -> None:
    """Noise gain 11 turns 1.1 MHz into a corner of 100 kHz; a filter alone has the corner 1 / (2 pi Rf C)."""
    circuit = NonInvertingAmplifier(reference=1.0, feedback=1e4, gain_bandwidth=1.1e6)
    assert circuit.bandwidth(1e-3, SETTING) == pytest.approx(1e5)
    filtered = InvertingAmplifier(reference=1.0, feedback=1e5, capacitor=1e-8)
    assert filtered.bandwidth(2e-5, SETTING) == pytest.approx(1.0 / (2.0 * np.pi * 1e5 * 1e-8))


def test_drifts_of_resistor_and_reference() -> None:
    """Drifts of feedback and reference act on the gain; offset and bias current drift too."""
    circuit = InvertingAmplifier(
        reference=1.0, feedback=1e4, reference_tempco=50e-6, feedback_tempco=100e-6, feedback_ageing=1e-3,
        offset_drift=1e-6, bias_drift=1e-9,
    )  # fmt: skip
    warm = circuit.voltage(5e-5, Setting(temperature=45.0, age=4000.0))
    rf = 1e4 * 1.002 * 1.002
    assert warm == pytest.approx((1.001 + 20e-6) * rf * 5e-5 + 20e-6 + 20e-9 * rf, rel=1e-12)


def test_constant_current_ends_at_its_compliance() -> None:
    """An open sensor stands at the compliance voltage instead of infinity."""
    circuit = ConstantCurrent(reference=1.0, resistor=1e4, compliance=2.5)
    assert circuit.voltage(np.array([0.0, 1e-5, 1e-4]), SETTING) == pytest.approx([2.5, 2.5, 1.0])


def test_bridge_amplifier_terms() -> None:
    """Gain 1 + Ri/Rg, excitation behind a source resistance, offset, common mode and pedestal add up."""
    circuit = BridgeAmplifier(
        reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0, pedestal_ratio=0.1, offset=1e-5,
        output_offset=1e-3, common_mode_rejection=1e5, source_resistance=3.5, bias_current=1e-9,
    )  # fmt: skip
    u = 5.0 * 350.0 / 353.5
    expected = 0.5 + 1e-3 + 500.0 * (u * 1e-3 + 1e-5 - 175e-9 + 0.5 * u / 1e5)
    assert circuit.voltage(1e-3, SETTING) == pytest.approx(expected, rel=1e-12)
    ideal = BridgeAmplifier(reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0, pedestal_ratio=0.1)
    assert ideal.output_from(ideal.voltage(1e-3, SETTING), SETTING) == pytest.approx(1e-3, rel=1e-12)


def test_bridge_noise() -> None:
    """A 350 ohm bridge alone gives gain times 2.408054 nV/rtHz at 300 K."""
    circuit = BridgeAmplifier(
        reference=5.0, internal_resistor=49.9e3, gain_resistor=100.0, noise_bandwidth=1.0
    )
    rms = circuit.noise_rms(1e-3, Setting(temperature=CELSIUS_OF_300_K))
    assert rms == pytest.approx(500.0 * 2.408054e-9, rel=1e-6)
