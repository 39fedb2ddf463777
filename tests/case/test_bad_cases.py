# ruff: noqa: E501
"""Bad case files, each with the whole message that the engineer gets."""

from __future__ import annotations

from pathlib import Path

import pytest
from case_texts import BRIDGE, case_text, instead, line

from margin.case.faults import CaseError
from margin.case.files import LARGEST_FILE
from margin.case.load import load_case, read_case


def _sensitivity(text: str) -> dict[str, str]:
    return {"sensor": instead("sensor", "sensitivity", f"sensitivity = {text}")}


def _feedback(text: str) -> dict[str, str]:
    return {"circuit": instead("circuit", "feedback", f"feedback = {text}")}


def _limit(text: str) -> dict[str, str]:
    return {"requirement": f"permissible_error = {text}"}


def _calibration(body: str) -> str:
    return f"[[calibration]]\n{body}\n"


BAD = [
    pytest.param(
        case_text(**_feedback('"47 kilo"')),
        ['[circuit] feedback = "47 kilo": "kilo" is not a unit of resistance; write for example "47 kohm"'],
        id="not_a_unit",
    ),
    pytest.param(
        case_text(**_feedback('"47 V"')),
        [
            '[circuit] feedback = "47 V": "V" is a unit of voltage, resistance is needed; write for example "47 kohm"'
        ],
        id="wrong_dimension",
    ),
    pytest.param(
        case_text(**_feedback('"47 Kohm"')),
        [
            '[circuit] feedback = "47 Kohm": "Kohm" is not a unit of resistance (kilo is a small k); write for example "47 kohm"'
        ],
        id="kilo_with_a_capital",
    ),
    pytest.param(
        case_text(**_feedback("47000")),
        ['[circuit] feedback = 47000: a resistance needs a unit; write for example "47 kohm"'],
        id="number_without_unit",
    ),
    pytest.param(
        case_text(**_feedback('"47000"')),
        ['[circuit] feedback = "47000": a resistance needs a unit; write for example "47 kohm"'],
        id="text_without_unit",
    ),
    pytest.param(
        case_text(**_feedback('"-47 kohm"')),
        ['[circuit] feedback = "-47 kohm": must be above 0 (got -47 kohm); write for example "47 kohm"'],
        id="negative_resistance",
    ),
    pytest.param(
        case_text(**_feedback('"0 ohm"')),
        ['[circuit] feedback = "0 ohm": must be above 0 (got 0 ohm); write for example "47 kohm"'],
        id="zero_resistance",
    ),
    pytest.param(
        case_text(**_feedback('"nan ohm"')),
        ['[circuit] feedback = "nan ohm": "nan" is not a finite number; write a number with its unit'],
        id="nan_text",
    ),
    pytest.param(
        case_text(sensor=line("sensor", "exponent = nan")),
        ['[sensor] exponent = nan: is not a finite number; write for example "1"'],
        id="nan",
    ),
    pytest.param(
        case_text(sensor=line("sensor", "exponent = inf")),
        ['[sensor] exponent = inf: is not a finite number; write for example "1"'],
        id="infinity",
    ),
    pytest.param(
        case_text(**_feedback('"1e400 ohm"')),
        [
            '[circuit] feedback = "1e400 ohm": "1e400" is no number that a quantity can have; write for example "47 kohm"'
        ],
        id="too_large_a_number",
    ),
    pytest.param(
        case_text(**_feedback("true")),
        ['[circuit] feedback = true: is not a quantity; write for example "47 kohm"'],
        id="boolean_quantity",
    ),
    pytest.param(
        case_text(**_feedback('["47 kohm"]')),
        ['[circuit] feedback = ["47 kohm"]: is not a quantity; write for example "47 kohm"'],
        id="list_quantity",
    ),
    pytest.param(
        case_text(**_feedback('""')),
        ['[circuit] feedback = "": is empty; write a number with its unit'],
        id="empty_quantity",
    ),
    pytest.param(
        case_text(**_feedback('"4,7 kohm"')),
        ['[circuit] feedback = "4,7 kohm": a decimal comma is not read; write 4.7'],
        id="decimal_comma",
    ),
    pytest.param(
        case_text(**_feedback('"+/- 1 %"')),
        ['[circuit] feedback = "+/- 1 %": has a tolerance but no value; write for example "47 kohm +/- 5 %"'],
        id="tolerance_without_value",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 120 %"')),
        [
            '[circuit] feedback = "47 kohm +/- 120 %": "+/- 120 %" lets it fall to -9.4 kohm at its limit, but it must stay above 0; write a narrower tolerance'
        ],
        id="draws_below_zero",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 30 % (1 sigma)"')),
        [
            '[circuit] feedback = "47 kohm +/- 30 % (1 sigma)": "+/- 30 % (1 sigma)" lets it fall to -20 kohm in one of a million draws, but it must stay above 0; write a narrower tolerance'
        ],
        id="draws_below_zero_normal",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 60 %, +/- 20 kohm per lot"')),
        [
            '[circuit] feedback = "47 kohm +/- 60 %, +/- 20 kohm per lot": all tolerances together let it fall to -1.2 kohm, but it must stay above 0; write narrower tolerances'
        ],
        id="together_below_zero",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 0 %"')),
        [
            '[circuit] feedback = "47 kohm +/- 0 %": "+/- 0 %" has no width; leave the tolerance out or write one above 0'
        ],
        id="tolerance_of_no_width",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +2 % / +1 %"')),
        [
            '[circuit] feedback = "47 kohm +2 % / +1 %": the limits of "+2 % / +1 %" lie on one side; write such as "+2 % / -1 %"'
        ],
        id="limits_on_one_side",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (2 sigmas)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (2 sigmas)": "sigma" is needed before "sigmas)"; write such as "2 sigma"'
        ],
        id="unknown_note",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (2 sigma"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (2 sigma": a closing bracket ")" is missing at the end; write for example "47 kohm"'
        ],
        id="unclosed_bracket",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm (2 sigma)"')),
        [
            '[circuit] feedback = "47 kohm (2 sigma)": the note "(2 sigma)" has no tolerance before it; write such as "+/- 1 % (2 sigma)"'
        ],
        id="note_without_tolerance",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm per lot"')),
        [
            '[circuit] feedback = "47 kohm per lot": "per lot" has no tolerance before it; write such as "+/- 1 % per lot"; a quotient of units has a stroke, as in "mV/V"'
        ],
        id="level_without_tolerance",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % per board"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % per board": "board" is not a level of variation; write per "common", "lot", "unit", "condition" or "reading"'
        ],
        id="unknown_level",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % per mounting"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % per mounting": a quantity of [circuit] cannot vary per "mounting": parts of a circuit do not vary with mounting, calibration, station or placement of the load; write per "common", "lot", "unit", "condition" or "reading"'
        ],
        id="level_that_makes_no_sense",
    ),
    pytest.param(
        case_text(use='temperature = "23 degC +/- 2 K per unit"'),
        [
            '[use] temperature = "23 degC +/- 2 K per unit": a quantity of [use] cannot vary per "unit": a condition of use does not belong to a lot, a unit or a calibration; write per "common", "condition", "loading" or "reading"'
        ],
        id="level_of_use",
    ),
    pytest.param(
        case_text(station='reference_gain = "0 +/- 0.5 % per lot"'),
        [
            '[station] reference_gain = "0 +/- 0.5 % per lot": a quantity of [station] cannot vary per "lot": a station does not vary with the lot, the unit or its use; write per "common", "station", "calibration", "loading" or "reading"'
        ],
        id="level_of_station",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (without 5 %)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (without 5 %)": "+/- 1 % (without 5 %)" leaves out more than it contains; write a middle that is narrower than the limits'
        ],
        id="middle_wider_than_limits",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (95 %)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (95 %)": a coverage of "95 %" is not read; write such as "2 sigma" or "Cpk 1.33"'
        ],
        id="coverage_in_percent",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (2 sigma, triangular)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (2 sigma, triangular)": "2 sigma" belongs to a normal shape, not to "triangular"; keep one of the two notes'
        ],
        id="contradicting_notes",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (from 6 units)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (from 6 units)": "from ... units" needs a normal spread; write such as "(2 sigma, from 6 units)"'
        ],
        id="from_units_without_normal",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm +/- 1 % (2 sigma, from 1 units)"')),
        [
            '[circuit] feedback = "47 kohm +/- 1 % (2 sigma, from 1 units)": a spread cannot be known from "1 units"; it takes 2 units or more'
        ],
        id="from_one_unit",
    ),
    pytest.param(
        case_text(circuit=line("circuit", 'offset = "0 V +/- 10 %"')),
        [
            '[circuit] offset = "0 V +/- 10 %": a share of a nominal value of 0 is 0 (got "10 %"); write the tolerance in units, for example "+/- 1.2 V"'
        ],
        id="share_of_zero",
    ),
    pytest.param(
        case_text(use='temperature = "23 degC +/- 10 %"'),
        [
            '[use] temperature = "23 degC +/- 10 %": a share of a Celsius temperature means nothing; write a difference such as "+/- 2 K"'
        ],
        id="share_of_temperature",
    ),
    pytest.param(
        case_text(use='temperature = "40 degC to 5 degC"'),
        [
            '[use] temperature = "40 degC to 5 degC": the range ends at or below its start (40 degC to 5 degC); swap the ends'
        ],
        id="reversed_range_of_quantity",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm ! 1 %"')),
        ['[circuit] feedback = "47 kohm ! 1 %": cannot read "! 1 %"; write such as "47 kohm +/- 1 %"'],
        id="rubbish",
    ),
    pytest.param(
        case_text(**_feedback('"47 kohm about"')),
        [
            '[circuit] feedback = "47 kohm about": cannot read "about"; write such as "47 kohm +/- 1 % per unit"'
        ],
        id="trailing_words",
    ),
    pytest.param(
        case_text(sensor=line("sensor", "exponent = 0")),
        ['[sensor] exponent = 0: must be above 0 (got 0); write for example "1"'],
        id="exponent_zero",
    ),
    pytest.param(
        case_text(sensor=line("sensor", "exponent = 3.5")),
        ['[sensor] exponent = 3.5: must be at most 2 (got 3.5); write for example "2"'],
        id="above_maximum",
    ),
    pytest.param(
        case_text(sensor=line("sensor", 'turn_on = "-1 N"')),
        ['[sensor] turn_on = "-1 N": must be at least 0 N (got -1 N); write for example "0 N"'],
        id="below_minimum",
    ),
    pytest.param(
        case_text(use='humidity = "50 ppm"'),
        ['[use] humidity = "50 ppm": "ppm" is not a unit of relative humidity; write for example "50 %RH"'],
        id="humidity_unit",
    ),
    pytest.param(
        case_text(circuit=instead("circuit", "feedback", "")),
        ['[circuit] feedback: missing; write for example feedback = "47 kohm"'],
        id="missing_key",
    ),
    pytest.param(
        case_text(circuit=instead("circuit", "feedback", 'fedback = "47 kohm"')),
        [
            '[circuit] feedback: missing; write for example feedback = "47 kohm"',
            '[circuit] fedback = "47 kohm": unknown key; did you mean "feedback"?',
        ],
        id="unknown_key",
    ),
    pytest.param(
        case_text(circuit=line("circuit", 'position = "high"')),
        ['[circuit] position = "high": unknown key; a key of kind "voltage divider"'],
        id="key_of_another_kind",
    ),
    pytest.param(
        case_text(study="zzz = 1"),
        ["[study] zzz = 1: unknown key; keys are units, draw, outer, units_per_lot, seed, points"],
        id="unrelated_key",
    ),
    pytest.param(
        case_text(sensr='kind = "thin film"'),
        ["[sensr]: unknown table; did you mean [sensor]?"],
        id="unknown_table",
    ),
    pytest.param(
        case_text(qqq='kind = "thin film"'),
        [
            "[qqq]: unknown table; tables are case, load, requirement, interface, sensor, circuit, converter, firmware, use, station, design_curve, history, service, calibration, shared, dependence, study"
        ],
        id="unknown_table_2",
    ),
    pytest.param(
        "seed = 1\n" + case_text(),
        ["seed = 1: a key outside of any table; put it below the [table] that it belongs to"],
        id="key_outside",
    ),
    pytest.param(
        case_text(circuit=None),
        ["[circuit]: missing; a case needs [load], [requirement], [sensor], [circuit]"],
        id="missing_table",
    ),
    pytest.param(
        "sensor = 5\n" + case_text(sensor=None),
        ["sensor = 5: must be a table; write [sensor]"],
        id="table_is_number",
    ),
    pytest.param(
        case_text(calibration='kind = "tare"'),
        [
            'calibration = { kind = "tare" }: must be a list of tables, written with double brackets; write [[calibration]]'
        ],
        id="calibration_single_brackets",
    ),
    pytest.param(
        case_text(sensor='kind = "magnetic"'),
        ['[sensor] kind = "magnetic": unknown kind; write "thin film", "strain-gauge bridge" or "tabulated"'],
        id="unknown_kind",
    ),
    pytest.param(
        case_text(sensor=instead("sensor", "kind", "")),
        ['[sensor] kind: missing; write kind = "thin film", "strain-gauge bridge" or "tabulated"'],
        id="missing_kind",
    ),
    pytest.param(
        case_text(sensor=instead("sensor", "kind", "kind = 3")),
        ['[sensor] kind = 3: unknown kind; write "thin film", "strain-gauge bridge" or "tabulated"'],
        id="kind_wrong_type",
    ),
    pytest.param(
        case_text(circuit=BRIDGE),
        [
            '[circuit] kind = "bridge amplifier": accepts a ratio, but the sensor of kind "thin film" puts out a conductance; write "voltage divider", "inverting amplifier", "non-inverting amplifier" or "constant current"'
        ],
        id="circuit_does_not_accept",
    ),
    pytest.param(
        case_text(converter="bits = 60"),
        ["[converter] bits = 60: must be from 0 (ideal) to 32 (got 60)"],
        id="bits_60",
    ),
    pytest.param(
        case_text(converter="bits = 12.0"),
        ["[converter] bits = 12.0: must be a whole number; write it without quotes and without a point"],
        id="bits_float",
    ),
    pytest.param(
        case_text(converter='bits = "12"'),
        ['[converter] bits = "12": must be a whole number; write it without quotes and without a point'],
        id="bits_text",
    ),
    pytest.param(
        case_text(converter='noise = "1 LSB"'),
        ["[converter] bits: missing; write for example bits = 12"],
        id="bits_missing",
    ),
    pytest.param(
        case_text(use='direction = "sideways"'),
        ['[use] direction = "sideways": is not one of the choices; write "up", "down" or "either"'],
        id="choice",
    ),
    pytest.param(
        case_text(
            circuit='kind = "voltage divider"\nreference = "3 V"\nresistor = "10 kohm"\nbuffered = "yes"'
        ),
        ['[circuit] buffered = "yes": must be true or false; write it without quotes'],
        id="bool",
    ),
    pytest.param(
        case_text(load='range = "60 N to 2 N"'),
        ['[load] range = "60 N to 2 N": the range is reversed; write "2 N to 60 N"'],
        id="range_reversed",
    ),
    pytest.param(
        case_text(load='range = "2 N to 2 N"'),
        ['[load] range = "2 N to 2 N": the range has no span; write for example "2 N to 60 N"'],
        id="range_no_span",
    ),
    pytest.param(
        case_text(load='range = "60 N"'),
        ['[load] range = "60 N": is not a range of loads; write for example "2 N to 60 N"'],
        id="range_single",
    ),
    pytest.param(
        case_text(load='range = "-2 N to 60 N"'),
        ['[load] range = "-2 N to 60 N": a load cannot be negative; write for example "2 N to 60 N"'],
        id="range_negative",
    ),
    pytest.param(
        case_text(load='range = "2 V to 60 V"'),
        [
            '[load] range = "2 V to 60 V": "V" is a unit of voltage, force is needed; write for example "2 N to 60 N"'
        ],
        id="range_unit",
    ),
    pytest.param(
        case_text(load="range = [2, 60]"),
        ['[load] range = [2, 60]: is not a range of loads; write for example "2 N to 60 N"'],
        id="range_list",
    ),
    pytest.param(
        case_text(load='range = "2 N to 60 N"\ncheck = ["2 N", "70 N"]'),
        [
            '[load] check = ["2 N", "70 N"]: 70 N lies outside the load range 2 N to 60 N; widen the range or move it'
        ],
        id="check_outside",
    ),
    pytest.param(
        case_text(load='range = "2 N to 60 N"\ncheck = ["50 N", "2 N"]'),
        ['[load] check = ["50 N", "2 N"]: the loads do not ascend; write each load once, the smallest first'],
        id="check_descending",
    ),
    pytest.param(
        case_text(load='range = "2 N to 60 N"\ncheck = 1'),
        [
            '[load] check = 1: it takes 2 to 200 check loads; write a number of loads such as 7, or loads such as ["2 N", "30 N", "60 N"]'
        ],
        id="check_count",
    ),
    pytest.param(
        case_text(load='range = "2 N to 60 N"\ncheck = ["2 N", 30]'),
        ['[load] check = ["2 N", 30]: 30: a force needs a unit; write for example "10 N"'],
        id="check_item",
    ),
    pytest.param(
        case_text(**_limit('"6 %"')),
        [
            '[requirement] permissible_error = "6 %": "6 %" does not say of what; write "6 % of reading" or "6 % of span"'
        ],
        id="of_what",
    ),
    pytest.param(
        case_text(**_limit('"6 % of reading and 1 % of span"')),
        [
            '[requirement] permissible_error = "6 % of reading and 1 % of span": does not say how its parts combine; open it with "larger of" or "sum of"'
        ],
        id="how_combined",
    ),
    pytest.param(
        case_text(**_limit('"6 % of capacity"')),
        [
            '[requirement] permissible_error = "6 % of capacity": "of capacity" is not recognised; write of reading, of span (highest less lowest load), of full scale (highest load) or of rated load'
        ],
        id="of_capacity",
    ),
    pytest.param(
        case_text(**_limit('"larger of 6 % of reading"')),
        [
            '[requirement] permissible_error = "larger of 6 % of reading": "larger of" needs two parts or more; write for example "larger of 6 % of reading and 1 % of span" or "2 N"'
        ],
        id="one_part",
    ),
    pytest.param(
        case_text(**_limit('"0 % of span"')),
        [
            '[requirement] permissible_error = "0 % of span": "0 % of span" must be above 0 % and at most 100 %; write for example "larger of 6 % of reading and 1 % of span" or "2 N"'
        ],
        id="zero_limit",
    ),
    pytest.param(
        case_text(**_limit('"2 V"')),
        [
            '[requirement] permissible_error = "2 V": "2 V" is not a limit ("V" is a unit of voltage, force is needed); write for example "larger of 6 % of reading and 1 % of span" or "2 N"'
        ],
        id="limit_unit",
    ),
    pytest.param(
        case_text(**_limit("2")),
        [
            '[requirement] permissible_error = 2: is not a text; write for example "larger of 6 % of reading and 1 % of span" or "2 N"'
        ],
        id="limit_number",
    ),
    pytest.param(
        case_text(load='range = "0 N to 60 N"', **_limit('"6 % of reading"')),
        [
            '[requirement] permissible_error = "6 % of reading": is 0 at the check load 0 N, where nothing conforms; add a part of the span, for example "larger of 6 % of reading and 1 % of span"'
        ],
        id="limit_zero_at_zero",
    ),
    pytest.param(
        case_text(**_limit('"sum of 6 % of reading and 1 % of reading"')),
        [
            '[requirement] permissible_error = "sum of 6 % of reading and 1 % of reading": states the part of reading twice; keep one of them'
        ],
        id="twice",
    ),
    pytest.param(
        case_text(requirement=line("requirement", "yield = 98")),
        ['[requirement] yield = 98: must lie between 0 % and 100 %; write for example "95 %" or 0.95'],
        id="yield_98",
    ),
    pytest.param(
        case_text(requirement=line("requirement", 'yield = "98 N"')),
        ['[requirement] yield = "98 N": is not a share; write for example "95 %" or 0.95'],
        id="yield_text",
    ),
    pytest.param(
        case_text(requirement=line("requirement", 'counts = "units"')),
        [
            '[requirement] counts = "units": is not one of the choices; write "units at every check point", "units by share of readings" or "readings"'
        ],
        id="counts",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "one-point"\nloads = ["70 N"]')),
        [
            '[calibration 1] loads = ["70 N"]: 70 N lies outside the load range 2 N to 60 N; widen the range or move it'
        ],
        id="calibration_outside",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "two-point"\nloads = ["10 N"]')),
        [
            '[calibration 1] loads = ["10 N"]: kind "two-point" takes 2 loads (got 1); write for example ["7.8 N", "54 N"]'
        ],
        id="calibration_number",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "tare"\nloads = ["10 N"]')),
        ['[calibration 1] loads = ["10 N"]: kind "tare" takes 0 loads (got 1); leave loads out'],
        id="calibration_tare_loads",
    ),
    pytest.param(
        case_text(
            load='range = "0 N to 60 N"',
            more=_calibration('kind = "two-point"\nspace = "logarithm"\nloads = ["0 N", "50 N"]'),
        ),
        [
            '[calibration 1] loads = ["0 N", "50 N"]: space "logarithm" has no load of 0; leave the load of 0 out, or choose another space'
        ],
        id="calibration_log_zero",
    ),
    pytest.param(
        case_text(load='range = "0 N to 60 N"', more=_calibration('kind = "one-point"\nloads = ["0 N"]')),
        [
            '[calibration 1] loads = ["0 N"]: a gain cannot be found at a load of 0; write for example ["30 N"]'
        ],
        id="calibration_gain_at_zero",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "multi-point"\ndegree = 3\nloads = ["2 N", "30 N", "60 N"]')),
        [
            '[calibration 1] loads = ["2 N", "30 N", "60 N"]: a polynomial of degree 3 needs 4 loads or more (got 3); write more loads or a lower degree'
        ],
        id="calibration_degree",
    ),
    pytest.param(
        case_text(
            load='range = "0 N to 60 N"',
            more=_calibration('kind = "multi-point"\nweights = "relative"\nloads = ["0 N", "30 N", "60 N"]'),
        ),
        [
            '[calibration 1] loads = ["0 N", "30 N", "60 N"]: weights "relative" has no load of 0; leave the load of 0 out, or choose the weights equal'
        ],
        id="calibration_weights",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "tare"') + "\n" + _calibration('kind = "tare"')),
        [
            '[calibration 2] name = "tare": is the name of an earlier option too; write a name that distinguishes them'
        ],
        id="calibration_names",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "three-point"')),
        [
            '[calibration 1] kind = "three-point": is not one of the choices; write "none", "tare", "one-point", "two-point", "multi-point", "lot-curve" or "classes"'
        ],
        id="calibration_kind",
    ),
    pytest.param(
        case_text(more=_calibration('name = "quick"')),
        ['[calibration 1] kind: missing; write for example kind = "two-point"'],
        id="calibration_kind_missing",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "tare"\nreloads = 0')),
        ["[calibration 1] reloads = 0: must be at least 1"],
        id="calibration_reloads",
    ),
    pytest.param(
        case_text(more=_calibration('kind = "one-point"\nloads = ["10 V"]')),
        [
            '[calibration 1] loads = ["10 V"]: "10 V": "V" is a unit of voltage, force is needed; write for example "10 N"'
        ],
        id="calibration_unit",
    ),
    pytest.param(
        case_text(
            more='[[dependence]]\nbetween = ["sensor.sensitivty", "circuit.feedback"]\nrank_correlation = 0.5'
        ),
        [
            '[dependence 1] between = ["sensor.sensitivty", "circuit.feedback"]: "sensor.sensitivty" is not a quantity of this case; did you mean "sensor.sensitivity"?'
        ],
        id="dependence_unknown",
    ),
    pytest.param(
        case_text(
            more='[[dependence]]\nbetween = ["sensor.sensitivity", "sensor.exponent"]\nrank_correlation = 0.5'
        ),
        [
            '[dependence 1] between = ["sensor.sensitivity", "sensor.exponent"]: "sensor.exponent" has no spread per "unit"; give it one, for example "+/- 5 % per unit"'
        ],
        id="dependence_no_spread",
    ),
    pytest.param(
        case_text(
            more='[[dependence]]\nbetween = ["sensor.sensitivity", "circuit.feedback"]\nlevel = "lot"\nrank_correlation = 0.5'
        ),
        [
            '[dependence 1] between = ["sensor.sensitivity", "circuit.feedback"]: "sensor.sensitivity" has no spread per "lot"; its spreads are per "unit"',
            '[dependence 1] between = ["sensor.sensitivity", "circuit.feedback"]: "circuit.feedback" has no spread per "lot"; its spreads are per "unit"',
        ],
        id="dependence_level",
    ),
    pytest.param(
        case_text(
            more='[[dependence]]\nbetween = ["sensor.sensitivity", "circuit.feedback"]\nrank_correlation = 1.5'
        ),
        [
            "[dependence 1] rank_correlation = 1.5: must lie between -1 and 1; write 1.0 where both are one draw"
        ],
        id="dependence_one",
    ),
    pytest.param(
        case_text(
            more='[[dependence]]\nbetween = ["sensor.sensitivity", "sensor.sensitivity"]\nrank_correlation = 0.5'
        ),
        [
            '[dependence 1] between = ["sensor.sensitivity", "sensor.sensitivity"]: ties a quantity to itself; name two quantities'
        ],
        id="dependence_self",
    ),
    pytest.param(
        case_text(more='[[dependence]]\nbetween = ["sensor.sensitivity"]\nrank_correlation = 0.5'),
        ['[dependence 1] between = ["sensor.sensitivity"]: has 1 entries; write 2'],
        id="dependence_three",
    ),
    pytest.param(
        case_text(
            sensor=line("sensor", 'exponent = "0.8 +/- 2 %"'),
            more="\n".join(
                f'[[dependence]]\nbetween = ["{a}", "{b}"]\nrank_correlation = {r}'
                for a, b, r in [
                    ("sensor.sensitivity", "sensor.exponent", 0.9),
                    ("sensor.exponent", "circuit.feedback", 0.9),
                    ("sensor.sensitivity", "circuit.feedback", -0.9),
                ]
            ),
        ),
        [
            '[dependence]: the rank correlations per "unit" of sensor.sensitivity, sensor.exponent, circuit.feedback cannot all hold; the nearest that can: sensor.sensitivity with sensor.exponent: 0.48, sensor.sensitivity with circuit.feedback: -0.48, sensor.exponent with circuit.feedback: 0.48'
        ],
        id="dependence_matrix",
    ),
    pytest.param(
        case_text(more='[[use.condition]]\nname = "cold"\n[[use.condition]]\nname = "cold"'),
        [
            '[use.condition 2] name = "cold": is the name of an earlier condition too; write a name that distinguishes them'
        ],
        id="condition_names",
    ),
    pytest.param(
        case_text(more='[[use.condition]]\nname = "cold"\ntemperature = "cold"'),
        [
            '[use.condition 1] temperature = "cold": a number is needed before "cold"; write for example "23 degC"'
        ],
        id="condition_value",
    ),
    pytest.param(
        case_text(more='[[use.condition]]\ntemperature = "5 degC"'),
        ['[use.condition 1] name: missing; write for example name = "cold"'],
        id="condition_no_name",
    ),
    pytest.param(
        case_text(study="units = 5"),
        ["[study] units = 5: must be at least 10"],
        id="units_few",
    ),
    pytest.param(
        case_text(study='units = "many"'),
        ['[study] units = "many": must be a whole number; write it without quotes and without a point'],
        id="units_text",
    ),
    pytest.param(
        case_text(study='points = "grid"'),
        ['[study] points = "grid": is not one of the choices; write "random", "latin" or "sobol"'],
        id="points",
    ),
    pytest.param(
        case_text(case="name = 5"),
        ["[case] name = 5: must be a text; write it in quotes"],
        id="name_number",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS", tolerance = "+/- 8 %", spread = [] }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS", tolerance = "+/- 8 %", spread = [] }: has both tolerance and spread; write one of them'
        ],
        id="table_form_both",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS", tolerence = "+/- 8 %" }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS", tolerence = "+/- 8 %" }: "tolerence" is not a key of the table of a quantity; did you mean "tolerance"?'
        ],
        id="table_form_key",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS", spread = [{ shape = "gauss", sd = "8 %" }] }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "gauss", sd = "8 %" }] }: "gauss" is not a shape; shapes are "normal", "rectangular", "triangular", "trapezoidal", "curvilinear trapezoid", "arcsine", "student t", "lognormal", "beta", "gamma", "exponential", "half-normal", "rayleigh", "weibull", "fixed", "discrete", "empirical", "mixture", "truncated", "shifted" or "selected out"'
        ],
        id="table_form_shape",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS", spread = [{ shape = "lognormall", log_sd = 0.1 }] }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "lognormall", log_sd = 0.1 ...: "lognormall" is not a shape; did you mean "lognormal"?'
        ],
        id="table_form_shape2",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS", spread = [{ shape = "normal" }] }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "normal" }] }: shape "normal" needs sd; its keys are mean, sd'
        ],
        id="table_form_shape_key",
    ),
    pytest.param(
        case_text(
            **_sensitivity(
                '{ value = "3.2 uS", spread = [{ shape = "rectangular", low = "-5 %", high = "0.1 uS" }] }'
            )
        ),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "rectangular", low = "-5 % ...: { shape = "rectangular", low = "-5 %", high = "0.1 uS" } mixes shares and differences; write all deviations in one unit'
        ],
        id="table_form_mixed",
    ),
    pytest.param(
        case_text(
            **_sensitivity('{ value = "3.2 uS", spread = [{ shape = "empirical", values = [0.1, 0.2] }] }')
        ),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "empirical", values = [0.1 ...: a conductance needs a unit; write for example "3.2 uS"'
        ],
        id="table_form_number",
    ),
    pytest.param(
        case_text(**_sensitivity('{ value = "3.2 uS +/- 5 %", tolerance = "+/- 8 %" }')),
        [
            '[sensor] sensitivity = { value = "3.2 uS +/- 5 %", tolerance = "+/- 8 %" }: value = "3.2 uS +/- 5 %" is not a single value; write for example value = "3.2 uS"'
        ],
        id="table_form_value",
    ),
    pytest.param(
        case_text(
            **_sensitivity(
                '{ value = "3.2 uS", spread = [{ shape = "normal", sd = "8 %", level = "batch" }] }'
            )
        ),
        [
            '[sensor] sensitivity = { value = "3.2 uS", spread = [{ shape = "normal", sd = "8 %", leve ...: "batch" is not a level of variation; write per "common", "lot", "unit", "mounting", "condition", "loading" or "reading"'
        ],
        id="table_form_level",
    ),
    pytest.param(
        "range = 2 N\n" + case_text(),
        [
            'is not TOML: Expected newline or end of document after a statement (at line 1, column 11); texts stand in quotes, as in range = "2 N to 60 N"'
        ],
        id="syntax",
    ),
    pytest.param(
        case_text(more='[load]\nrange = "2 N to 3 N"'),
        ["is not TOML: Cannot declare ('load',) twice (at line 20, column 6)"],
        id="twice_table",
    ),
    pytest.param(
        case_text(sensor='kind = "tabulated"\nloads = ["2 N", "1 V"]\noutputs = [1, 2]'),
        [
            '[sensor] loads = ["2 N", "1 V"]: its values are of different kinds; write a list such as ["2 N", "10 N"] or of plain numbers in SI units'
        ],
        id="tabulated",
    ),
    pytest.param(
        case_text(
            load='range = "60 N to 2 N"',
            circuit='kind = "inverting amplifier"\nreference = "1.2 A"\nfedback = "47 kohm"',
            study="units = 1",
        ),
        [
            '[load] range = "60 N to 2 N": the range is reversed; write "2 N to 60 N"',
            '[circuit] reference = "1.2 A": "A" is a unit of current, voltage is needed; write for example "1.2 V"',
            '[circuit] feedback: missing; write for example feedback = "47 kohm"',
            '[circuit] fedback = "47 kohm": unknown key; did you mean "feedback"?',
            "[study] units = 1: must be at least 10",
        ],
        id="several",
    ),
]


@pytest.mark.parametrize(("text", "lines"), BAD)
def test_bad_case_is_refused_with_its_whole_message(text: str, lines: list[str]) -> None:
    """Every fault names file, table, key, value, what is wrong and, where it can, how to mend it."""
    with pytest.raises(CaseError) as caught:
        read_case(text, Path("gripper.toml"))
    assert str(caught.value) == "\n".join(f"gripper.toml: {each}" for each in lines)
    assert len(caught.value.faults) == len(lines)


def test_the_table_of_bad_cases_is_long_enough_and_unique() -> None:
    """At least forty-five different bad cases are held against their messages."""
    assert len({param.values[0] for param in BAD}) == len(BAD) >= 45


def _message(path: Path) -> str:
    with pytest.raises(CaseError) as caught:
        load_case(path)
    return str(caught.value).replace(str(path), "FILE")


def test_missing_file_is_named(tmp_path: Path) -> None:
    """A path without a file is refused with that path."""
    assert _message(tmp_path / "no.toml") == "FILE: there is no such file; check the path"


def test_folder_is_refused(tmp_path: Path) -> None:
    """A folder is not taken for a case file."""
    assert _message(tmp_path) == "FILE: is a folder; name the file in it"


def test_text_that_is_not_utf8_is_refused_with_its_line(tmp_path: Path) -> None:
    """A file in another encoding is refused at the line of the first such byte."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'[case]\nname = "Gr\xf6\xdfe"\n')
    assert _message(path) == "FILE: is not UTF-8 text (line 2); save it as UTF-8"


def test_file_that_is_too_large_is_refused_unread(tmp_path: Path) -> None:
    """A file too large to be a case is refused by its size."""
    path = tmp_path / "large.toml"
    path.write_bytes(b"#" * (LARGEST_FILE + 1))
    expected = "FILE: 1000001 bytes are too many for a case (at most 1000000); is this the right file?"
    assert _message(path) == expected


def test_message_survives_a_process_border() -> None:
    """The error can be pickled with all its faults, as workers need."""
    import pickle

    with pytest.raises(CaseError) as caught:
        read_case("", Path("gripper.toml"))
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert again.faults == caught.value.faults
    assert [fault.table for fault in again.faults] == ["load", "requirement", "sensor", "circuit"]
