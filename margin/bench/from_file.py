"""From a bench file to a fitted sensor in one step."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from margin.bench.circuits import circuits_file, conductances, read_circuits
from margin.bench.data import read_bench
from margin.bench.errors import BenchDataError, Fault
from margin.bench.fitted import FittedSensor
from margin.bench.sensor_model import fitted_sensor


def fit_file(
    path: str | Path,
    *,
    circuit: str | None = None,
    interface: str | None = None,
    reference_load: float | None = None,
    confidence: float = 0.95,
) -> FittedSensor:
    """Fit the sensors of a bench file, read by one circuit under one interface (None: the first there is).

    reference_load  N, where a thin film's sensitivity is stated; None: a measured load in mid-range

    A ratio in mV/V is that of a strain-gauge bridge; voltages become conductances of a thin film by the circuits
    described beside the data (see `circuits`). Raises BenchDataError for a file that cannot be used,
    NotMeasurableError where there is nothing to fit.
    """
    data = read_bench(path)
    circuits: dict[str, Any] = {}
    if data.quantity == "voltage":
        beside = circuits_file(path)
        if not beside.is_file():
            names = ", ".join(f"[{name}]" for name in data.frame["circuit"].unique())
            why = f"a voltage says nothing of the sensor without its circuit, and there is no {beside.name}"
            mend = f"Write {beside.name} beside the data, with a table for each circuit: {names}."
            raise BenchDataError([Fault(data.source, None, "circuit", None, why, mend)])
        circuits = read_circuits(beside)
    bridge = data.quantity == "ratio"
    return fitted_sensor(
        data if bridge else conductances(data, circuits),
        "strain-gauge bridge" if bridge else "thin film",
        circuit=circuit,
        interface=interface,
        reference_load=reference_load,
        confidence=confidence,
        circuits=circuits,
    )
