"""An element of an array on shared lines: closed form against nodal analysis of every element, inverses, a case."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, only, pad_case, use_draws
from test_chain_circuits import Network

from margin.chain import (
    Chain,
    Contact,
    Converter,
    DirectInterface,
    Divider,
    Firmware,
    InvertingAmplifier,
    Setting,
    ThinFilm,
)
from margin.chain.sensors.array_lines import ArrayLines

SETTING = Setting(peak=20.0)
PAD = ThinFilm(
    sensitivity=2e-4, exponent=0.9, reference_load=5.0, series_resistance=30.0, rows=8, columns=4, row_resistance=45.0,
    column_resistance=120.0, line_tempco=4e-3, neighbour_conductance=1e-4,
)  # fmt: skip


def whole_array(lines: ArrayLines, conductance: float) -> float:
    """Conductance seen of the element (0, 0), S: every element of the array between its row and its column."""
    rows, columns = lines.rows, lines.columns
    net = Network(1 + rows + columns, 1)
    net.source(0, 1.0)
    for row in range(rows):
        net.conductance(1 + row, 0 if row == 0 else -1, 1.0 / float(lines.row))
    for column in range(columns):
        node = 1 + rows + column
        net.conductance(node, -1, 1.0 / float(lines.column))
        for row in range(rows):
            own = row == 0 and column == 0
            net.conductance(1 + row, node, conductance if own else float(lines.neighbour))
    return float(net.solve()[1 + rows] / float(lines.column))


@given(
    st.integers(1, 7), st.integers(1, 7), st.floats(1.0, 2e3), st.floats(1.0, 2e3), st.floats(0.0, 1e-3),
    st.floats(0.0, 1e-3),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_closed_form_agrees_with_nodal_analysis(
    rows: int, columns: int, row: float, column: float, neighbour: float, own: float
) -> None:
    """Whatever the size of the array, its lines and its elements."""
    lines = ArrayLines(rows, columns, row, column, neighbour)
    assert lines.seen().of(own) == pytest.approx(whole_array(lines, own), rel=1e-9, abs=1e-18)
    assert lines.seen().element(lines.seen().of(own)) == pytest.approx(own, rel=1e-6, abs=1e-13)


def test_voltage_across_the_element_is_that_of_nodal_analysis() -> None:
    """The current of the element over its conductance: seen by the change of the column's current with it."""
    lines = ArrayLines(5, 3, 80.0, 150.0, 2e-4)
    seen = lines.seen()
    net = Network(9, 1)
    net.source(0, 1.0)
    for row in range(5):
        net.conductance(1 + row, 0 if row == 0 else -1, 1.0 / 80.0)
    for column in range(3):
        net.conductance(6 + column, -1, 1.0 / 150.0)
        for row in range(5):
            net.conductance(1 + row, 6 + column, 4e-4 if row == column == 0 else 2e-4)
    volts = net.solve()
    assert seen.across(4e-4) == pytest.approx(volts[1] - volts[6], rel=1e-12)


def test_lines_without_resistance_hide_the_neighbours() -> None:
    """A virtual ground on every column and ideal lines: the element alone."""
    seen = ArrayLines(16, 16, 0.0, 0.0, 1e-3).seen()
    assert seen.of(5e-5) == pytest.approx(5e-5, rel=1e-15)


def test_worked_example_of_crosstalk() -> None:
    """8 x 8 with 100 ohm lines: an element of 50 uS among loaded ones of 100 uS reads 12.6 % low.

    To the first order each line takes (7 g + G) R off its own part: 2 x (700 uS + 50 uS) x 100 ohm = 15 %.
    """
    lines = ArrayLines(8, 8, 100.0, 100.0, 1e-4)
    loss = lines.seen().of(5e-5) / 5e-5 - 1.0
    assert loss == pytest.approx(whole_array(lines, 5e-5) / 5e-5 - 1.0, rel=1e-9)
    assert loss == pytest.approx(-0.126, abs=5e-4)
    small = dataclasses.replace(lines, row=0.1, column=0.1)
    assert small.seen().of(5e-5) / 5e-5 - 1.0 == pytest.approx(-2.0 * 7.5e-4 * 0.1, rel=2e-3)


@pytest.mark.parametrize(
    "setting", [SETTING, Setting(peak=20.0, temperature=55.0)], ids=["reference", "warm"]
)
@pytest.mark.parametrize("heats", [0.0, 500.0])
def test_firmware_takes_nominal_lines_and_neighbours_out(setting: Setting, heats: float) -> None:
    """The design curve gives the load through lines, neighbours, series resistance and self-heating."""
    sensor = dataclasses.replace(PAD, thermal_resistance=heats, temperature_coefficient=-4e-3)
    chain = Chain(
        DirectInterface(), sensor, InvertingAmplifier(reference=1.2, feedback=800.0), Converter(bits=0)
    )
    loads = np.array([0.5, 5.0, 20.0])
    assert Firmware(chain).force_of(chain.respond(loads, setting).code, setting) == pytest.approx(
        loads, rel=1e-8
    )


def test_lines_change_with_temperature() -> None:
    """At 55 degC both lines have 1.12 times their resistance."""
    warm = PAD.output(Contact(5.0), Setting(temperature=55.0))
    lines = ArrayLines(8, 4, 45.0 * 1.12, 120.0 * 1.12, 1e-4)
    assert warm == pytest.approx(lines.seen().of(1.0 / (1.0 / 2e-4 + 30.0)), rel=1e-12)


def test_power_is_that_of_the_current_through_the_film() -> None:
    """u^2 / R of the film at the voltage that lines and series resistance leave it."""
    film, volts = 4e-4, 1.2
    own = 1.0 / (1.0 / film + 30.0)
    seen = ArrayLines(8, 4, 45.0, 120.0, 1e-4).seen()
    across = volts * float(seen.across(own)) * own / film
    assert PAD.power(volts, seen.of(own), SETTING) == pytest.approx(across * across * film, rel=1e-9)


def test_neighbours_of_a_case_are_drawn_for_each_placement() -> None:
    """Errors of a pad without tolerances are those of drawn neighbours beside nominal ones, by nodal analysis."""
    case = pad_case(
        NONE,
        load={"check": ["40 N"]},
        sensor={
            "kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", "rows": 3, "columns": 5,
            "row_resistance": "300 ohm", "column_resistance": "500 ohm",
            "neighbour_conductance": "20 uS +/- 20 uS per loading",
        },
        use={"loadings": 2},
        study={"units": 10},
    )  # fmt: skip
    found = only(case)[..., 0].ravel()
    drawn = np.broadcast_to(use_draws(case, "sensor.neighbour_conductance"), only(case).shape)[..., 0].ravel()
    nominal = ArrayLines(3, 5, 300.0, 500.0, 20e-6).seen()
    for error, relative in zip(found, drawn, strict=True):
        seen = whole_array(ArrayLines(3, 5, 300.0, 500.0, 20e-6 + relative), 8e-6)
        assert 40.0 + error == pytest.approx(float(nominal.element(seen)) / 8e-6 * 40.0, rel=1e-6)
    assert np.ptp(found) > 0.1


def test_a_divider_has_no_virtual_ground_for_an_array() -> None:
    """The chain refuses a circuit that leaves the columns where they float."""
    with pytest.raises(ValueError, match="virtual ground"):
        Chain(DirectInterface(), PAD, Divider(reference=3.0, resistor=1e3), Converter(bits=0))
