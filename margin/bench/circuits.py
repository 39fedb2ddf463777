"""Which circuits read the bench: what turns their voltage into the sensor's conductance.

A file DATA.circuits.toml beside DATA.csv has one table for each name in the column `circuit`, with the keys that a
circuit has in a case, values without tolerance:

    [amplifier]
    kind = "inverting amplifier"
    reference = "1 V"
    feedback = "56 kohm"
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.bench.data import BenchData
from margin.bench.errors import BenchDataError, Fault
from margin.case.faults import CaseError
from margin.case.files import tables_of, text_of
from margin.case.units import UnitError, to_si
from margin.chain.parameter import options_of, parameters_of
from margin.chain.registry import ELEMENTS
from margin.chain.setting import Setting

Array = NDArray[np.float64]
_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)")


def circuits_file(data: str | Path) -> Path:
    """Where the circuits of a bench file are looked for: bench.csv has bench.circuits.toml beside it."""
    return Path(data).with_suffix(".circuits.toml")


def read_circuits(path: Path) -> dict[str, Any]:
    """Circuit elements at their nominal values, by name. Raises BenchDataError with every fault found."""
    name = str(path)
    try:
        tables = tables_of(text_of(path), name)
    except CaseError as error:
        mend = "Write one table for each circuit of the data, such as [amplifier]."
        raise BenchDataError([Fault(name, None, None, None, error.faults[0].reason, mend)]) from error
    faults: list[Fault] = []
    found = {circuit: _circuit(circuit, table, name, faults) for circuit, table in tables.items()}
    if faults:
        raise BenchDataError(faults)
    return found


def conductances(data: BenchData, circuits: Mapping[str, Any]) -> BenchData:
    """Voltages of a bench as conductance of the sensor, by the inverse of each circuit at its nominal values.

    Data that are conductances already are left as they are. Raises BenchDataError for any other quantity and for
    circuits that are not described.
    """
    if data.quantity == "conductance":
        return data
    if data.quantity != "voltage":
        why = f"a {data.quantity} cannot be turned into a conductance"
        mend = "Give voltage_V, resistance_ohm or conductance_S."
        raise BenchDataError([Fault(data.source, None, None, None, why, mend)])
    return data.converted({name: _inverse(c) for name, c in circuits.items()}, "conductance", "S")


def _inverse(circuit: Any) -> Callable[[Array], Array]:
    return lambda voltage: np.asarray(circuit.output_from(voltage, Setting()), dtype=float)


def _circuit(circuit: str, table: Any, file: str, faults: list[Fault]) -> Any:
    kinds = ELEMENTS["circuit"]
    kind = table.get("kind") if isinstance(table, dict) else None
    if not isinstance(kind, str) or kind not in kinds:
        mend = f"Write kind = one of {', '.join(kinds)}."
        faults.append(
            Fault(file, None, circuit, None if kind is None else str(kind), "no such circuit", mend)
        )
        return None
    cls, before = kinds[kind], len(faults)
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key in options_of(cls):
            values[key] = value
        elif key in parameters_of(cls) and parameters_of(cls)[key].draw is None:
            values[key] = _value(f"{circuit}.{key}", value, parameters_of(cls)[key].unit, file, faults)
        elif key != "kind":
            known = ", ".join(
                [*(k for k, p in parameters_of(cls).items() if p.draw is None), *options_of(cls)]
            )
            mend = f"Keys are {known}."
            faults.append(Fault(file, None, f"{circuit}.{key}", str(value), "unknown key", mend))
    if len(faults) > before:
        return None
    try:
        return cls(**values)
    except (TypeError, ValueError) as error:
        mend = f"State what a circuit of kind {kind!r} needs."
        faults.append(Fault(file, None, circuit, None, str(error), mend))
        return None


def _value(place: str, value: Any, unit: str, file: str, faults: list[Fault]) -> float:
    mend = "Write one value with its unit and without tolerance, such as '56 kohm'."
    if not unit and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    written = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
    try:
        if written is not None:
            return to_si(Fraction(written[1]), written[2].strip(), unit)
        why = "is not a quantity"
    except UnitError as error:
        why = str(error)
    faults.append(Fault(file, None, place, str(value), why, mend))
    return 0.0
