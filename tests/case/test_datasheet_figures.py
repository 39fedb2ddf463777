"""Datasheet figures of a sensor: the converted sensor shows them again in a simulated bench test.

The figures of merit are those of `margin.bench.merits`, whose definitions are IEC 61298-2 and ISA-51.1 (see
tests/published/test_linearity_definitions.py).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from case_texts import BRIDGE, case_text, line
from hypothesis import given, settings
from hypothesis import strategies as st

from distributions import Normal, Rectangular
from margin.bench.merits import linearity
from margin.bench.merits.slow import drift
from margin.bench.merits.static import hysteresis
from margin.bench.merits.sweeps import Hold, Sweeps
from margin.case.build import nominal_element
from margin.case.faults import CaseError
from margin.case.load import read_case
from margin.case.types import Case
from margin.chain import Contact, Setting

LOAD_CELL = 'kind = "strain-gauge bridge"\nrated_load = "100 N"\nrated_output = "2 mV/V"'
FILM = line("sensor", "exponent = 0.8")
LOADED_FILM = line(
    "sensor", 'exponent = 0.8\nseries_resistance = "8 kohm"\noffset_conductance = "0.1 uS"\nturn_on = "0.5 N"'
)
TABLE = (
    'kind = "tabulated"\noutput_kind = "ratio"\nloads = ["0 N", "20 N", "60 N"]\n'
    'outputs = ["0.1 mV/V", "0.7 mV/V", "1.6 mV/V"]'
)
FALLING = TABLE.replace('"0.1 mV/V", "0.7 mV/V", "1.6 mV/V"', '"1.6 mV/V", "0.7 mV/V", "0.1 mV/V"')

BENT = "sensor.curvature: nonlinearity 0.05 % of full-scale output at 100 N (rated load of the sensor), "


def case_of(sensor: str, *keys: str, load: str = 'range = "2 N to 60 N"') -> Case:
    circuit = {} if sensor.startswith('kind = "thin film"') else {"circuit": BRIDGE}
    return read_case(case_text(sensor="\n".join((sensor, *keys)), load=load, **circuit))


def outputs(case: Case, loads: np.ndarray, **setting: float) -> np.ndarray:
    full = {"peak": float(loads[-1]), **setting}
    return np.asarray(nominal_element(case.elements["sensor"]).output(Contact(loads), Setting(**full)))


def width(case: Case, full_scale: float) -> float:
    """Hysteresis by the bench's own figure of merit, as a share."""
    loads = np.linspace(0.0, full_scale, 6001)
    up, down = outputs(case, loads)[None], outputs(case, loads, descending=1.0)[None]
    sweeps = Sweeps(loads, up, down, np.zeros(1, dtype=np.intp), np.full(1, 25.0))
    value = hysteresis(sweeps, 0.95).value
    assert value is not None
    return value / 100.0


@pytest.mark.parametrize(
    ("sensor", "full_scale"),
    [(LOAD_CELL, 100.0), (FILM, 60.0), (LOADED_FILM, 60.0), (TABLE, 60.0), (FALLING, 60.0)],
    ids=["load cell", "film", "loaded film", "table", "falling table"],
)
@pytest.mark.parametrize(("loop", "part"), [("full width", 1.0), ("half width", 2.0)])
def test_hysteresis_of_full_scale_is_shown_again(
    sensor: str, full_scale: float, loop: str, part: float
) -> None:
    """A full cycle to full scale has the stated width of loop, or twice the stated half width."""
    case = case_of(sensor, f'hysteresis = "0.8 % of full scale ({loop})"')
    assert width(case, full_scale) == pytest.approx(0.008 * part, rel=1e-6)


@given(exponent=st.floats(0.4, 1.2), percent=st.floats(0.01, 5.0))
@settings(max_examples=15, deadline=None)
def test_loop_of_a_power_law_in_closed_form(exponent: float, percent: float) -> None:
    """The loop 4 h u^(n+1) (1 - u) is widest at u = (n + 1)/(n + 2); own derivation, n = 1 gives 16/27 h."""
    film = line("sensor", f"exponent = {exponent!r}")
    case = case_of(film, f'hysteresis = "{percent:.6f} % of full-scale output"')
    n = exponent
    widest = 4.0 * ((n + 1.0) / (n + 2.0)) ** (n + 1.0) / (n + 2.0)
    stated = float(f"{percent:.6f}") / 100.0
    assert case.elements["sensor"].quantities["hysteresis"].nominal == pytest.approx(
        stated / widest, rel=1e-9
    )


@pytest.mark.parametrize(
    ("written", "definition"),
    [
        ("end point", "terminal-based"),
        ("best straight line", "independent minimax"),
        ("best straight line through zero", "zero-based minimax"),
        ("best fit", "independent least squares"),
        ("least squares through zero", "zero-based least squares"),
    ],
)
@pytest.mark.parametrize("percent", [0.05, -2.0])
def test_nonlinearity_of_each_line_is_shown_again(written: str, definition: str, percent: float) -> None:
    """The ascending branch departs from the named line by the stated share of full-scale output."""
    case = case_of(LOAD_CELL, f'curvature = "{percent} % of full scale ({written})"')
    loads = np.linspace(0.0, 100.0, 2001)
    assert linearity(loads, outputs(case, loads), definition) == pytest.approx(abs(percent) / 100.0, rel=2e-3)
    assert np.sign(case.elements["sensor"].quantities["curvature"].nominal) == np.sign(percent)
    assert any(definition in reading for reading in case.readings)


def test_nonlinearity_and_hysteresis_together() -> None:
    """Each figure is shown with the other present."""
    case = case_of(
        LOAD_CELL, 'curvature = "3 % of full scale (end point)"', 'hysteresis = "1 % of full scale"'
    )
    loads = np.linspace(0.0, 100.0, 2001)
    assert linearity(loads, outputs(case, loads), "terminal-based") == pytest.approx(0.03, rel=1e-9)
    assert width(case, 100.0) == pytest.approx(0.01, rel=1e-6)


@pytest.mark.parametrize("minutes", [20, 30])
@pytest.mark.parametrize(
    ("sensor", "full_scale"), [(LOAD_CELL, 100.0), (FILM, 60.0), (LOADED_FILM, 60.0), (TABLE, 60.0)]
)
def test_creep_of_applied_load_is_shown_again(sensor: str, full_scale: float, minutes: int) -> None:
    """The load that the output stands for moves by the stated share of the applied load."""
    case = case_of(sensor, f'creep = "0.3 % of applied load over {minutes} min"')
    element = nominal_element(case.elements["sensor"])
    later = element.output(Contact(full_scale), Setting(dwell=60.0 * minutes, peak=full_scale))
    found = element.force_from(later, Setting(dwell=1.0, peak=full_scale))
    assert found / full_scale - 1.0 == pytest.approx(0.003, rel=1e-8)


def test_creep_over_a_time_gives_the_drift_of_the_bench() -> None:
    """0.3 % from 10 s to 1000 s is 0.15 % per decade by the bench's own figure of merit."""
    case = case_of(LOAD_CELL, 'creep = "0.3 % of full scale over 1000 s from 10 s"')
    times = np.geomspace(1.0, 3000.0, 30)
    element = nominal_element(case.elements["sensor"])
    hold = Hold(50.0, times, np.array([element.output(Contact(50.0), Setting(dwell=t)) for t in times]), 25.0)
    assert drift([hold], 0.95, 1.0).value == pytest.approx(0.15, rel=1e-9)


def test_creep_per_decade_is_the_quantity_itself() -> None:
    """'per decade' adds nothing to a creep that is stated per decade anyway."""
    stated = case_of(LOAD_CELL, 'creep = "0.5 % per decade +/- 0.1 % per unit"').elements["sensor"]
    plain = case_of(LOAD_CELL, 'creep = "0.5 % +/- 0.1 % per unit"').elements["sensor"]
    assert stated.quantities["creep"] == plain.quantities["creep"]


def test_spread_is_scaled_with_its_figure() -> None:
    """A spread of full scale keeps its shape and is scaled as the value: 27/16 for a straight load cell."""
    case = case_of(LOAD_CELL, 'hysteresis = "0.1 % of full scale +/- 0.04 % of full scale (2 sigma) per lot"')
    (spread,) = case.elements["sensor"].quantities["hysteresis"].spreads
    assert spread.level == "lot"
    assert isinstance(spread.distribution, Normal)
    assert spread.distribution.sd == pytest.approx(2e-4 * 27.0 / 16.0, rel=1e-9)


def test_a_limit_without_a_value_is_a_spread() -> None:
    """'+/- 0.05 %' of nonlinearity is a spread about a straight line, twice as wide from a best straight line."""
    case = case_of(LOAD_CELL, 'curvature = "+/- 0.05 % of full scale (best straight line)"')
    found = case.elements["sensor"].quantities["curvature"]
    (spread,) = found.spreads
    assert found.nominal == 0.0
    assert isinstance(spread.distribution, Rectangular)
    assert spread.distribution.high == pytest.approx(1e-3, rel=1e-9)


def test_table_form_says_the_same() -> None:
    """The table form reads as the text does."""
    pairs = (
        (
            'hysteresis = "0.1 % of full scale (half width) +/- 0.02 % per unit"',
            'hysteresis = { value = "0.1 %", tolerance = "+/- 0.02 % per unit", of = "full-scale output", '
            'loop = "half width" }',
        ),
        (
            'curvature = "0.05 % of full scale (end point)"',
            'curvature = { value = "0.05 %", of = "full scale", line = "terminal" }',
        ),
        (
            'creep = "0.03 % of applied load over 30 min from 20 s"',
            'creep = { value = "0.03 %", over = "30 min", from = "20 s" }',
        ),
    )
    for text, table in pairs:
        one, two = case_of(LOAD_CELL, text), case_of(LOAD_CELL, table)
        assert one.elements == two.elements
        assert one.readings == two.readings


def test_full_scale_is_the_rated_load_or_the_top_of_the_range() -> None:
    """A film's full scale is the top of the range; [load] rated, and a rated load of the sensor, go before it."""
    stated = 'hysteresis = "0.5 % of full scale"'
    film = case_of(LOADED_FILM, stated)
    rated = case_of(LOADED_FILM, stated, load='range = "2 N to 60 N"\nrated = "80 N"')
    assert width(rated, 80.0) == pytest.approx(0.005, rel=1e-6)
    assert any("60 N (top of the load range)" in each for each in film.readings)
    assert any("80 N (rated load of [load])" in each for each in rated.readings)
    cell = case_of(LOAD_CELL, 'curvature = "0.05 % of full scale (end point)"')
    assert [each for each in cell.readings if each.startswith(BENT)] == [
        f"{BENT}from the terminal-based line, read as 0.05 % departure from the line at half load"
    ]


QUARTER = (
    'kind = "strain-gauge bridge"\nrated_load = "100 N"\nstrain_per_newton = "20 ppm/N"\narms = "quarter"'
)


@pytest.mark.parametrize(
    ("sensor", "key", "message"),
    [
        (LOAD_CELL, 'curvature = "0.05 % of full scale"', "does not say from which line"),
        (LOAD_CELL, 'curvature = "0.05 % of applied load (end point)"', "is stated of full scale, not of the"),
        (LOAD_CELL, 'curvature = "30 % of full scale (end point)"', "must be at most 0.2 (got 0.3)"),
        (LOAD_CELL, 'creep = "0.1 % of full scale"', "does not say over which time; write for example"),
        (LOAD_CELL, 'creep = "0.1 % of full scale over 1 s"', "ends before the reference time of the sensor"),
        (LOAD_CELL, 'creep = "0.1 % over 10 s from 20 s"', "ends before it starts"),
        (LOAD_CELL, 'creep = "0.1 % over 10 N"', 'over = "10 N" is not a time'),
        (LOAD_CELL, 'hysteresis = { value = "1 %", loop = "half" }', 'write "full width" or "half width"'),
        (LOAD_CELL, 'hysteresis = { value = "1 %", line = "end point" }', '"line" is not a key of the table'),
        (
            LOAD_CELL, 'hysteresis = "1 % of full scale (full width) +/- 1 % of full scale (half width)"',
            "states figures of several kinds",
        ),
        (LOAD_CELL, 'nonlinearity = "0.1 %"', "unknown key; nonlinearity is stated by the key curvature"),
        (QUARTER, 'curvature = "1 % of full scale (end point)"', "is not straight without it"),
        (TABLE, 'curvature = "1 % of full scale (end point)"', "state curvature itself, without of"),
        (FILM, 'sensitivity = "3 % of full scale"', 'cannot read "of full scale"'),
    ],
)  # fmt: skip
def test_figures_that_cannot_be_read(sensor: str, key: str, message: str) -> None:
    """A figure without its definition, or that the sensor cannot show, is one clear fault at its key."""
    sensor = "\n".join(each for each in sensor.split("\n") if each.split(" =")[0] != key.split(" =")[0])
    with pytest.raises(CaseError) as found:
        case_of(sensor, key)
    assert len(found.value.faults) == 1
    assert f"case: [sensor] {key.split(' =')[0]} = " in str(found.value)
    assert message in str(found.value)


def test_a_rated_load_stated_twice_must_be_the_same() -> None:
    """[load] rated beside another rated load of the sensor is refused."""
    with pytest.raises(
        CaseError, match=r'\[load\] rated = "50 N": is 100 N in \[sensor\]; leave rated out of'
    ):
        case_of(LOAD_CELL, load='range = "2 N to 60 N"\nrated = "50 N"')


def test_a_converted_case_is_read_anew_alike() -> None:
    """A case keeps its figures as written, so that a changed case converts them for its own full scale."""
    from margin.case.changes import with_changes

    case = with_changes(case_of(LOADED_FILM, 'hysteresis = "0.5 % of full scale"'), {"load.rated": "40 N"})
    assert width(case, 40.0) == pytest.approx(0.005, rel=1e-6)
    assert all(q.figure is None for q in case.elements["sensor"].quantities.values())
    assert dataclasses.replace(case, source={}) == case
