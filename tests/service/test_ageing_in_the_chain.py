"""Ageing in the chain: loss and conditioning by load cycles, drift of the zero, drift of film resistors."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, only, pad_case

import margin
from margin.backends.run import run
from margin.case.types import Case
from margin.chain.laws import film_of_time
from margin.propagation.plan import plan_of
from margin.service.acceleration import film_resistor_drift
from margin.service.ageing import ageing_quantities, cycles_missing
from margin.service.over_age import over_age

PAD = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N"}
CELL = {"kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V"}
AMPLIFIER = {
    "kind": "bridge amplifier",
    "reference": "5 V",
    "gain_resistor": "200 ohm",
    "internal_resistor": "50 kohm",
}
LOAD = 20.0


def error(option: dict[str, Any] = NONE, **tables: dict[str, Any]) -> float:
    """Error at 20 N of a case without any variation, as a share of the load."""
    case = pad_case(option, load={"check": [f"{LOAD:g} N"]}, **{"sensor": PAD, **tables})
    return float(np.unique(only(case, 2))[0]) / LOAD


def test_cycles_lose_sensitivity_by_decades_and_conditioning_by_its_constant() -> None:
    """2 % per decade of 120 x 500 cycles, 3 % conditioned with a constant of 40 000 cycles: the product of both."""
    sensor = {**PAD, "cycle_loss": "2 %", "conditioning": "3 %", "conditioning_cycles": 40_000}
    found = error(sensor=sensor, use={"age": "500 h", "cycles_per_hour": 120})
    left = (1.0 - 0.02 * math.log10(1.0 + 60_000)) * (1.0 - 0.03 * (1.0 - math.exp(-60_000 / 40_000)))
    assert found == pytest.approx(left - 1.0, rel=1e-9)
    assert error(sensor=sensor, use={"age": "500 h"}) == pytest.approx(0.0, abs=1e-12)


def test_loss_by_cycles_adds_to_that_by_hours() -> None:
    """Hours and cycles are two causes: their factors multiply."""
    both = {**PAD, "ageing": "1 %", "cycle_loss": "2 %"}
    found = error(sensor=both, use={"age": "999 h", "cycles_per_hour": 1000})
    assert found == pytest.approx(0.97 * (1.0 - 0.02 * math.log10(1.0 + 999_000)) - 1.0, rel=1e-9)


def test_the_zero_of_a_pad_shifts_by_decades() -> None:
    """0.04 uS a decade of a pad of 0.2 uS/N: 0.2 N a decade, and a new zero takes it off."""
    use = {"age": "999 h"}
    sensor = {**PAD, "zero_ageing": "0.04 uS"}
    assert LOAD * error(sensor=sensor, use=use) == pytest.approx(0.6, rel=1e-9)
    assert error({"kind": "none", "rezero": True}, sensor=sensor, use=use) == pytest.approx(0.0, abs=1e-9)


def test_the_zero_and_span_of_a_load_cell_shift() -> None:
    """0.01 mV/V a decade of a cell of 2 mV/V at 60 N: 0.3 N a decade; its span falls with cycles."""
    tables = {"circuit": AMPLIFIER, "use": {"age": "99 h", "cycles_per_hour": 1}}
    shifted = LOAD * error(sensor={**CELL, "zero_ageing": "0.01 mV/V"}, **tables)
    assert shifted == pytest.approx(0.6, rel=1e-6)
    assert error(sensor={**CELL, "cycle_loss": "1 %"}, **tables) == pytest.approx(-0.02, rel=1e-6)
    conditioned = error(sensor={**CELL, "conditioning": "1 %", "conditioning_cycles": 99}, **tables)
    assert conditioned == pytest.approx(-0.01 * (1.0 - math.exp(-1.0)), rel=1e-6)


def film(age: str, law: str = "film", temperature: str = "25 degC") -> float:
    """Error of a pad with a feedback resistor that drifts by 0.1 % in 1000 h."""
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "0.1 %",
        "resistor_drift": law,
    }  # fmt: skip
    return error(circuit=circuit, use={"age": age, "service_temperature": temperature})


def test_film_resistors_drift_twofold_from_1000_to_8000_h() -> None:
    """Cube root of time (common practice, no source), through the engine; the root of time gives 2.83."""
    assert film("1000 h") == pytest.approx(0.001, rel=1e-6)
    assert film("8000 h") / film("1000 h") == pytest.approx(2.0, rel=1e-6)
    assert film("8000 h", "root of time") / film("1000 h", "root of time") == pytest.approx(
        math.sqrt(8.0), rel=1e-6
    )


def test_film_resistors_drift_twofold_in_30_k() -> None:
    """Doubled by 30 K in service (common practice, no source), though readings are taken at 25 degC."""
    assert film("1000 h", temperature="55 degC") == pytest.approx(0.002, rel=1e-6)
    assert film("1000 h", "root of time", "55 degC") == pytest.approx(0.001, rel=1e-6)


def test_one_law_of_films_in_chain_and_acceleration() -> None:
    """The law of the chain is that of `margin.service.acceleration`."""
    hours, warm = np.array([10.0, 500.0, 9000.0]), np.array([40.0, 85.0, 15.0])
    found = film_of_time(hours, warm, 25.0)
    assert found == pytest.approx(film_resistor_drift(hours, warm, 1000.0, 25.0), rel=1e-12)


@pytest.mark.parametrize(
    "circuit",
    [
        {"kind": "voltage divider", "reference": "3 V", "resistor": "50 kohm", "resistor_ageing": "1 %"},
        {"kind": "non-inverting amplifier", "reference": "0.3 V", "feedback": "60 kohm", "feedback_ageing": "1 %"},
        {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "1 %"},
        {"kind": "bridge amplifier", "reference": "5 V", "gain_resistor": "200 ohm", "gain_resistor_ageing": "1 %",
         "internal_resistor": "50 kohm"},
    ],
    ids=lambda circuit: str(circuit["kind"]),
)  # fmt: skip
def test_every_circuit_takes_the_law_of_films(circuit: dict[str, Any]) -> None:
    """At 64 000 h the drift of a film is that of the root of time at 16 000 h: four times that of 1000 h."""
    sensor = CELL if circuit["kind"] == "bridge amplifier" else PAD
    by_film = error(sensor=sensor, circuit={**circuit, "resistor_drift": "film"}, use={"age": "64000 h"})
    by_root = error(sensor=sensor, circuit=circuit, use={"age": "16000 h"})
    assert by_film == pytest.approx(by_root, rel=1e-9) and abs(by_film) > 1e-3


def worn(**use: Any) -> Case:
    """A pad that loses sensitivity by cycles alone, at a rate of its own in each unit."""
    sensor = {**PAD, "cycle_loss": "1 % +/- 0.5 % (2 sigma)"}
    return pad_case(
        NONE, ONE_POINT, sensor=sensor, use=use, load={"check": ["20 N"]},
        requirement={"permissible_error": "5 % of reading"}, study={"units": 600, "outer": 1, "seed": 3},
    )  # fmt: skip


def test_a_recalibration_knows_the_cycles() -> None:
    """Cycles an hour are not known; a unit recalibrated at its age of use has no error left, however many it had."""
    case = worn(cycles_per_hour="100 +/- 50 % per common", age="4000 h")
    old = margin.change(
        case,
        {
            "station.age": "4000 h",
            "load.check": ["31 N"],
            "calibration.one-point.loads": ["31 N"],
            "study.outer": 10,
        },
    )
    study = over_age(old, "one-point", ages=[4000.0], workers=1)
    new = over_age(margin.change(old, {"station.age": None}), "one-point", ages=[4000.0], workers=1)
    assert [abs(each.value) for each in study.ages[-1].errors] == pytest.approx([0.0] * 3, abs=1e-6)
    assert new.ages[-1].errors[0].value < -0.8


def test_effects_of_cycles_without_cycles_are_named() -> None:
    """A loss by cycles in a case without cycles is warned of; with cycles it is a cause over age."""
    still, moved = worn(), worn(cycles_per_hour=100)
    assert cycles_missing(still) == ("sensor.cycle_loss",) and cycles_missing(moved) == ()
    assert ageing_quantities(moved) == ("sensor.cycle_loss",)
    shown = " ".join(str(margin.age(still, "none", points=2, units=200, workers=1)).split())
    assert "state use.cycles_per_hour" in shown


def test_bands_of_cycles_hold_only_where_cycles_are_stated() -> None:
    """A case that leaves the effects of cycles out is given a plausible band for them where it states cycles."""
    tables = {"case": {"unstated": "plausible bands"}}
    without = pad_case(NONE, **tables)
    stated = pad_case(NONE, **tables, use={"cycles_per_hour": 60, "age": "100 h"})
    assert not without.elements["sensor"].quantities["cycle_loss"].spreads
    assert all(stated.elements["sensor"].quantities[key].spreads for key in ("cycle_loss", "conditioning"))


def test_a_kernel_computes_ageing_alike() -> None:
    """All of it at once, by array operations and by a compiled kernel: the same counts of units."""
    sensor = {
        **PAD,
        "cycle_loss": "1 % +/- 0.5 %",
        "conditioning": "2 % +/- 1 %",
        "zero_ageing": "0 uS +/- 0.02 uS",
    }
    circuit = {
        "kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm", "feedback_ageing": "0 % +/- 1 %",
        "resistor_drift": "film",
    }  # fmt: skip
    use = {
        "age": "0 h to 9000 h",
        "cycles_per_hour": "10 to 100",
        "service_temperature": "30 degC to 60 degC",
    }
    case = pad_case(
        ONE_POINT, sensor=sensor, circuit=circuit, use=use, station={"age": "10 h to 100 h"},
        requirement={"permissible_error": "6 % of reading"}, study={"units": 800, "outer": 1, "draw": "all units"},
    )  # fmt: skip
    plain, kernel = (run(case, plan=plan_of(case), workers=1, compiled=way) for way in (False, True))
    assert kernel.path == "kernel"
    assert np.array_equal(plain.tallies["one-point"].within, kernel.tallies["one-point"].within)
    assert 0 < plain.tallies["one-point"].within[:, 2].sum() < 800
