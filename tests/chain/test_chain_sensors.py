"""Sensors: power law, Wheatstone equations, tabulated curves, and their inverses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from margin.chain import Contact, Setting, StrainGaugeBridge, TabulatedCurve, ThinFilm
from margin.chain.sensors import bridge

SETTING = Setting(peak=20.0)
PAD = ThinFilm(sensitivity=20e-6, exponent=0.8, reference_load=5.0)


def test_power_law_is_anchored_at_the_reference_load() -> None:
    """At the reference load the conductance is the sensitivity, whatever the exponent."""
    for n in (0.6, 0.8, 1.0, 1.1):
        pad = ThinFilm(sensitivity=20e-6, exponent=n, reference_load=5.0)
        assert pad.output(Contact(5.0), SETTING) == pytest.approx(20e-6)
        assert pad.output(Contact(10.0), SETTING) == pytest.approx(20e-6 * 2.0**n)


def test_series_resistance_limits_the_conductance() -> None:
    """No load brings the conductance above 1 / series resistance."""
    pad = ThinFilm(sensitivity=1e-3, reference_load=1.0, series_resistance=500.0)
    assert pad.output(Contact(1e9), SETTING) == pytest.approx(1.0 / 500.0, rel=1e-5)


def test_below_turn_on_the_pad_is_silent() -> None:
    """Below the turn-on load there is the offset alone, and the inverse says 0 N."""
    pad = ThinFilm(sensitivity=1e-5, reference_load=5.0, turn_on=0.3, offset_conductance=1e-8)
    assert pad.output(Contact(0.2), SETTING) == pytest.approx(1e-8)
    assert pad.force_from(pad.output(Contact(0.2), SETTING), SETTING) == 0.0


def test_area_and_unevenness_agree_with_the_pressure_integral() -> None:
    """The integral of c p^n over the area gives area^(1-n), and -n(1-n)/2 of the variance for small tilts."""
    n = 0.8
    x = np.sqrt((np.arange(4000) + 0.5) / 4000)[:, None] * np.cos(2.0 * np.pi * np.arange(64) / 64)
    kappa = 0.2
    integral = np.mean((1.0 + kappa * x) ** n)
    uneven = PAD.output(Contact(5.0, 1.0, kappa**2 / 4.0), SETTING) / PAD.output(Contact(5.0), SETTING)
    assert uneven == pytest.approx(integral, abs=2e-5)
    larger = PAD.output(Contact(5.0, 1.05), SETTING) / PAD.output(Contact(5.0), SETTING)
    assert larger == pytest.approx(1.05 * (1.0 / 1.05) ** n)


def test_linear_pad_does_not_feel_the_area() -> None:
    """With exponent 1 area and unevenness do nothing."""
    pad = ThinFilm(sensitivity=1e-5, reference_load=5.0)
    assert pad.output(Contact(5.0, 1.3, 0.2), SETTING) == pytest.approx(1e-5)


def test_environment_multiplies_the_conductance() -> None:
    """Temperature (linear and squared), humidity and age act as stated."""
    pad = ThinFilm(
        sensitivity=1e-5, reference_load=5.0, temperature_coefficient=2e-3, temperature_curvature=1e-5,
        humidity_coefficient=1e-3, ageing=0.01, offset_temperature_coefficient=1e-9,
    )  # fmt: skip
    warm = pad.output(Contact(5.0), Setting(temperature=35.0))
    assert warm == pytest.approx(1e-5 * (1.0 + 0.02 + 0.001) + 1e-8)
    assert pad.output(Contact(5.0), Setting(humidity=70.0)) == pytest.approx(1.02e-5)
    assert pad.output(Contact(5.0), Setting(age=999.0)) == pytest.approx(1e-5 * 0.97)


def test_branch_hysteresis_vanishes_at_both_ends_of_the_loop() -> None:
    """The descending branch meets the ascending one at 0 and at the peak, and is h above it in the middle."""
    force = np.array([0.0, 10.0, 20.0])
    up = Setting(peak=20.0)
    down = Setting(peak=20.0, descending=1.0)
    pad = ThinFilm(sensitivity=1e-5, reference_load=5.0, hysteresis=0.04)
    ratio = pad.output(Contact(force), down) - pad.output(Contact(force), up)
    assert ratio == pytest.approx([0.0, 0.04 * 2e-5, 0.0], abs=1e-18)


def test_reload_scatter_belongs_to_the_placement() -> None:
    """One draw multiplies the whole curve of one placement; the scatter may differ between units."""
    pad = ThinFilm(
        sensitivity=1e-5, reference_load=5.0,
        reload_scatter=np.array([[0.01], [0.03]]), reload_draw=np.array([[1.0, -2.0]]),
    )  # fmt: skip
    assert pad.output(Contact(5.0), SETTING) == pytest.approx(1e-5 * np.array([[1.01, 0.98], [1.03, 0.94]]))


def test_reload_scatter_follows_a_power_of_the_load() -> None:
    """s (F/Fr)^p of the conductance: s at the reference load, 2^p s at twice it, no further change below Fr / 100."""
    draw = np.array([[0.0], [1.0]])
    for p in (-0.7, 0.8):
        pad = ThinFilm(
            sensitivity=1e-5, reference_load=5.0,
            reload_scatter=0.02, reload_scatter_exponent=p, reload_draw=draw,
        )  # fmt: skip
        out = pad.output(Contact(np.array([0.001, 0.05, 5.0, 10.0])), SETTING)
        assert out[1] / out[0] - 1.0 == pytest.approx(0.02 * np.array([0.01, 0.01, 1.0, 2.0]) ** p)
        assert pad.output(Contact(0.0), SETTING) == pytest.approx(0.0)


def test_reload_scatter_without_exponent_is_as_it_was() -> None:
    """With the exponent left out or 0 the conductance is that of a factor 1 + s z, to the bit."""
    draw = np.linspace(-3.0, 3.0, 11)
    pad = ThinFilm(
        sensitivity=1.7e-5, exponent=0.83, reference_load=5.0, reload_scatter=0.013, reload_draw=draw
    )
    force = 3.7
    plain = 1.7e-5 * np.maximum(np.float64(force) / 5.0, 0.0) ** 0.83 * 1.0 * (1.0 * (1.0 + 0.013 * draw))
    assert np.array_equal(np.asarray(pad.output(Contact(force), SETTING)), plain)


@given(
    st.floats(0.5, 1.2), st.floats(0.0, 0.5), st.floats(0.0, 1000.0), st.floats(0.6, 50.0),
    st.floats(-20.0, 40.0), st.sampled_from([0.0, -0.6, 0.9]),
)  # fmt: skip
@settings(max_examples=80)
def test_thin_film_inverse(
    n: float, turn_on: float, series: float, force: float, warming: float, p: float
) -> None:
    """force_from(output(F)) is F for the same setting, all terms included."""
    pad = ThinFilm(
        sensitivity=2e-5, exponent=n, reference_load=5.0, turn_on=turn_on, series_resistance=series,
        offset_conductance=1e-8, temperature_coefficient=2e-3, creep=0.02, ageing=0.01,
        humidity_coefficient=1e-3, reload_scatter=0.02, reload_draw=0.5,
        reload_scatter_exponent=p,
    )  # fmt: skip
    setting = Setting(temperature=25.0 + warming, dwell=30.0, age=100.0, humidity=70.0)
    assert pad.force_from(pad.output(Contact(force), setting), setting) == pytest.approx(force, rel=1e-9)


@given(
    st.sampled_from(["film", "bridge", "monotone cubic", "straight"]), st.floats(-0.05, 0.08),
    st.sampled_from([0.5, 1.0]), st.floats(0.02, 1.1), st.floats(-0.05, 0.05),
)  # fmt: skip
@settings(max_examples=120)
def test_every_sensor_is_inverse_on_its_branch(
    kind: str, loop: float, down: float, share: float, bend: float
) -> None:
    """force_from(output(F)) is F on the descending branch and midway, up to the peak of the cycle and beyond."""
    sensor: ThinFilm | StrainGaugeBridge | TabulatedCurve
    if kind == "film":
        sensor = ThinFilm(
            sensitivity=2e-5, exponent=0.7, reference_load=5.0, turn_on=0.3, series_resistance=200.0,
            offset_conductance=1e-8, hysteresis=loop, creep=0.02,
        )  # fmt: skip
    elif kind == "bridge":
        sensor = StrainGaugeBridge(
            rated_load=50.0, rated_output=2e-3, zero=1e-4, curvature=bend, hysteresis=loop
        )
    else:
        outputs = (0.0, 1e-6, 1.7e-6, 2.4e-6)
        sensor = TabulatedCurve(
            loads=(0.0, 15.0, 30.0, 50.0), outputs=outputs, interpolation=kind, zero=0.01,
            curvature=bend, hysteresis=loop,
        )  # fmt: skip
    force = 50.0 * share
    setting = Setting(dwell=4.0, descending=down, peak=50.0)
    assert sensor.force_from(sensor.output(Contact(force), setting), setting) == pytest.approx(
        force, rel=1e-8
    )


# Wheatstone equation, closed forms; gauge factor 2, numbers recomputed to the digits given.
QUARTER = [
    (100e-6, 0.0499950005e-3), (1000e-6, 0.4995004995e-3), (5000e-6, 2.487562189e-3),
    (10000e-6, 4.950495050e-3), (-1000e-6, -0.5005005005e-3),
]  # fmt: skip


@pytest.mark.parametrize(("strain", "ratio"), QUARTER)
def test_quarter_bridge_numbers(strain: float, ratio: float) -> None:
    """(GF e/4) / (1 + GF e/2): the known nonlinearity of about 0.1 % at 1000 microstrain."""
    assert bridge.quarter(2.0 * strain, 0.3) == pytest.approx(ratio, rel=1e-9)


def test_half_and_full_bridge_numbers() -> None:
    """Half and full bridges at 1000 microstrain, gauge factor 2, Poisson's ratio 0.3."""
    x = 2.0 * 1000e-6
    assert bridge.half_bending(x, 0.3) == pytest.approx(1.0e-3, rel=1e-12)
    assert bridge.half_poisson(x, 0.3) == pytest.approx(0.6495453183e-3, rel=1e-9)
    assert bridge.full_bending(x, 0.3) == pytest.approx(2.0e-3, rel=1e-12)
    assert bridge.full_poisson(x, 0.3) == pytest.approx(1.299090637e-3, rel=1e-9)
    assert bridge.full_poisson(x, 0.3) / (1.3 * x / 2.0) == pytest.approx(0.999300490, rel=1e-9)


ACTIVE = {
    "quarter": (1.0, 0.0, 0.0, 0.0),
    "half bending": (1.0, -1.0, 0.0, 0.0),
    "half Poisson": (1.0, -0.3, 0.0, 0.0),
    "full bending": (1.0, -1.0, 1.0, -1.0),
    "full Poisson": (1.0, -0.3, 1.0, -0.3),
}


@pytest.mark.parametrize("arms", bridge.ARMS)
@pytest.mark.parametrize("strain", [1e-4, 2e-3, -1.5e-3])
def test_bridge_equations_agree_with_two_dividers(arms: str, strain: float) -> None:
    """Each closed form equals the difference of two resistor dividers with the strained arms in place."""
    r1, r2, r3, r4 = (350.0 * (1.0 + 2.0 * strain * a) for a in ACTIVE[arms])
    dividers = r1 / (r1 + r2) - r4 / (r3 + r4)
    equation, inverse = bridge.EQUATIONS[arms]
    assert equation(2.0 * strain, 0.3) == pytest.approx(dividers, rel=1e-9)
    assert inverse(equation(2.0 * strain, 0.3), 0.3) == pytest.approx(2.0 * strain, rel=1e-12)


@pytest.mark.parametrize("arms", bridge.ARMS)
def test_strain_gauge_bridge_inverse(arms: str) -> None:
    """force_from inverts output for every arrangement, with curvature, zero, leads and temperature."""
    sensor = StrainGaugeBridge(
        rated_load=100.0, strain_per_newton=1e-5, arms=arms, curvature=0.01, zero=2e-5, lead_resistance=1.0,
        zero_temperature_coefficient=1e-7, span_temperature_coefficient=2e-4, creep=1e-4, ageing=1e-4,
    )  # fmt: skip
    setting = Setting(temperature=40.0, dwell=60.0, age=50.0)
    force = np.linspace(0.0, 120.0, 13)
    assert sensor.force_from(sensor.output(Contact(force), setting), setting) == pytest.approx(
        force, abs=1e-9
    )


def test_rated_bridge_is_linear_and_desensitised_by_leads() -> None:
    """A finished load cell reads rated output at rated load; leads of RL divide it by 1 + 2 RL / R."""
    cell = StrainGaugeBridge(rated_load=50.0, rated_output=2e-3)
    assert cell.output(Contact(25.0), SETTING) == pytest.approx(1e-3)
    leads = StrainGaugeBridge(rated_load=50.0, rated_output=2e-3, lead_resistance=3.5)
    assert leads.output(Contact(50.0), SETTING) == pytest.approx(2e-3 / 1.02)


def test_bridge_needs_its_sensitivity() -> None:
    """A bridge with neither rated output nor strain is refused with what to state."""
    with pytest.raises(ValueError, match="rated_output"):
        StrainGaugeBridge(rated_load=50.0)


LOADS = (0.0, 1.0, 3.0, 7.0, 15.0)
RISING = (1e-7, 4e-6, 1.1e-5, 2.2e-5, 4.1e-5)


def test_monotone_cubic_agrees_with_the_library() -> None:
    """Inside the table the curve is the monotone cubic of scipy, and meets every point."""
    sensor = TabulatedCurve(loads=LOADS, outputs=RISING)
    force = np.linspace(0.0, 15.0, 40)
    assert sensor.output(Contact(force), SETTING) == pytest.approx(PchipInterpolator(LOADS, RISING)(force))
    assert sensor.output(Contact(np.array(LOADS)), SETTING) == pytest.approx(RISING)


@pytest.mark.parametrize("how", ["monotone cubic", "straight"])
@pytest.mark.parametrize("outputs", [RISING, RISING[::-1]])
def test_tabulated_inverse(how: str, outputs: tuple[float, ...]) -> None:
    """The inverse is exact inside the table and beyond its ends, rising or falling, curvature included."""
    sensor = TabulatedCurve(
        loads=LOADS,
        outputs=outputs,
        interpolation=how,
        gain=1.1,
        zero=0.02,
        temperature_coefficient=1e-3,
        creep=0.01,
    )
    setting = Setting(temperature=45.0, dwell=100.0)
    force = np.linspace(-0.5, 18.0, 60)
    assert sensor.force_from(sensor.output(Contact(force), setting), setting) == pytest.approx(
        force, abs=1e-8
    )
    bent = TabulatedCurve(loads=LOADS, outputs=RISING, interpolation=how, curvature=0.03)
    inside = np.linspace(0.0, 15.0, 31)
    assert bent.force_from(bent.output(Contact(inside), SETTING), SETTING) == pytest.approx(inside, abs=1e-8)


def test_curvature_of_a_straight_table() -> None:
    """Curvature adds that share of full scale at half load and nothing at the ends."""
    sensor = TabulatedCurve(loads=(0.0, 10.0), outputs=(0.0, 1e-3), output_kind="ratio", curvature=0.02)
    out = sensor.output(Contact(np.array([0.0, 5.0, 10.0])), SETTING)
    assert out == pytest.approx([0.0, 0.52e-3, 1e-3])


@pytest.mark.parametrize(
    ("loads", "outputs"),
    [((0.0, 1.0, 1.0), (0.0, 1.0, 2.0)), ((0.0, 1.0, 2.0), (0.0, 2.0, 1.0)), ((0.0,), (1.0,))],
)
def test_impossible_tables_are_refused(loads: tuple[float, ...], outputs: tuple[float, ...]) -> None:
    """Loads that do not ascend, outputs that turn back and single points raise ValueError."""
    with pytest.raises(ValueError, match="curve"):
        TabulatedCurve(loads=loads, outputs=outputs).output(Contact(0.5), SETTING)


def test_placement_scatter_of_bridge_and_table_is_of_full_scale() -> None:
    """One draw shifts the output of a bridge or a table by that share of its span, at any load."""
    draw = np.array([0.0, 2.0])
    cell = StrainGaugeBridge(rated_load=50.0, rated_output=2e-3, reload_scatter=0.001, reload_draw=draw)
    assert np.ptp(cell.output(Contact(5.0), SETTING)) == pytest.approx(0.002 * 2e-3)
    table = TabulatedCurve(loads=LOADS, outputs=RISING, reload_scatter=0.001, reload_draw=draw)
    assert np.ptp(table.output(Contact(5.0), SETTING)) == pytest.approx(0.002 * (4.1e-5 - 1e-7))
    assert table.force_from(table.output(Contact(5.0), SETTING), SETTING) == pytest.approx([5.0, 5.0])


def test_an_unloaded_bridge_or_table_has_no_placement_scatter() -> None:
    """Without a load nothing is placed: an unloaded reading does not know the scatter of the placement after it."""
    draw = np.array([0.0, 2.0])
    cell = StrainGaugeBridge(rated_load=50.0, rated_output=2e-3, reload_scatter=0.001, reload_draw=draw)
    table = TabulatedCurve(loads=LOADS, outputs=RISING, reload_scatter=0.001, reload_draw=draw)
    assert np.ptp(cell.output(Contact(np.zeros(2)), SETTING)) == 0.0
    assert np.ptp(table.output(Contact(np.zeros(2)), SETTING)) == 0.0


def test_placement_scatter_of_the_span_grows_with_the_load() -> None:
    """A draw of the span multiplies the output of a bridge or a table, apart from its zero."""
    draw = np.array([0.0, 2.0])
    cell = StrainGaugeBridge(
        rated_load=50.0, rated_output=2e-3, zero=1e-5, reload_span_scatter=0.001, reload_span_draw=draw
    )
    table = TabulatedCurve(
        loads=LOADS, outputs=RISING, zero=0.1, reload_span_scatter=0.001, reload_span_draw=draw
    )
    for sensor, net in (
        (cell, lambda f: 2e-3 * f / 50.0),
        (table, lambda f: TabulatedCurve(loads=LOADS, outputs=RISING).output(Contact(f), SETTING)),
    ):
        for force in (2.0, 12.0):
            out = sensor.output(Contact(force), SETTING)
            assert np.ptp(out) == pytest.approx(0.002 * net(force))
            assert sensor.force_from(out, SETTING) == pytest.approx([force, force])


def test_hysteresis_of_bridge_and_table_closes_at_the_peak() -> None:
    """Both loops meet at the peak of the load cycle and open in the middle."""
    down = Setting(peak=15.0, descending=1.0)
    force = np.array([7.5, 15.0])
    for sensor in (
        StrainGaugeBridge(rated_load=15.0, rated_output=2e-3, hysteresis=0.001),
        TabulatedCurve(loads=LOADS, outputs=RISING, hysteresis=0.001),
    ):
        loop = np.asarray(sensor.output(Contact(force), down)) / sensor.output(Contact(force), SETTING)
        assert loop == pytest.approx([1.001, 1.0], rel=1e-12)
