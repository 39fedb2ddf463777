"""Effects of a kind of sensor, and the measurement that each takes."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping

from margin.bench.fitted import Unmeasured
from margin.bench.spreads import Kind
from margin.chain.parameter import parameters_of
from margin.chain.sensors import StrainGaugeBridge, ThinFilm

ELEMENTS: Mapping[Kind, Hashable] = {"thin film": ThinFilm, "strain-gauge bridge": StrainGaugeBridge}

WARM = "repeat the cycles at another temperature without remounting"

MEASURE: Mapping[str, str] = {
    "offset_conductance": "read the unloaded output before each cycle",
    "zero": "read the unloaded output before each cycle",
    "hysteresis": "read the same loads going down",
    "creep": "keep one load for 1000 s",
    "temperature_coefficient": WARM,
    "span_temperature_coefficient": WARM,
    "offset_temperature_coefficient": f"{WARM}, and read the unloaded output at each",
    "zero_temperature_coefficient": f"{WARM}, and read the unloaded output at each",
    "humidity_coefficient": "repeat the cycles at another humidity and compare (a bench file has no column for it)",
    "reload_scatter": "repeat the cycles without remounting, three times or more",
    "zero_return": "read the unloaded output before and after each cycle",
    "ageing": "repeat the cycles after service time and compare (a bench file has no column for it)",
    "cycle_loss": "count load cycles in the tens of thousands, and repeat the cycles in between",
    "conditioning": "load new sensors some thousand times before the first cycles and between them",
    "zero_ageing": "read the unloaded output after service time and compare",
    "thermal_resistance": "read at twice the drive voltage, at once and after minutes",
    "gradient_resistance": "read the unloaded output at twice the drive voltage, at once and after minutes",
    "lead_resistance": "read one sensor through leads of two lengths",
    "connector_resistance": "open and close the connector between cycles without moving the sensor",
    "row_resistance": "read an element of the array with its neighbours unloaded and loaded",
    "column_resistance": "read an element of the array with its neighbours unloaded and loaded",
    "switch_leakage": "read the array without sensors, cold and warm",
}
"""What shows each effect, by its key in a case, in the order in which they are listed."""

BESIDE: Mapping[str, str] = {
    "interface.friction": "load the assembly up and down beside the bare sensor and compare the loops",
    "interface.shear_error": "load at an angle, as the use does, and compare",
    "circuit.flicker_corner": "read one load each second for an hour, and compare the spread over seconds and minutes",
}
"""The same of the parts beside the sensor, by table and key."""

UNTOLD = (
    "humidity_coefficient", "ageing", "cycle_loss", "conditioning", "zero_ageing", "thermal_resistance",
    "gradient_resistance", "lead_resistance", "connector_resistance", "row_resistance", "column_resistance",
    "switch_leakage", *BESIDE,
)  # fmt: skip
"""Effects that no column of a bench file tells."""


def has(kind: Kind, key: str) -> bool:
    """Whether the element of this kind has a quantity of this name."""
    return key in parameters_of(ELEMENTS[kind])


def unmeasured(kind: Kind, measured: Iterable[str]) -> tuple[Unmeasured, ...]:
    """Effects of the element of this kind that are not among `measured`, keys of a case; then those beside it."""
    known = set(measured)
    own = {key: measure for key, measure in MEASURE.items() if has(kind, key) and key not in known}
    return tuple(Unmeasured(key, measure) for key, measure in {**own, **BESIDE}.items())
