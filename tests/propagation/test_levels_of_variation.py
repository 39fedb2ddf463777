"""Where quantities are drawn: what a calibration sees of a unit, and what it cannot."""

from __future__ import annotations

import numpy as np
import pytest
from pad_study import (
    NONE,
    ONE_POINT,
    errors_of,
    factor_of,
    loads_of,
    only,
    option_named,
    pad_case,
    source_of,
    station_event,
    use_draws,
)

from margin.estimates.evaluate import evaluate
from margin.propagation.calibrated import Bench
from margin.propagation.plan import LOT_UNITS
from margin.propagation.readings import use_event

PUCK = {
    "kind": "load concentrator",
    "parallel_stiffness": "200 N/mm +/- 100 N/mm (3 sigma)",
    "sensor_stiffness": "2000 N/mm",
}


def test_nothing_drawn_at_a_loading_or_reading_leaks_into_use() -> None:
    """Placements and samples of a calibration are drawn apart from those in use; unit and mounting are
    one."""
    case = pad_case(
        ONE_POINT,
        interface={**PUCK},
        sensor={"sensitivity": "4 uS +/- 10 %", "reload_scatter": "2 %"},
        converter={"bits": 16, "noise": 3},
        load={"check": 2},
    )
    _, source, count = source_of(case)
    use, station = use_event(case, None), station_event(case, 2)
    for name in ("sensor.reload_scatter", "converter.noise"):
        factor = factor_of(case, name)
        first, second = source.deviation(factor, use), source.deviation(factor, station)
        assert first.shape == second.shape == (count, 1, 1, 1, 2)
        assert not np.any(first == second)
        assert abs(np.corrcoef(first.ravel(), second.ravel())[0, 1]) < 4 / np.sqrt(2 * count)
    for name in ("sensor.sensitivity", "interface.parallel_stiffness"):
        factor = factor_of(case, name)
        assert np.array_equal(source.deviation(factor, use), source.deviation(factor, station))


def test_each_level_has_its_shape() -> None:
    """A temperature is one draw for each period of use, a placement one for each loading and load, noise one
    for each reading, and a resistor one for each unit."""
    case = pad_case(
        NONE,
        sensor={"reload_scatter": "2 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        converter={"bits": 16, "noise": 3},
        use={"temperature": "5 degC to 40 degC", "conditions": 3, "loadings": 4, "readings": 5},
        study={"units": 50},
    )
    assert use_draws(case, "circuit.feedback").shape == (50, 1, 1, 1, 1)
    assert use_draws(case, "use.temperature").shape == (50, 3, 1, 1, 1)
    assert use_draws(case, "sensor.reload_scatter").shape == (50, 3, 4, 1, 7)
    assert use_draws(case, "converter.noise").shape == (50, 3, 4, 5, 7)
    assert np.unique(use_draws(case, "use.temperature")).size == 150


def test_reading_often_does_not_average_the_temperature() -> None:
    """The mean of many readings of a soaked unit keeps the error of its temperature (common practice, no
    source)."""
    case = pad_case(
        NONE,
        sensor={"temperature_coefficient": "0.2 %/K"},
        use={"temperature": "15 degC to 35 degC", "readings": 50, "loadings": 4},
    )
    error = only(case, 300)
    assert np.array_equal(error[:, :, :1, :1], error[:, :, 1:2, 7:8])
    assert error.mean(axis=(1, 2, 3)).std(axis=0) == pytest.approx(error[:, 0, 0, 0].std(axis=0))


def test_no_percent_of_reading_at_no_load() -> None:
    """An error at 0 N has no percentage of reading, and is held against the part of the limit that is of
    span."""
    case = pad_case(
        ONE_POINT, load={"range": "0 N to 60 N"}, sensor={"offset_conductance": "0.1 uS +/- 0.02 uS"}
    )
    frame = evaluate(case, workers=1, with_budget=False).options[0].errors
    assert np.isnan(frame["p95_abs_reading"].iloc[0])
    assert frame["p95_abs_reading"].iloc[1:].notna().all()
    assert frame["p95_abs_span"].iloc[0] == pytest.approx(100 * frame["p95_abs_N"].iloc[0] / 60)
    assert frame["permissible_N"].iloc[0] == pytest.approx(0.6)


def test_stage_decides_what_a_calibration_removes() -> None:
    """Calibrated bare, a sensor leaves circuit and mounting in the error; as a sub-assembly the mounting;
    as a finished product neither (common practice, no source)."""
    stages = ("bare sensor", "sub-assembly", "finished product")
    case = pad_case(
        *({**ONE_POINT, "name": stage, "stage": stage} for stage in stages),
        interface={**PUCK},
        sensor={"sensitivity": "4 uS +/- 10 %"},
        circuit={"feedback": "60 kohm +/- 5 %"},
    )
    top = {name: error[:, 0, 0, 0, -1] / 60 for name, error in errors_of(case).items()}
    resistor = use_draws(case, "circuit.feedback").ravel()
    stiffness = 200e3 + use_draws(case, "interface.parallel_stiffness").ravel()
    mounted = (1 + 0.1) / (1 + stiffness / 2e6)
    assert top["bare sensor"] == pytest.approx((1 + resistor) * mounted - 1, abs=1e-9)
    assert top["sub-assembly"] == pytest.approx(mounted - 1, abs=1e-9)
    assert top["finished product"] == pytest.approx(0.0, abs=1e-9)


def test_lot_factor_is_one_number_a_lot() -> None:
    """A factor per lot is equal within a lot and differs between lots; so are the errors that it makes."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 10 % (2 sigma) per lot"},
        study={"units": 1000, "units_per_lot": 40},
    )
    # a lot of 40 is sampled by 8 units
    drawn = use_draws(case, "sensor.sensitivity").reshape(125, LOT_UNITS)
    assert np.all(drawn == drawn[:, :1])
    assert np.unique(drawn[:, 0]).size == 125
    error = only(case)[..., -1].reshape(125, LOT_UNITS)
    assert np.ptp(error, axis=1).max() < 1e-12
    assert error[:, 0].std() > 1.0


def test_a_lot_curve_follows_its_lot() -> None:
    """A curve of the lot, scaled by one load of each unit, removes what lots differ by in exponent and
    units in gain, exactly in logarithms: a power law is a straight line there (closed form)."""
    curve = {
        "kind": "lot-curve",
        "name": "lot",
        "space": "logarithm",
        "degree": 1,
        "loads": ["4 N", "30 N", "60 N"],
    }
    case = pad_case(
        ONE_POINT,
        curve,
        sensor={"sensitivity": "4 uS +/- 10 % per unit", "exponent": "0.9 +/- 0.05 per lot"},
        study={"units": 400, "units_per_lot": 40},
    )
    found = errors_of(case)
    assert np.abs(found["one-point"]).max() > 0.3
    assert np.abs(found["lot"]).max() < 1e-9


def test_options_that_share_a_load_see_the_same_placement() -> None:
    """Two options that use the same load see the same placement of it, so that their difference is sharp."""
    three = {"kind": "multi-point", "name": "three", "loads": ["10 N", "30 N", "50 N"], "degree": 1}
    case = pad_case(ONE_POINT, three, sensor={"reload_scatter": "2 %"}, converter={"bits": 16, "noise": 3})
    model, source, count = source_of(case, 100)
    bench = Bench(case, source, model.nominal, count)
    one, many = (bench.view(option_named(case, name)).codes for name in ("one-point", "three"))
    assert np.array_equal(one[..., 0], many[..., 1])
    assert not np.any(many[..., 0] * 3 == many[..., 1])


def test_mounting_of_the_finished_product_is_that_of_use() -> None:
    """A finished product is calibrated in the mounting in which it is used; a rebuild in between is a
    level of its own and stays in the error."""
    case = pad_case(ONE_POINT, interface={**PUCK})
    assert np.abs(only(case)).max() < 1e-9
    bare = pad_case({**ONE_POINT, "stage": "sub-assembly"}, interface={**PUCK})
    assert only(bare).std(axis=0).max() > 0.5


def test_three_yields_are_ordered_and_differ() -> None:
    """The share of readings, of units by share of readings, and of units at every check point differ; the
    last is the smallest (common practice, no source)."""
    case = pad_case(
        ONE_POINT,
        sensor={"reload_scatter": "1.8 %"},
        use={"conditions": 2, "loadings": 5},
    )
    yields = evaluate(case, workers=1, with_budget=False).options[0].yields
    readings, share, everywhere = (
        yields[name].sampled.value
        for name in ("readings", "units by share of readings", "units at every check point")
    )
    assert everywhere + 0.05 < share < readings - 0.01
    assert evaluate(case, workers=1, with_budget=False).options[0].readings_bias > 0.05


def test_calibration_temperature_is_not_that_of_use() -> None:
    """A temperature drawn per calibration moves the gain that a unit is given once, and not its use."""
    case = pad_case(
        ONE_POINT,
        sensor={"temperature_coefficient": "0.5 %/K"},
        station={"temperature": "20 degC to 30 degC"},
        use={"conditions": 2},
    )
    gain = only(case) / loads_of(case)
    assert np.ptp(gain, axis=(1, 2, 3, 4)).max() < 1e-12
    assert gain.std() == pytest.approx(0.005 * 10 / np.sqrt(12), rel=0.05)
