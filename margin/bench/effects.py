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
}
"""What shows each effect, by its key in a case, in the order in which they are listed."""


def has(kind: Kind, key: str) -> bool:
    """Whether the element of this kind has a quantity of this name."""
    return key in parameters_of(ELEMENTS[kind])


def unmeasured(kind: Kind, measured: Iterable[str]) -> tuple[Unmeasured, ...]:
    """Effects of the element of this kind that are not among `measured`, keys of a case."""
    known = set(measured)
    return tuple(
        Unmeasured(key, measure) for key, measure in MEASURE.items() if has(kind, key) and key not in known
    )
