"""Error over load and temperature, and the signals of the nominal chain, against closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, pad_case

from margin.case.types import Case
from margin.estimates.error_map import TEMPERATURES, error_map
from margin.estimates.signals import nominal_signals


def warm_case(**tables: object) -> Case:
    """A straight pad whose temperature coefficient alone differs between units, +/- 0.1 %/K about none."""
    return pad_case(
        NONE,
        ONE_POINT,
        sensor={"exponent": 1.0, "temperature_coefficient": "0 %/K +/- 0.1 %/K"},
        **{"use": {"temperature": "5 degC to 45 degC"}, **tables},
    )


def test_the_map_is_that_of_the_closed_form() -> None:
    """A gain that is off by a (T - 25 K), a rectangular to 0.1 %/K: 95 % of |error| is 0.95 x 0.1 %/K x |T - 25 K| of
    the load (own derivation), to the scatter of 2000 units."""
    found = error_map(warm_case(), "none")
    assert found is not None
    assert (found.temperatures[0], found.temperatures[-1], found.temperatures.size) == (
        5.0,
        45.0,
        TEMPERATURES,
    )
    expected = 0.95 * 1e-3 * np.abs(found.temperatures - 25.0)[:, np.newaxis] * found.loads
    np.testing.assert_allclose(found.p95_abs, expected, rtol=0.03, atol=1e-9)
    np.testing.assert_allclose(found.permissible, np.maximum(0.06 * found.loads, 0.01 * 58.0))


def test_named_conditions_span_the_map() -> None:
    """Temperatures reach over all named conditions; those that differ by temperature alone count once."""
    conditions = [
        {"name": "cold", "temperature": "5 degC to 15 degC"},
        {"name": "warm", "temperature": "45 degC"},
    ]
    plain = error_map(warm_case(), "none")
    found = error_map(warm_case(use={"condition": conditions}), "none")
    assert plain is not None and found is not None
    np.testing.assert_allclose(found.temperatures, plain.temperatures)
    np.testing.assert_array_equal(found.p95_abs, plain.p95_abs)


def test_the_map_is_seeded_and_a_table() -> None:
    """The same seed gives the same map, another one another; its table has a row a point."""
    case = warm_case()
    first, second = error_map(case, "one-point", units=200), error_map(case, "one-point", units=200)
    other = dataclasses.replace(case, study=dataclasses.replace(case.study, seed=4))
    third = error_map(other, "one-point", units=200)
    assert first is not None and second is not None and third is not None
    np.testing.assert_array_equal(first.p95_abs, second.p95_abs)
    assert not np.array_equal(first.p95_abs, third.p95_abs)
    assert len(first.frame) == first.p95_abs.size
    point = first.frame.iloc[first.loads.size + 2]
    assert point["p95_abs_N"] == first.p95_abs[1, 2]
    assert (point["temperature_degC"], point["load_N"]) == (first.temperatures[1], first.loads[2])


def test_no_map_where_temperature_does_not_vary() -> None:
    """Without a range of temperatures there is nothing to draw; an unknown option names those that there are."""
    assert error_map(warm_case(use={"temperature": "30 degC"}), "none") is None
    with pytest.raises(ValueError, match="'none', 'one-point'"):
        error_map(warm_case(), "two-point")
    with pytest.raises(ValueError, match="at least one unit"):
        error_map(warm_case(), "none", units=0)


def test_signals_are_those_of_the_nominal_chain() -> None:
    """4 uS at 20 N in proportion, and 60 kohm x 1.2 V x conductance at the output (inverting amplifier, Ohm's law)."""
    found = nominal_signals(pad_case(NONE, sensor={"exponent": 1.0}))
    assert found.loads[0] == 2.0 and found.loads[-1] == 60.0 and found.loads.size == 3
    np.testing.assert_array_equal(found.force, found.loads)
    np.testing.assert_allclose(found.output, found.loads / 20.0 * 4e-6)
    np.testing.assert_allclose(found.voltage, 60e3 * 1.2 * found.output)
    assert found.output_unit == "S" and found.code is None
