"""The columns of a bench file: names, units, what is assumed where one is missing."""

from __future__ import annotations

from dataclasses import dataclass

LABELS: tuple[str, ...] = ("lot", "sensor", "mounting", "circuit", "interface")
"""Who and how: text columns, in the order of nesting."""

LABEL_DEFAULTS: dict[str, str] = {
    "lot": "1",
    "sensor": "1",
    "mounting": "1",
    "circuit": "unstated",
    "interface": "unstated",
}

NUMBERS: tuple[str, ...] = ("time_s", "load_N", "temperature_degC")

TEMPERATURE_DEFAULT = 25.0


@dataclass(frozen=True)
class Output:
    """One way of stating the output of a sensor or its circuit."""

    column: str
    quantity: str
    unit: str


OUTPUTS: tuple[Output, ...] = (
    Output("voltage_V", "voltage", "V"),
    Output("code", "code", "count"),
    Output("resistance_ohm", "conductance", "S"),
    Output("conductance_S", "conductance", "S"),
    Output("ratio_mV_per_V", "ratio", "mV/V"),
    Output("output", "output", ""),
)

OUTPUT_COLUMNS: tuple[str, ...] = tuple(output.column for output in OUTPUTS)

KNOWN: tuple[str, ...] = (*LABELS, "run", "branch", *NUMBERS, *OUTPUT_COLUMNS, "output_unit")

SERIES: tuple[str, ...] = (*LABELS, "run")
"""Readings with these in common were taken one after the other."""
