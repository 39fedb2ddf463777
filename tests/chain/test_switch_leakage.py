"""Switches of an array's lines: their leakage and resistance against nodal analysis of the whole network, in a case."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pad_study import NONE, errors_of, factor_of, pad_case, use_draws
from test_chain_circuits import Network

from margin.backends.run import run
from margin.case.faults import CaseError
from margin.chain import (
    CHECKS,
    Chain,
    Contact,
    Converter,
    DirectInterface,
    InvertingAmplifier,
    Setting,
    ThinFilm,
)
from margin.chain.sensors.array_lines import ArrayLines

DRIVE, FEEDBACK = 1.2, 20e3
GAIN = 1e9


def output_of_network(
    rows: int,
    columns: int,
    own: float,
    neighbour: float,
    lines: tuple[float, float],
    switch: float,
    leakage: float,
) -> float:
    """Output of the amplifier, V, by Kirchhoff's laws for every line, switch and element.

    Each line ends in a pin between its own resistance and two switches. The closed one leads a row to the drive (row 0)
    or to ground, a column to the amplifier (column 0) or to ground; the open one draws its leakage from the pin. The
    open switches of the other columns draw theirs from the amplifier's input as well. The drive lies DRIVE below the
    input, so that the output rises with the conductance.
    """
    row_pins, row_ends = range(rows), range(rows, 2 * rows)
    column_pins = range(2 * rows, 2 * rows + columns)
    column_ends = range(2 * rows + columns, 2 * (rows + columns))
    drive, summing, out = (2 * (rows + columns) + k for k in range(3))
    net = Network(out + 1, 2)
    net.source(drive, -DRIVE)
    net.source(out, 0.0, {summing: -GAIN})
    net.conductance(summing, out, 1.0 / FEEDBACK)
    for line, (pin, end) in enumerate(zip(row_pins, row_ends, strict=True)):
        net.conductance(pin, drive if line == 0 else -1, 1.0 / switch)
        net.conductance(pin, end, 1.0 / lines[0])
        net.inject(pin, -leakage)
    for line, (pin, end) in enumerate(zip(column_pins, column_ends, strict=True)):
        net.conductance(pin, summing if line == 0 else -1, 1.0 / switch)
        net.conductance(pin, end, 1.0 / lines[1])
        net.inject(pin, -leakage)
        if line != 0:
            net.inject(summing, -leakage)
    for row in row_ends:
        for column in column_ends:
            first = row == row_ends[0] and column == column_ends[0]
            net.conductance(row, column, own if first else neighbour)
    return float(net.solve()[out])


def film(rows: int, columns: int, own: float, neighbour: float, lines: tuple[float, float], switch: float,
         leakage: float) -> ThinFilm:  # fmt: skip
    """A film of a conductance at 1 N, in such an array."""
    return ThinFilm(
        sensitivity=own, reference_load=1.0, rows=rows, columns=columns, row_resistance=lines[0],
        column_resistance=lines[1], switch_resistance=switch, neighbour_conductance=neighbour, switch_leakage=leakage,
    )  # fmt: skip


def chain_of(sensor: ThinFilm) -> Chain:
    """The film read by an amplifier without errors of its own."""
    amplifier = InvertingAmplifier(reference=DRIVE, feedback=FEEDBACK)
    return Chain(DirectInterface(), sensor, amplifier, Converter(bits=0))


@given(
    st.integers(1, 8), st.integers(2, 8), st.floats(1e-6, 2e-4), st.floats(1e-7, 2e-4),
    st.tuples(st.floats(1.0, 150.0), st.floats(1.0, 150.0)), st.floats(1.0, 150.0), st.floats(-2e-8, 2e-8),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_leakage_is_that_of_nodal_analysis(
    rows: int,
    columns: int,
    own: float,
    neighbour: float,
    lines: tuple[float, float],
    switch: float,
    leakage: float,
) -> None:
    """Exact without leakage; its part is off by the square of resistance times conductance of a line at most."""
    array = rows, columns, own, neighbour, lines, switch
    found = [
        float(chain_of(film(*array, each)).respond(1.0, Setting(peak=1.0)).voltage) for each in (0.0, leakage)
    ]
    exact = [output_of_network(*array, each) for each in (0.0, leakage)]
    assert found[0] == pytest.approx(exact[0], rel=1e-6, abs=1e-10)
    share = (switch + max(lines)) * (own + neighbour * (rows + columns))
    assert found[1] - found[0] == pytest.approx(columns * leakage * FEEDBACK, rel=1e-6, abs=1e-12)
    assert exact[1] - exact[0] == pytest.approx(found[1] - found[0], rel=share * share, abs=1e-9)


def test_a_worked_example() -> None:
    """Eight columns, 1 nA each, 20 kohm: 8 x 1 nA x 20 kohm = 160 uV; beside 1 uS at 1.2 V (24 mV) 0.67 % of it."""
    plain, leaking = (film(8, 8, 1e-6, 0.0, (50.0, 50.0), 60.0, i) for i in (0.0, 1e-9))
    rise = chain_of(leaking).respond(1.0, Setting()).voltage - chain_of(plain).respond(1.0, Setting()).voltage
    assert rise == pytest.approx(160e-6, rel=1e-6)
    check = next(c for c in CHECKS if c.name == "leakage of open switches")
    chain = chain_of(leaking)
    share = check.measure(chain, chain.respond(np.array([1.0]), Setting()), np.array([1.0]))
    assert share == pytest.approx(8e-9 / 1.2e-6, rel=1e-3)
    assert check.measure(chain_of(plain), chain_of(plain).respond(1.0, Setting()), 1.0) is None


def test_leakage_doubles_with_every_ten_kelvin() -> None:
    """At 55 degC, 30 K above the reference, eight times as much (common practice, no source)."""
    sensor = film(4, 4, 1e-6, 0.0, (50.0, 50.0), 60.0, 1e-9)
    plain = film(4, 4, 1e-6, 0.0, (50.0, 50.0), 60.0, 0.0)
    hot = Setting(temperature=55.0)
    rise = chain_of(sensor).respond(1.0, hot).voltage - chain_of(plain).respond(1.0, hot).voltage
    assert rise == pytest.approx(4 * 8e-9 * FEEDBACK, rel=1e-6)


def test_a_switch_is_in_series_with_its_line() -> None:
    """Stated apart it gives the lines that hold it, and changes with a temperature coefficient of its own."""
    apart = film(5, 3, 2e-5, 1e-5, (40.0, 70.0), 60.0, 0.0)
    assert apart.output(Contact(1.0), Setting()) == pytest.approx(
        ArrayLines(5, 3, 100.0, 130.0, 1e-5).seen().of(2e-5)
    )
    warm = ThinFilm(
        sensitivity=2e-5, reference_load=1.0, rows=5, columns=3, row_resistance=40.0, column_resistance=70.0,
        switch_resistance=60.0, switch_tempco=5e-3, line_tempco=4e-3, neighbour_conductance=1e-5,
    )  # fmt: skip
    expected = ArrayLines(5, 3, 40.0 * 1.08 + 66.0, 70.0 * 1.08 + 66.0, 1e-5).seen().of(2e-5)
    assert warm.output(Contact(1.0), Setting(temperature=45.0)) == pytest.approx(expected, rel=1e-12)


ARRAY = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", "rows": 6, "columns": 8}


def test_a_case_draws_the_leakage_of_its_units() -> None:
    """Firmware takes the nominal leakage out; what a unit's differs is a load of eight times it over the drive."""
    sensor = {**ARRAY, "switch_leakage": "0.5 nA +/- 0.4 nA"}
    case = pad_case(NONE, sensor=sensor, converter={"bits": 0}, study={"units": 200})
    drawn = np.ravel(use_draws(case, "sensor.switch_leakage"))
    assert factor_of(case, "sensor.switch_leakage").cause == "circuit tolerances"
    expected = 8 * drawn / 1.2 / 4e-6 * 20.0
    errors = errors_of(case)["none"]
    assert errors[:, 0, 0, 0, 0] == pytest.approx(expected, rel=1e-6, abs=1e-9)
    # the same at every load
    assert np.ptp(errors, axis=-1).max() < 1e-6


def test_compiled_and_plain_ways_count_the_same() -> None:
    """Both ways find the same units within, leakage over temperature and switch resistances drawn."""
    sensor = {**ARRAY, "switch_leakage": "0.5 nA +/- 4 nA", "switch_resistance": "60 ohm +/- 20 %",
              "switch_tempco": "0.4 %/K", "neighbour_conductance": "2 uS +/- 2 uS per loading"}  # fmt: skip
    case = pad_case(NONE, sensor=sensor, use={"temperature": "10 degC to 50 degC"}, study={"units": 400})
    plain, compiled = (run(case, compiled=wanted) for wanted in (False, True))
    for name, tally in plain.tallies.items():
        assert np.array_equal(tally.within, compiled.tallies[name].within)
        assert np.array_equal(tally.errors, compiled.tallies[name].errors)


def test_a_silent_array_counts_lines_and_leakage_at_bands() -> None:
    """Zero is what a case states; lines of a stated array have bands, and a film on its own none of them."""
    banded = pad_case(NONE, case={"unstated": None}, sensor=ARRAY)
    bands = {key for key, each in banded.elements["sensor"].quantities.items() if each.band is not None}
    assert {"row_resistance", "column_resistance", "switch_leakage"} <= bands
    stated = {**ARRAY, "switch_leakage": 0, "row_resistance": "50 ohm", "column_resistance": "0 ohm"}
    zero = pad_case(NONE, case={"unstated": None}, sensor=stated).elements["sensor"].quantities
    assert zero["switch_leakage"].nominal == 0.0 and zero["switch_leakage"].band is None
    alone = pad_case(NONE, case={"unstated": None}).elements["sensor"].quantities
    assert alone["switch_leakage"].band is None and alone["row_resistance"].band is None


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (
            {"switch_leakage": "1 nA"},
            "switch_leakage: there is nothing to switch: the case states no columns",
        ),
        ({"rows": 4, "switch_leakage": "+/- 1 nA"}, "state columns, or leave switch_leakage out"),
        ({"switch_resistance": "60 ohm"}, "the case states no rows or columns of an array"),
        ({"rows": 4, "columns": 4, "switch_resistance": "-5 ohm"}, "switch_resistance"),
        ({"rows": 4, "columns": 4, "switch_leakage": "1 nS"}, "switch_leakage"),
        ({"rows": 4, "columns": 4, "switch_leakage_doubling": "0 K"}, "switch_leakage_doubling"),
    ],
)
def test_switches_that_cannot_be_are_refused(keys: dict[str, object], words: str) -> None:
    """One message with the key and what to write."""
    sensor = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", **keys}
    with pytest.raises(CaseError) as error:
        pad_case(NONE, sensor=sensor)
    assert len(error.value.faults) == 1
    assert words in str(error.value)
