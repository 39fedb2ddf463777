"""The columns of a bench file: names, units, what is assumed where one is missing."""

from __future__ import annotations

import math
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

POSSIBLE: dict[str, tuple[float, float]] = {
    "load_N": (-1e12, 1e12),
    "time_s": (-1e12, 1e12),
    "temperature_degC": (-273.15, 1e4),
    "resistance_ohm": (-math.inf, math.inf),
}
"""Smallest and largest number of a column: wider than any bench, and narrow enough that no power or product of them
overflows. A meter tells an open circuit by a huge resistance."""

POSSIBLE_OUTPUT = (-1e12, 1e12)
"""The same of an output that is not named above."""

SMALLEST_RESISTANCE = 1e-12


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
