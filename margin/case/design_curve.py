"""The design curve that firmware turns round: under which bench conditions it was measured."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from margin.case import units
from margin.case.build import nominal_element
from margin.case.faults import Fault, ValueFault
from margin.case.fitted_model import FittedModel
from margin.case.tables import CaseTable, DesignCurveTable, read_single
from margin.case.types import DesignCurve, ElementSpec, Role
from margin.chain.elements import Contact
from margin.chain.setting import Setting

CLOSE = 1e-6
"""Of the top load: what turning the design curve round may miss."""


@dataclass(frozen=True)
class ReadCurve:
    """The design curve with the origin of each of its conditions, by key.

    stated   keys that the case has
    origins  'bench of pad_fit.toml', 'creep_reference_time of the sensor' for each key that it leaves out
    bench    origin of what a fitted model states
    """

    curve: DesignCurve
    stated: tuple[str, ...]
    origins: Mapping[str, str]
    bench: str | None = None

    @property
    def reading(self) -> str:
        """'design curve: dwell 1 s (stated), branch up (assumed: the reference branch), ...'."""
        shown = (f"{key} {self._shown(key)} ({self._known(key)})" for key in KEYS)
        return f"design curve: {', '.join(shown)}"

    @property
    def defaults(self) -> Iterator[str]:
        """A line for each condition that neither the case nor a fitted model states."""
        for key in KEYS:
            if key not in self.stated and self.origins[key] != self.bench:
                yield f"design_curve.{key} = {self._shown(key)}: assumed, {self.origins[key]}"

    def _shown(self, key: str) -> str:
        value = getattr(self.curve, key)
        return value if key == "branch" else units.show(value, KEYS[key])

    def _known(self, key: str) -> str:
        if key in self.stated:
            return "stated"
        origin = self.origins[key]
        return origin if origin == self.bench else f"assumed: {origin}"


KEYS = {"dwell": "s", "branch": "", "temperature": "degC", "humidity": "percent_RH"}
"""Conditions of the design curve and their units."""


def read_design_curve(
    table: DesignCurveTable,
    about: CaseTable,
    sensor: ElementSpec,
    dwell_of_use: float,
    model: FittedModel | None,
) -> ReadCurve:
    """The design curve of a case.

    dwell_of_use  s, taken where the sensor has no time at which its values hold
    model         the fitted model that the sensor is taken from: its bench is that of the curve

    A case that leaves a condition out has that of the fitted model's bench, or else the one at which the
    sensor's values hold.
    """
    time = sensor.quantities.get("creep_reference_time")
    found: dict[str, Any] = {
        "dwell": dwell_of_use if time is None else time.nominal,
        "branch": "up",
        "temperature": about.reference_temperature,
        "humidity": about.reference_humidity,
    }
    origins = {
        "dwell": "dwell of the use" if time is None else "creep_reference_time of the sensor",
        "branch": "reference branch of the hysteresis",
        "temperature": "reference temperature of the case",
        "humidity": "reference humidity of the case",
    }
    bench = None
    if model is not None:
        bench = f"bench of {model.name}"
        found |= {"branch": model.about.branch, "temperature": model.about.temperature}
        origins |= dict.fromkeys(("branch", "temperature"), bench)
        held = _bench_dwell(model)
        if held is not None:
            found["dwell"], origins["dwell"] = held, bench
    stated = {key: getattr(table, key) for key in KEYS if getattr(table, key) is not None}
    return ReadCurve(DesignCurve(**{**found, **stated}), tuple(stated), origins, bench)


def _bench_dwell(model: FittedModel) -> float | None:
    """Time after loading at which the values of a model hold; older models have it with the sensor alone."""
    if model.about.dwell is not None:
        return model.about.dwell
    try:
        return read_single(model.sensor.get("creep_reference_time"), "s")
    except ValueFault:
        return None


def require_invertible(
    read: ReadCurve,
    elements: Mapping[Role, ElementSpec],
    loads: tuple[float, float],
    about: CaseTable,
    file: str,
) -> Iterator[Fault]:
    """The output of the sensor must determine the force on the branch of the design curve."""
    curve = read.curve
    if curve.branch == "up":
        return
    interface, sensor = nominal_element(elements["interface"]), nominal_element(elements["sensor"])
    up = Setting(
        temperature=curve.temperature,
        dwell=curve.dwell,
        peak=loads[1],
        humidity=curve.humidity,
        reference_temperature=about.reference_temperature,
        reference_humidity=about.reference_humidity,
    )
    peak = interface.transmit(loads[1], up).force
    on_branch = dataclasses.replace(up, peak=peak, descending=curve.descending)
    forces = np.asarray(interface.transmit(np.linspace(*loads, 61), up).force, dtype=np.float64)
    told, expected = (
        np.asarray(sensor.force_from(sensor.output(Contact(forces), setting), setting), dtype=np.float64)
        for setting in (on_branch, up)
    )
    if not np.all(np.abs(told - expected) <= CLOSE * loads[1]):
        reason = (
            f'the output of the sensor of kind "{elements["sensor"].kind}" does not determine the force on this '
            "branch: its hysteresis turns it back, or its inverse knows the ascending branch alone"
        )
        yield Fault(file, "design_curve", "branch", curve.branch, reason, 'write branch = "up"')
