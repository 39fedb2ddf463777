"""Signals along the nominal chain at the lowest, a middle and the highest check load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.propagation.assemble import nominal_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Signals:
    """What each part of the chain passes on at some loads, units new and as designed, under the design curve's
    conditions; every array is (load,).

    loads    N, applied; force: N, that reaches the sensor
    output   of the sensor, S or V/V (`output_unit`)
    voltage  V, at the converter, within the swing of the circuit
    code     of the converter, counts; None where the converter is ideal, without counts
    """

    loads: Array
    force: Array
    output: Array
    output_unit: str
    voltage: Array
    code: Array | None


def nominal_signals(case: Case) -> Signals:
    """Signals of the nominal chain at the lowest, the middle and the highest check load."""
    checked = sorted(set(case.check_loads))
    loads = np.array(sorted({checked[0], checked[len(checked) // 2], checked[-1]}))
    nominal = nominal_of(case)
    response = nominal.chain.respond(loads, nominal.setting)
    low, high = response.circuit.swing(nominal.setting)
    given = (response.contact.force, response.output, np.clip(response.voltage, low, high))
    force, output, voltage = (
        np.broadcast_to(np.asarray(each, dtype=np.float64), loads.shape) for each in given
    )
    unit = "S" if nominal.chain.sensor.output_kind == "conductance" else "V/V"
    ideal = case.elements["converter"].options.get("bits") == 0
    code = None if ideal else np.broadcast_to(np.asarray(response.code, dtype=np.float64), loads.shape)
    return Signals(loads, force, output, unit, voltage, code)
