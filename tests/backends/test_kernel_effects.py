"""Friction, leads and other effects in a compiled kernel: the graph is the chain, and counts are the same."""

from __future__ import annotations

from typing import Any

import pytest
from pad_study import EVERY_SPREAD, NONE, TWO_POINT, pad_case
from same_counts import assert_same_counts
from test_traced_graph import assert_graph_is_chain

from margin.backends.run import run
from margin.case import Case

EFFECTS: dict[str, dict[str, Any]] = {
    "friction and shear": {
        "interface": {
            "kind": "load concentrator", "friction": "3 % +/- 1 %", "friction_force": "0.2 N +/- 0.1 N",
            "tilt": "1 deg", "shear_error": "1 %",
        },
    },
    "copper leads of a film": {
        "sensor": {
            **EVERY_SPREAD["sensor"], "series_resistance": "100 ohm", "lead_resistance": "4 ohm +/- 5 %",
            "lead_tempco": "0.393 %/K", "connector_resistance": "0.5 ohm +/- 50 %",
        },
    },
    "copper leads of a bridge": {
        "sensor": {
            "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V",
            "lead_resistance": "2 ohm +/- 5 %", "lead_tempco": "0.393 %/K", "connector_resistance": "0.5 ohm +/- 50 %",
        },
        "circuit": {
            "kind": "bridge amplifier", "reference": "5 V", "internal_resistor": "49.9 kohm",
            "gain_resistor": "130 ohm +/- 1 %", "source_resistance": "20 ohm",
        },
    },
    "a film that warms itself": {
        "sensor": {
            **EVERY_SPREAD["sensor"], "sensitivity": "2 mS +/- 8 %", "thermal_resistance": "3000 K/W +/- 20 %",
            "temperature_coefficient": "-0.5 %/K +/- 0.1 %/K", "series_resistance": "5 ohm",
            "voltage_coefficient": "1 %/V",
        },
        "circuit": {"kind": "voltage divider", "reference": "3 V", "resistor": "200 ohm +/- 1 %"},
    },
    "a bridge that warms itself": {
        "sensor": {
            "kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V",
            "thermal_resistance": "30 K/W +/- 20 %", "gradient_resistance": "0 K/W +/- 2 K/W",
            "gauge_tempco": "10 ppm/K",
            "span_temperature_coefficient": "100 ppm/K +/- 50 ppm/K",
        },
        "circuit": {
            "kind": "bridge amplifier", "reference": "5 V", "internal_resistor": "49.9 kohm",
            "gain_resistor": "130 ohm +/- 1 %",
        },
    },
    "flicker noise": {
        "circuit": {
            "offset": "0 mV +/- 1 mV", "voltage_noise": "2 uV/Hz**0.5", "flicker_corner": "200 Hz",
            "capacitor": "10 nF",
            "reference_noise": "300 ppm", "reference_flicker": "500 ppm",
        },
        "converter": {
            "bits": 12, "averaging": 4, "reference": "absolute", "full_scale": "1.2 V", "reference_noise": "300 ppm",
            "reference_flicker": "500 ppm",
        },
    },
    "element of an array": {
        "sensor": {
            **EVERY_SPREAD["sensor"], "rows": 4, "columns": 6, "row_resistance": "60 ohm +/- 20 %",
            "column_resistance": "90 ohm +/- 20 %", "line_tempco": "0.4 %/K",
            "neighbour_conductance": "0 uS to 40 uS per loading",
        },
    },
}  # fmt: skip
"""Tables of a case, by the effect that is in it."""


def case_with(effect: str) -> Case:
    """The pad with spreads at every level and this effect."""
    return pad_case(NONE, TWO_POINT, **{**EVERY_SPREAD, **EFFECTS[effect]})


@pytest.mark.parametrize("effect", EFFECTS)
def test_effects_are_recorded_as_the_chain_computes_them(effect: str) -> None:
    """The graph gives the errors of the chain to the last bit."""
    assert_graph_is_chain(case_with(effect), 40)


@pytest.mark.parametrize("effect", EFFECTS)
def test_effects_count_as_by_array_operations(effect: str) -> None:
    """The compiled kernel gives the same whole numbers."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    case = case_with(effect)
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))
