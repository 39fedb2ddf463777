"""Good cases: a short one, a full one, and what the tool fills in."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import ClassVar

import pytest
from case_texts import BRIDGE, TABLES, case_text, instead, line

from distributions import Normal, Rectangular
from margin.calibration.station import Station
from margin.case.build import nominal_elements
from margin.case.changes import EXAMPLE, with_changes
from margin.case.faults import CaseError
from margin.case.levels import SENSIBLE, check_level
from margin.case.load import load_case, read_case
from margin.case.schema import kinds_of
from margin.case.types import ROLES, Dependence, Requirement, Role
from margin.case.use import Use
from margin.chain.parameter import LEVELS, parameters_of
from margin.chain.registry import ELEMENTS, register
from margin.chain.sensors import ThinFilm

FULL = """
[case]
unstated = "zero"
name = "picking gripper"
notes = "invented for the tests"
data = "invented"
reference_temperature = "23 degC"
reference_humidity = "45 %RH"

[load]
range = "2 N to 60 N"
check = ["2 N", "10 N", "30 N", "60 N"]

[requirement]
permissible_error = "sum of 3 % of reading and 0.5 % of span and 0.1 N"
counts = "units by share of readings"
share = "90 %"
yield = "98 %"
confidence = 0.9

[interface]
kind = "load concentrator"
preload = "1.5 N +/- 20 %"

[sensor]
kind = "thin film"
sensitivity = "3.2 uS +/- 8 % (2 sigma) per lot, +/- 12 % (2 sigma, from 6 units) per unit"
exponent = "0.8 +/- 2 %"
reference_load = "20 N"
temperature_coefficient = "0.36 %/K +/- 0.1 %/K"
reload_scatter = "2 %"

[circuit]
kind = "voltage divider"
reference = "3.3 V +/- 1 %"
resistor = "10 kohm +/- 1 % (screened)"

[converter]
bits = 12
noise = "0.5 LSB"

[firmware]
thermometer_error = "0 K +/- 1 K"

[use]
temperature = "5 degC to 40 degC"
dwell = "1 s to 10 s"
conditions = 3
loadings = 4
readings = 5
direction = "either"

[[use.condition]]
name = "cold store"
temperature = "-10 degC +/- 2 K"
direction = "down"

[[use.condition]]
name = "orchard"

[station]
reference_gain = "0 +/- 0.5 %"

[[calibration]]
kind = "none"

[[calibration]]
name = "quick"
kind = "one-point"
loads = ["20 N"]
reloads = 3

[[dependence]]
between = ["sensor.sensitivity", "sensor.exponent"]
rank_correlation = -0.6

[study]
units = 5000
outer = 20
seed = 7
points = "latin"
"""


def test_short_case_is_enough() -> None:
    """Some ten lines make a case; everything else has a default."""
    case = read_case(case_text(), Path("cases/gripper.toml"))
    assert (case.name, case.load_low, case.load_high, case.span) == ("gripper", 2.0, 60.0, 58.0)
    assert set(case.elements) == set(ROLES)
    assert case.requirement == Requirement(0.06, 0.01, 0.0, "larger")
    assert case.check_loads[0] == 2.0 and case.check_loads[-1] == 60.0 and len(case.check_loads) == 7
    assert [each.kind for each in case.calibrations] == [
        "none",
        "tare",
        "one-point",
        "two-point",
        "multi-point",
    ]
    assert [each.loads for each in case.calibrations[:4]] == [(), (), (31.0,), (7.8, 54.0)]
    assert case.elements["converter"].options["bits"] == 0
    assert case.study.outer == 1


def test_full_case(tmp_path: Path) -> None:
    """Every table arrives in SI units at its place."""
    path = tmp_path / "case.toml"
    path.write_text(FULL, encoding="utf-8")
    case = load_case(path)
    assert (case.name, case.data, case.path) == ("picking gripper", "invented", path)
    assert (case.reference_temperature, case.reference_humidity) == (23.0, 45.0)
    assert case.check_loads == (2.0, 10.0, 30.0, 60.0)
    assert case.requirement == Requirement(
        0.03, 0.005, 0.1, "sum", "units by share of readings", 0.9, 0.98, 0.9
    )
    sensor = case.elements["sensor"].quantities
    assert sensor["sensitivity"].nominal == 3.2e-6
    assert sensor["temperature_coefficient"].spreads[0].distribution == Rectangular(-0.001, 0.001)
    assert case.elements["use"].options == {"direction": "either", "swing_reading": "instantaneous"}
    assert case.conditions[0].quantities["temperature"].nominal == -10.0
    assert (case.conditions[0].direction, case.conditions[1].direction) == ("down", None)
    assert [(each.name, each.kind, each.loads, each.reloads) for each in case.calibrations] == [
        ("none", "none", (), 1),
        ("quick", "one-point", (20.0,), 3),
    ]
    assert case.dependences == (Dependence("unit", "sensor.sensitivity", "sensor.exponent", -0.6),)
    study = case.study
    assert (study.units, study.outer, study.seed, study.points) == (5000, 20, 7, "latin")
    assert (study.conditions, study.loadings, study.readings) == (3, 4, 5)


def test_tables_may_be_given_as_data() -> None:
    """What TOML text holds may come as a mapping, which is left as it was."""
    import tomllib

    raw = tomllib.loads(FULL)
    assert read_case(raw) == read_case(FULL)
    assert raw == tomllib.loads(FULL)


def test_strain_gauge_bridge_goes_with_its_amplifier() -> None:
    """A sensor that puts out a ratio is accepted by a bridge amplifier."""
    sensor = 'kind = "strain-gauge bridge"\nrated_load = "60 N"\nrated_output = "2 mV/V +/- 0.5 %"'
    case = read_case(case_text(sensor=sensor, circuit=BRIDGE))
    assert case.elements["sensor"].quantities["rated_output"].nominal == 0.002


def test_tabulated_curve_takes_units_in_its_lists() -> None:
    """Values of a list are brought to coherent SI units."""
    sensor = 'kind = "tabulated"\nloads = ["2 N", "20 N", "60 N"]\noutputs = ["0.4 uS", "3.2 uS", "8 uS"]'
    options = read_case(case_text(sensor=sensor)).elements["sensor"].options
    assert options["loads"] == (2.0, 20.0, 60.0)
    assert options["outputs"] == (0.4e-6, 3.2e-6, 8e-6)


def test_defaults_readings_and_assumptions_are_told() -> None:
    """The case says what it assumed, how it read each tolerance, and what rests on no measurement."""
    case = read_case(FULL)
    assert "sensor.offset_conductance = 0 S: ideal" in case.defaults
    assert "use.peak = 0 N: top of the load range" in case.defaults
    assert "station.temperature = 23 degC: assumed without spread" in case.defaults
    assert not any(text.startswith("sensor.exponent") for text in case.defaults)
    assert (
        "sensor.sensitivity: sd 4 % read as normal, limits at 2 sigma (GUM 4.3.4), per lot" in case.readings
    )
    assert "circuit.reference: +/- 1 % read as rectangular (GUM 4.3.7), per unit" in case.readings
    assert "sensor.sensitivity: sd 4 % per lot (lot spread: stated, not measured)" in case.assumed
    assert not any("sd 6 %" in text for text in case.assumed)
    assert "circuit.reference: +/- 1 % per unit (stated, not measured)" in case.assumed
    short = read_case(case_text())
    assert "interface: not stated, ideal: the whole load reaches the sensor" in short.defaults
    assert "calibration two-point: loads 7.8 N, 54 N chosen" in short.defaults


def test_outer_loop_is_one_where_nothing_varies_outside() -> None:
    """A spread known from few units, or one of the station, opens the outer loop."""
    few = instead("sensor", "sensitivity", 'sensitivity = "3.2 uS +/- 12 % (2 sigma, from 6 units)"')
    assert read_case(case_text(study="outer = 30")).study.outer == 1
    assert read_case(case_text(study="outer = 30", sensor=few)).study.outer == 30
    assert read_case(case_text(station='reference_gain = "0 +/- 0.5 %"')).study.outer is None


def test_outer_loop_opens_for_a_named_condition() -> None:
    """What is common in a named condition of use opens the outer loop as what is common elsewhere does."""
    condition = '[[use.condition]]\nname = "cold"\ntemperature = "5 degC +/- 2 K per common"'
    assert read_case(case_text(condition, study="outer = 30")).study.outer == 30


def test_nominal_elements_are_instances_with_nominal_values() -> None:
    """Elements come with the nominal values of the case, standardised draws at their centre."""
    elements = nominal_elements(read_case(FULL))
    assert elements["sensor"] == ThinFilm(
        sensitivity=3.2e-6,
        exponent=0.8,
        reference_load=20.0,
        temperature_coefficient=0.0036,
        reload_scatter=0.02,
    )
    assert elements["use"] == Use(temperature=22.5, dwell=5.5, direction="either")
    assert elements["station"] == Station()


def test_changes_are_read_as_if_they_stood_in_the_file() -> None:
    """A changed case differs in what was changed, and only there."""
    case = read_case(FULL)
    changed = with_changes(
        case,
        {
            "circuit.resistor": "33 kohm +/- 5 %",
            "study.units": "600",
            "converter.bits": 16,
            "calibration.quick.loads": ["10 N"],
            "use.condition.cold store.temperature": "-20 degC",
            "use.condition.2.age": "1000 h",
        },
    )
    resistor = changed.elements["circuit"].quantities["resistor"]
    assert (resistor.nominal, resistor.spreads[0].distribution) == (33000.0, Rectangular(-0.05, 0.05))
    assert (changed.study.units, changed.elements["converter"].options["bits"]) == (600, 16)
    assert changed.calibrations[1].loads == (10.0,)
    assert changed.conditions[0].quantities["temperature"].nominal == -20.0
    assert changed.conditions[1].quantities["age"].nominal == 1000.0
    assert changed.elements["sensor"] == case.elements["sensor"]
    assert case.study.units == 5000
    assert with_changes(changed, {"circuit.resistor": "10 kohm +/- 1 % (screened)"}).elements == (
        with_changes(case, {"converter.bits": 16}).elements
    )


def test_a_whole_table_is_replaced_by_its_name() -> None:
    """A table given as a mapping, or as TOML on one line, stands in place of the old one and is checked like it."""
    case = read_case(FULL)
    table = {"kind": "inverting amplifier", "reference": "1 V", "feedback": "33 kohm +/- 1 %"}
    text = '{ kind = "inverting amplifier", reference = "1 V", feedback = "33 kohm +/- 1 %" }'
    for given in (table, text):
        changed = with_changes(case, {"circuit": given})
        assert changed.elements["circuit"].kind == "inverting amplifier"
        assert changed.elements["sensor"] == case.elements["sensor"]
    with pytest.raises(CaseError, match="resistr"):
        with_changes(case, {"circuit": {**table, "resistr": "1 kohm"}})


NAMED = (
    FULL.replace('name = "quick"', 'name = "v1.2 quick"')
    + '\n[[calibration]]\nkind = "two-point"\nname = "Two Point"\n'
)


@pytest.mark.parametrize(
    ("key", "option"),
    [
        ("calibration.v1.2 quick.reloads", 1),
        ("calibration.V1.2-Quick.reloads", 1),
        ("calibration.two-point.reloads", 2),
        ("calibration.3.reloads", 2),
    ],
)
def test_options_go_by_name_or_number(key: str, option: int) -> None:
    """An option is reached by its name, whatever its capitals, hyphens and points, or by its number."""
    case = read_case(NAMED)
    changed = with_changes(case, {key: "5"})
    assert [each.reloads for each in changed.calibrations] == [
        5 if number == option else each.reloads for number, each in enumerate(case.calibrations)
    ]


def test_options_that_a_case_is_given_can_be_changed() -> None:
    """A case without [[calibration]] has options by kind; a list is taken as a list, from a text too."""
    case = read_case(case_text())
    changed = with_changes(
        case, {"calibration.two-point.reloads": 5, "calibration.multi point.loads": '["5 N", "20 N", "50 N"]'}
    )
    assert [each.name for each in changed.calibrations] == [each.name for each in case.calibrations]
    assert changed.calibrations[3].reloads == 5
    assert changed.calibrations[4].loads == (5.0, 20.0, 50.0)


@pytest.mark.parametrize(
    ("key", "message"),
    [
        ("calibration.quik.reloads", 'there is no option "quik" in [[calibration]]; did you mean "quick"? options are'),
        ("calibration.9.reloads", 'no option "9" in [[calibration]]; options are 1 "none", 2 "quick"'),
        ("calibration.reloads", '"calibration" is a list of tables; write calibration.NAME.key, where NAME'),
        ("use.condition.warm.age", 'there is no entry "warm" in [[use.condition]]; entries are 1 "cold store"'),
        ("use.climate.age", 'there is no table "climate" in [use] to change; tables in [use] are condition'),
        ("circuit.resistor.value", '"circuit.resistor" is not a table'),
        ("calibration.quick.reloadz", '[calibration 2] reloadz = 5: unknown key; did you mean "reloads"?'),
    ],
)  # fmt: skip
def test_unknown_places_list_what_there_is(key: str, message: str) -> None:
    """A change at no place of the file is refused with the names that it could have meant."""
    with pytest.raises(CaseError) as caught:
        with_changes(read_case(FULL), {key: 5})
    assert message in str(caught.value)


def test_alike_names_need_a_number() -> None:
    """Where two options differ in capitals alone, a name that is neither of them is refused."""
    case = read_case(FULL + '\n[[calibration]]\nkind = "none"\nname = "Quick"\n')
    with pytest.raises(
        CaseError, match=r'several entries of \[\[calibration\]\] are called "QUICK"; write its num'
    ):
        with_changes(case, {"calibration.QUICK.reloads": 5})
    assert with_changes(case, {"calibration.Quick.reloads": 5}).calibrations[2].reloads == 5


def test_change_with_none_takes_a_key_out() -> None:
    """Without its key a quantity has its default again."""
    case = with_changes(read_case(FULL), {"use.dwell": None, "station.dwell": "3 s"})
    assert case.elements["use"].quantities["dwell"].defaulted
    assert case.elements["station"].quantities["dwell"].nominal == 3.0


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("circuit.resistr", "1 kohm", '[circuit] resistr = "1 kohm": unknown key; did you mean "resistor"?'),
        ("study.units", "5", "[study] units = 5: must be at least 10"),
        ("units", 5, f"units = 5: is not a place in the file; {EXAMPLE}"),
        (
            "calibration.slow.loads",
            [],
            'calibration.slow.loads = []: there is no option "slow" in [[calibration]]; options are 1 "none", 2 '
            '"quick"',
        ),
    ],
)
def test_wrong_change_is_refused_like_a_wrong_file(key: str, value: object, message: str) -> None:
    """A change is checked as a file is."""
    with pytest.raises(CaseError) as caught:
        with_changes(read_case(FULL, Path("gripper.toml")), {key: value})
    assert str(caught.value) == f"gripper.toml: {message}"


@pytest.mark.parametrize("role", ROLES)
def test_declared_levels_make_sense_for_their_role(role: Role) -> None:
    """A spread without a level never lands where its role cannot vary; an element's own draws are not spreads."""
    for cls in kinds_of(role).values():
        for name, declared in parameters_of(cls).items():
            if declared.draw is None:
                assert check_level(declared.level, role) in SENSIBLE[role], f"{cls.__name__}.{name}"


def test_levels_keep_the_order_of_nesting() -> None:
    """The table of sensible levels lists known levels in their order."""
    for levels in SENSIBLE.values():
        assert list(levels) == [level for level in LEVELS if level in levels]


def test_element_of_a_users_own_is_known_once_registered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The case looks kinds up in the registry and tells where foreign elements come from."""

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class PatchedFilm(ThinFilm):
        kind: ClassVar[str] = "patched film"

    PatchedFilm.__module__ = "my_elements"
    monkeypatch.setitem(ELEMENTS, "sensor", dict(ELEMENTS["sensor"]))
    text = case_text(sensor=instead("sensor", "kind", 'kind = "patched film"'))
    with pytest.raises(CaseError, match="unknown kind"):
        read_case(text)
    register("sensor", PatchedFilm)
    case = read_case(text)
    assert case.elements["sensor"].cls is PatchedFilm
    assert case.elements_from == ("my_elements",)


def test_one_quantity_may_vary_twice_at_a_level() -> None:
    """Two causes at one level stay two spreads."""
    circuit = instead("circuit", "feedback", 'feedback = "47 kohm +/- 1 %, +/- 0.2 % (2 sigma)"')
    first, second = read_case(case_text(circuit=circuit)).elements["circuit"].quantities["feedback"].spreads
    assert (first.distribution, second.distribution) == (Rectangular(-0.01, 0.01), Normal(0.0, 0.001))


def test_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path) -> None:
    """Files of common editors are read whatever their line ends."""
    path = tmp_path / "case.toml"
    path.write_bytes(b"\xef\xbb\xbf" + case_text().replace("\n", "\r\n").encode())
    assert load_case(path).load_high == 60.0


def test_helper_texts_are_whole_cases() -> None:
    """The pieces from which the bad cases are made are good themselves."""
    assert set(TABLES) == {"case", "load", "requirement", "sensor", "circuit"}
    assert read_case(case_text(circuit=line("circuit", 'offset = "+/- 1 mV"'))).name == "case"
