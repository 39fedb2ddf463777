"""Bad values of leads, friction, self-heating, flicker noise and arrays: one message each."""

from __future__ import annotations

from pathlib import Path

import pytest
from case_texts import BRIDGE, case_text, line

from margin.case.faults import CaseError
from margin.case.load import read_case

CELL = 'kind = "strain-gauge bridge"\nrated_load = "60 N"\nrated_output = "2 mV/V"\n'
PUCK = 'kind = "load concentrator"\n'
DIVIDER = 'kind = "voltage divider"\nreference = "1.2 V"\nresistor = "47 kohm"'


def _pad(text: str) -> str:
    return case_text(sensor=line("sensor", text))


def _cell(text: str) -> str:
    return case_text(sensor=CELL + text, circuit=BRIDGE)


def _puck(text: str) -> str:
    return case_text(interface=PUCK + text)


def _circuit(text: str) -> str:
    return case_text(circuit=line("circuit", text))


BAD = {
    "negative_lead": (
        _cell('lead_resistance = "-1 ohm"'),
        '[sensor] lead_resistance = "-1 ohm": must be at least 0 ohm (got -1 ohm); write for example "0 ohm"',
    ),
    "tempco_without_kelvin": (
        _cell('lead_tempco = "0.393 %"'),
        '[sensor] lead_tempco = "0.393 %": "%" is a ratio, temperature coefficient is needed; write for example '
        '"50 ppm/K"',
    ),
    "connector_without_unit": (
        _pad('connector_resistance = "0.5"'),
        '[sensor] connector_resistance = "0.5": a resistance needs a unit; write for example "47 kohm"',
    ),
    "stuck": (
        _puck('friction = "95 %"'),
        '[interface] friction = "95 %": must be at most 0.9 (got 0.95); write for example "0.9"',
    ),
    "friction_force_as_share": (
        _puck('friction_force = "2 %"'),
        '[interface] friction_force = "2 %": "%" is a ratio, force is needed; write for example "10 N"',
    ),
    "negative_shear": (
        _puck("shear_error = -0.01"),
        '[interface] shear_error = -0.01: must be at least 0 (got -0.01); write for example "0"',
    ),
    "friction_without_a_path": (
        case_text(interface='kind = "direct"\nfriction = "3 %"'),
        '[interface] friction = "3 %": unknown key; a key of kind "load concentrator"',
    ),
    "thermal_conductance": (
        _pad('thermal_resistance = "200 W/K"'),
        '[sensor] thermal_resistance = "200 W/K": "W/K" is not a unit of thermal resistance; write for example '
        '"200 K/W"',
    ),
    "gradient_in_kelvin": (
        _cell('gradient_resistance = "1 K"'),
        '[sensor] gradient_resistance = "1 K": "K" is a unit of temperature, thermal resistance is needed; write for '
        'example "200 K/W"',
    ),
    "negative_corner": (
        _circuit('flicker_corner = "-10 Hz"'),
        '[circuit] flicker_corner = "-10 Hz": must be at least 0 Hz (got -10 Hz); write for example "0 Hz"',
    ),
    "endless_flicker": (
        _circuit('flicker_lowest = "0 Hz"'),
        '[circuit] flicker_lowest = "0 Hz": must be above 0 (got 0 Hz); write for example "1 kHz"',
    ),
    "reference_noise_in_volt": (
        _circuit('reference_noise = "20 uV"'),
        '[circuit] reference_noise = "20 uV": "uV" is a unit of voltage, plain number is needed; write for example '
        '"5 %"',
    ),
    "no_rows": (_pad("rows = 0"), "[sensor] rows = 0: must be from 1 to 10000 lines (got 0)"),
    "half_a_row": (
        _pad("rows = 4.5"),
        "[sensor] rows = 4.5: must be a whole number; write it without quotes and without a point",
    ),
    "neighbours_of_one": (
        _pad('neighbour_conductance = "20 uS"'),
        '[sensor] neighbour_conductance = "20 uS": needs neighbours: state rows or columns above 1, or leave it out',
    ),
    "array_behind_a_divider": (
        case_text(sensor=line("sensor", "rows = 4\ncolumns = 4"), circuit=DIVIDER),
        '[circuit] kind = "voltage divider": has no virtual ground, into which the columns of an array are read; write '
        '"inverting amplifier", or leave rows and columns of [sensor] out',
    ),
}
"""Case text and its one message."""


@pytest.mark.parametrize("name", BAD)
def test_a_bad_effect_gives_one_message(name: str) -> None:
    """The message names file, table, key, value, what is wrong and, where it can, the remedy."""
    text, expected = BAD[name]
    with pytest.raises(CaseError) as caught:
        read_case(text, Path("gripper.toml"))
    assert str(caught.value) == f"gripper.toml: {expected}"
    assert len(caught.value.faults) == 1
