"""Causes and part grades as declared, from the field of an element to its factors."""

from __future__ import annotations

from dataclasses import dataclass, make_dataclass
from typing import ClassVar

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pad_study import NONE, ONE_POINT, pad_case

from distributions import Normal
from margin.calibration.station import Station
from margin.case.quantity import Place
from margin.case.types import Case, ElementSpec, Role, Spread
from margin.case.use import Use
from margin.chain import (
    CAUSE_OF_ROLE,
    CAUSES,
    ELEMENTS,
    CauseName,
    ThinFilm,
    Value,
    parameters_of,
    register,
)
from margin.chain.own_elements import ElementsFile, classes_in
from margin.chain.parameter import draw, parameter
from margin.chain.registry import ElementError
from margin.estimates.part_grades import grades_of
from margin.propagation.factors import Factor, element_factors, factors_of
from margin.propagation.identity import content_of

EXPECTED: dict[Role, dict[str, str]] = {
    "interface": {
        "mechanics": (
            "sensor_stiffness parallel_stiffness stop_force stop_share preload concentrator_radius sensing_radius "
            "design_radius placement placement_x placement_y tilt tilt_x tilt_y tilt_unevenness contact_gain "
            "friction friction_force shear_error shear_draw"
        ),
        "temperature": "share_tempco preload_tempco",
        "ageing": "preload_ageing wear area_wear friction_growth",
    },
    "sensor": {
        "sensor spread": (
            "conditioning_cycles "
            "sensitivity exponent reference_load offset_conductance turn_on series_resistance voltage_coefficient "
            "voltage_reference current_limit voltage_limit rated_load rated_output strain_per_newton gauge_factor "
            "poisson curvature zero lead_resistance bridge_resistance gain row_resistance column_resistance"
        ),
        "temperature": (
            "temperature_coefficient temperature_curvature offset_temperature_coefficient "
            "zero_temperature_coefficient span_temperature_coefficient lead_tempco "
            "thermal_resistance gradient_resistance gauge_tempco line_tempco switch_tempco "
            "switch_leakage_doubling"
        ),
        "mechanics": "connector_resistance",
        "circuit tolerances": "switch_resistance switch_leakage",
        "use": "neighbour_conductance",
        "humidity": "humidity_coefficient",
        "creep": "creep creep_reference_time",
        "ageing": "ageing ageing_activation cycle_loss conditioning zero_ageing sustained_creep",
        "load history": "hysteresis zero_return history_draw",
        "reloading": "reload_scatter reload_draw reload_scatter_exponent reload_span_scatter reload_span_draw",
    },
    "circuit": {
        "circuit tolerances": (
            "input_capacitance reference source_resistance offset bias_current open_loop_gain gain_bandwidth swing_low "
            "swing_high "
            "load_resistance output_current_limit capacitor leakage resistor feedback drive_ratio bias_ratio "
            "compliance internal_resistor gain_resistor excitation_ratio pedestal_ratio output_offset "
            "common_mode_rejection filter_resistor"
        ),
        "temperature": (
            "reference_tempco offset_drift bias_drift resistor_tempco feedback_tempco internal_tempco "
            "gain_resistor_tempco"
        ),
        "ageing": "reference_ageing reference_activation resistor_ageing feedback_ageing gain_resistor_ageing",
        "noise": (
            "voltage_noise current_noise noise_bandwidth noise_draw flicker_corner flicker_lowest flicker_draw "
            "reference_noise reference_noise_draw reference_flicker reference_flicker_draw"
        ),
    },
    "converter": {
        "circuit tolerances": (
            "full_scale reference_gain gain_error offset integral_nonlinearity inl_phase input_leakage "
            "sampling_capacitor sampling_time sampling_interval"
        ),
        "temperature": "reference_tempco gain_drift offset_drift",
        "ageing": "reference_ageing reference_activation",
        "noise": (
            "noise noise_draw reference_noise reference_noise_draw reference_flicker reference_flicker_draw"
        ),
    },
    "firmware": {"temperature": "thermometer_error"},
    "use": {
        "temperature": "temperature",
        "humidity": "humidity",
        "creep": "dwell",
        "ageing": "age cycles_per_hour cycle_load_exponent duty service_temperature",
        "load history": "peak direction_draw",
        "use": "load_frequency",
    },
    "station": {
        "calibration station": (
            "reference_gain reference_offset reference_scatter reference_draw temperature dwell humidity age "
            "seconds_per_load seconds_per_unit seconds_per_sample"
        )
    },
}  # fmt: skip
"""Fields by role and cause, as an engineer sorts them (common practice, no source)."""

TOLERANCE = {
    "reference",
    "resistor",
    "feedback",
    "internal_resistor",
    "gain_resistor",
    "filter_resistor",
    "capacitor",
}
COEFFICIENT = {
    "reference_tempco", "resistor_tempco", "feedback_tempco", "internal_tempco", "gain_resistor_tempco",
}  # fmt: skip
"""Fields of a circuit that are resistors, capacitors and references, which IEC 60062 grades (from memory)."""

BUILT_IN: dict[Role, list[type]] = {
    "interface": list(ELEMENTS["interface"].values()),
    "sensor": list(ELEMENTS["sensor"].values()),
    "circuit": list(ELEMENTS["circuit"].values()),
    "converter": list(ELEMENTS["converter"].values()),
    "firmware": list(ELEMENTS["firmware"].values()),
    "use": [Use],
    "station": [Station],
}


def factor_of_each_field(role: Role, cls: type) -> dict[str, Factor]:
    """Factors of an element whose every quantity has a spread of its own, by field."""
    spread = Spread("unit", Normal(0.0, 0.01), True, "")
    quantities = {
        name: Place(role, name, declared).quantity(1.0, (spread,))
        for name, declared in parameters_of(cls).items()
        if declared.draw is None
    }
    found = element_factors(ElementSpec(role, "", cls, quantities, {}))
    return {factor.quantity.partition(".")[2]: factor for factor in found}


@pytest.mark.parametrize("role", list(BUILT_IN))
def test_every_field_has_the_cause_that_an_engineer_expects(role: Role) -> None:
    """Each quantity and each draw of each built-in element is in the table, with its cause, and no other is."""
    by_field = {field: cause for cause, fields in EXPECTED[role].items() for field in fields.split()}
    seen: set[str] = set()
    for cls in BUILT_IN[role]:
        found = factor_of_each_field(role, cls)
        assert set(found) == set(parameters_of(cls))
        assert {name: factor.cause for name, factor in found.items()} == {
            name: by_field.get(name) for name in found
        }
        seen |= set(found)
    assert seen == set(by_field)


def test_every_cause_is_used() -> None:
    """All but 'firmware', which waits for an element of a user's own, are causes of a built-in field."""
    used = {cause for fields in EXPECTED.values() for cause in fields}
    assert used == set(CAUSES) - {"firmware"}
    assert set(CAUSE_OF_ROLE) == set(EXPECTED)
    assert set(CAUSE_OF_ROLE.values()) <= set(CAUSES)


@pytest.mark.parametrize("role", list(BUILT_IN))
def test_only_parts_that_are_sold_in_grades_declare_them(role: Role) -> None:
    """Resistors, capacitors, references and their coefficients do; amplifiers, ratios and sensors do not."""
    for cls in BUILT_IN[role]:
        for name, factor in factor_of_each_field(role, cls).items():
            tolerance, coefficient = (
                role == "circuit" and name in names for names in (TOLERANCE, COEFFICIENT)
            )
            assert factor.grades == (
                "tolerance" if tolerance else "temperature coefficient" if coefficient else None
            )
            # the spread of 1 % is a share of the value, which says nothing of a temperature coefficient
            assert (grades_of(factor) is not None) == tolerance


WORDS = ("temperature", "tempco", "drift", "humidity", "age", "peak", "reload", "noise", "gain", "resistor")


@given(
    role=st.sampled_from(list(BUILT_IN)),
    words=st.lists(st.sampled_from(WORDS), min_size=1, max_size=3),
    cause=st.none() | st.sampled_from(CAUSES),
)
def test_a_name_says_nothing(role: Role, words: list[str], cause: CauseName | None) -> None:
    """Whatever words a field's name holds, its cause is the declared one, else that of the role, and it has no
    grades."""
    field = ("_".join(words), Value, parameter("", 1.0, cause=cause, doc="any"))
    (factor,) = factor_of_each_field(role, make_dataclass("Any", [field], frozen=True)).values()
    assert factor.cause == (CAUSE_OF_ROLE[role] if cause is None else cause)
    assert grades_of(factor) is None


def test_labels_change_no_study() -> None:
    """Cause and grades are no part of what a kept study is recognised by."""
    case = pad_case(ONE_POINT, circuit={"feedback": "60 kohm +/- 1 %"})
    keys = content_of(case)
    assert "circuit.feedback.nominal" in keys
    assert not [key for key in keys if key.endswith((".cause", ".grades"))]


@dataclass(frozen=True, kw_only=True)
class OwnFilm(ThinFilm):
    """A sensor of a user's own: fields that declare a cause, and fields whose names sound like one."""

    kind: ClassVar[str] = "own film of the tests"
    thermal_gain: Value = parameter("", 1.0, cause="temperature", doc="gain of the warm film")
    shunt: Value = parameter("ohm", 1e3, grades="tolerance", doc="resistor beside the film")
    peak_gain: Value = parameter("", 1.0, doc="gain at the highest load")
    noise_tempco: Value = parameter("1/K", 0.0, doc="named after two causes, declares none")
    flicker: Value = parameter("", 0.1, cause="noise", doc="flicker of the film")
    flicker_draw: Value = draw("normal", level="reading", scales="flicker", doc="sample of the flicker")
    seat_draw: Value = draw("normal", level="loading", cause="mechanics", doc="seat of the film")
    reload_draw_of_ones_own: Value = draw("normal", level="loading", doc="declares nothing")


@pytest.fixture
def own(monkeypatch: pytest.MonkeyPatch) -> Case:
    """A case with the sensor of a user's own."""
    monkeypatch.setitem(ELEMENTS, "sensor", dict(ELEMENTS["sensor"]))
    register("sensor", OwnFilm)
    return pad_case(
        ONE_POINT,
        sensor={
            "kind": OwnFilm.kind, "sensitivity": "4 uS", "reference_load": "20 N",
            "thermal_gain": "1 +/- 0.02", "peak_gain": "1 +/- 0.02", "shunt": "1 kohm +/- 1 %",
            "noise_tempco": "0 ppm/K +/- 100 ppm/K",
        },
    )  # fmt: skip


def test_an_element_of_ones_own_declares_its_causes(own: Case) -> None:
    """A declared cause holds, a draw has that of the field it scales, and what declares none has that of its role,
    whatever its name."""
    found = {f.quantity: f.cause for f in factors_of(own) if f.role == "sensor"}
    assert found == {
        "sensor.thermal_gain": "temperature",
        "sensor.shunt": "sensor spread",
        "sensor.peak_gain": "sensor spread",
        "sensor.noise_tempco": "sensor spread",
        "sensor.flicker_draw": "noise",
        "sensor.seat_draw": "mechanics",
        "sensor.reload_draw_of_ones_own": "sensor spread",
    }


def test_an_element_of_ones_own_declares_its_grades(own: Case) -> None:
    """A resistor that declares grades has them in any role; a name that ends in 'tempco' gives none."""
    found = {f.quantity: grades_of(f) for f in factors_of(own)}
    assert found["sensor.shunt"] == pytest.approx((0.5, 2.0))
    assert found["sensor.noise_tempco"] is None


@pytest.mark.parametrize(
    ("declaration", "message"),
    [
        ('parameter("", 0.0, cause="warmth", doc="gain")', r"cause 'warmth' of 'gain' is unknown: use one of 'temp"),
        ('draw("normal", level="unit", cause="hum", doc="pick-up")', r"cause 'hum' of 'pick-up' is unknown"),
        ('parameter("ohm", 1.0, grades="E96", doc="shunt")', r"grades 'E96' of 'shunt' are unknown: use one of 'tol"),
        (
            'parameter("V/K", 0.0, grades="temperature coefficient", doc="drift")',
            r"'temperature coefficient' of 'drift' need the unit '1/K' \(got 'V/K'\)",
        ),
    ],
)  # fmt: skip
def test_an_unknown_cause_is_refused_where_it_is_declared(declaration: str, message: str) -> None:
    """The message names the file, the word, the field's description and the words there are."""
    text = (
        "from margin.chain.parameter import draw, parameter\n"
        f"class Own:\n    wrong = {declaration}\n"
    )  # fmt: skip
    with pytest.raises(ElementError, match=rf"own\.py: ValueError: .*{message}"):
        classes_in((ElementsFile("own.py", text.encode()),))


def test_quantities_of_a_condition_have_the_cause_of_their_field() -> None:
    """Temperature and dwell of a named condition are 'temperature' and 'creep' as those of all use are."""
    named = [{"name": "cold", "temperature": "0 degC +/- 5 K", "dwell": "1 s to 3 s"}]
    case = pad_case(NONE, use={"condition": named, "temperature": None})
    found = {f.name: f.cause for f in factors_of(case) if f.condition == "cold"}
    assert found == {
        "use.temperature (cold) per condition": "temperature",
        "use.dwell (cold) per condition": "creep",
    }


def test_a_shared_quantity_has_the_cause_and_grades_of_its_first_key() -> None:
    """A converter that shares the reference of the circuit shares its grades, and its factor is the same one."""
    case = pad_case(
        NONE,
        circuit={"reference": "1.2 V +/- 1 %"},
        converter={"bits": 16, "reference": "absolute", "full_scale": "1.2 V"},
        shared=[{"keys": ["circuit.reference", "converter.full_scale"]}],
    )
    quantity = case.elements["converter"].quantities["full_scale"]
    assert (quantity.cause, quantity.grades) == ("circuit tolerances", "tolerance")
    (factor,) = factors_of(case)[:1]
    assert (factor.name, grades_of(factor)) == ("circuit.reference per unit", pytest.approx((0.5, 2.0)))
