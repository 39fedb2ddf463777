"""A small study of a force-sensing pad, from which tests make the case that they need. All values
invented."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.case import Case, read_case
from margin.case.types import CalibrationSpec
from margin.chain.elements import Contact
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.propagation.block import block_errors
from margin.propagation.draws import StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.model import Model, model_of
from margin.propagation.plan import plan_of
from margin.propagation.readings import use_event

Array = NDArray[np.float64]

TABLES: dict[str, dict[str, Any]] = {
    "case": {"unstated": "zero"},
    "load": {"range": "2 N to 60 N", "check": 7},
    "requirement": {"permissible_error": "larger of 6 % of reading and 1 % of span"},
    "interface": {"kind": "direct"},
    "sensor": {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N"},
    "circuit": {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm"},
    "use": {"temperature": "25 degC", "conditions": 1, "loadings": 1, "readings": 1},
    "station": {"temperature": "25 degC"},
    "study": {"units": 1000, "outer": 1, "seed": 3},
}
"""A pad without tolerances: 60 N give 12 uS, and 72 % of the reference at the output of the amplifier."""

NONE = {"kind": "none"}
ONE_POINT = {"kind": "one-point", "loads": ["30 N"]}
TWO_POINT = {"kind": "two-point", "loads": ["6 N", "54 N"]}

EVERY_SPREAD: dict[str, Any] = {
    "sensor": {
        "sensitivity": "4 uS +/- 8 % per lot, +/- 8 % (2 sigma) per unit", "exponent": "0.85 +/- 0.02 (2 sigma)",
        "reload_scatter": "1.5 %", "hysteresis": "1 %", "creep": "2 % +/- 0.5 %", "zero_return": "1 %",
    },
    "circuit": {"offset": "0 mV +/- 1 mV"},
    "converter": {"bits": 12, "noise": 0.7, "integral_nonlinearity": 1},
    "use": {
        "temperature": "5 degC to 40 degC", "dwell": "0.3 s to 3 s", "direction": "either", "conditions": 2,
        "loadings": 2, "readings": 2,
    },
    "station": {"temperature": "25 degC +/- 2 K", "reference_scatter": "0.05 N", "reference_gain": "0 +/- 0.2 %"},
    "study": {"units": 230, "outer": 1, "units_per_lot": 10},
}  # fmt: skip
"""Something at every level of variation that a kernel draws or is given, without named conditions."""

EVERY_LEVEL: dict[str, Any] = {
    "load": {"check": 4},
    "interface": {"kind": "load concentrator", "contact_gain": "1 +/- 2 %"},
    "sensor": {
        "sensitivity": "4 uS +/- 6 % (2 sigma, from 8 units) per unit, +/- 4 % per lot",
        "exponent": "0.9 +/- 0.03",
        "reload_scatter": "1 %",
        "hysteresis": "2 %",
    },
    "circuit": {"feedback": "60 kohm +/- 1 % per unit, +/- 0.5 % per lot"},
    "converter": {"bits": 12, "noise": 0.7},
    "station": {"reference_gain": "+/- 1 %", "temperature": "20 degC to 26 degC"},
    "use": {
        "conditions": 2,
        "loadings": 2,
        "direction": "either",
        "condition": [
            {"name": "cold", "temperature": "0 degC +/- 5 K"},
            {"name": "warm", "temperature": "30 degC to 40 degC"},
        ],
    },
}
"""Tables with spreads at every level, from few measured units too, and two named conditions of use."""


def pad_case(*calibrations: dict[str, Any], **tables: dict[str, Any]) -> Case:
    """The case with keys of its tables replaced or added (None takes one out) and these calibrations.

    A table that names a kind replaces the whole table. Levels of use are one draw of each unless stated.
    """
    raw: dict[str, Any] = {}
    for name in {**TABLES, **tables}:
        given = tables.get(name, {})
        if isinstance(given, list):
            raw[name] = given
            continue
        merged = dict(given) if "kind" in given else {**TABLES.get(name, {}), **given}
        raw[name] = {key: value for key, value in merged.items() if value is not None}
    raw["calibration"] = list(calibrations) or [NONE]
    return read_case(raw)


def everything(points: str, units: int = 1010) -> Case:
    """Lots that blocks do not divide, outer draws, dependences, a lot curve, classes, named conditions."""
    return pad_case(
        NONE,
        ONE_POINT,
        {**TWO_POINT, "reloads": 2, "direction": "both", "stage": "sub-assembly"},
        {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "30 N", "54 N"], "degree": 1},
        {"kind": "classes", "classes": 3},
        **EVERY_LEVEL,
        dependence=[
            {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": -0.5},
            {"between": ["sensor.sensitivity", "circuit.feedback"], "level": "lot", "rank_correlation": 0.4},
        ],
        study={"units": units, "outer": 4, "units_per_lot": 33, "points": points},
    )


def source_of(case: Case, count: int | None = None) -> tuple[Model, StreamSource, int]:
    """Model, draws of the first `count` units (default: all), and their number."""
    model, plan = model_of(case), plan_of(case)
    count = plan.frame.units if count is None else count
    return model, model.source(plan.frame.grouping, 0, count), count


def errors_of(case: Case, count: int | None = None, condition: int = 0) -> dict[str, Array]:
    """Force errors of every option, N, (unit, condition, loading, reading, load), under one condition of
    use."""
    model, source, count = source_of(case, count)
    found = block_errors(model, source, count)
    return {name: by_condition[condition] for name, by_condition in found.by_option.items()}


def only(case: Case, count: int | None = None) -> Array:
    """Force errors of the one option of a case."""
    (found,) = errors_of(case, count).values()
    return found


def factor_of(case: Case, name: str) -> Factor:
    """The factor whose name starts so."""
    found = [f for f in model_of(case).factors if f.name.startswith(name)]
    assert len(found) == 1, [f.name for f in model_of(case).factors]
    return found[0]


def use_draws(case: Case, name: str, count: int | None = None) -> Array:
    """Deviations of a factor in use."""
    _, source, _ = source_of(case, count)
    return np.asarray(source.deviation(factor_of(case, name), use_event(case, None)))


def loads_of(case: Case) -> Array:
    """Check loads, N."""
    return np.asarray(case.check_loads)


def option_named(case: Case, name: str) -> CalibrationSpec:
    """Calibration option of that name."""
    return next(o for o in case.calibrations if o.name == name)


def station_event(case: Case, loads: int) -> Event:
    """Event of a calibration with one reading of each of so many loads."""
    return Event("calibration", loads=loads, calibrating=True)


def without_output_beyond(case: Case, beyond: float) -> Case:
    """The case with a sensor whose output is no number above a conductance, S."""
    sound = case.elements["sensor"].cls

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Broken(sound):  # type: ignore[misc, valid-type]
        def output(self, contact: Contact, setting: Setting) -> Value:
            found = super().output(contact, setting)
            return np.where(found > beyond, np.nan, found)

    broken = dataclasses.replace(case.elements["sensor"], cls=Broken)
    return dataclasses.replace(case, elements={**case.elements, "sensor": broken})


def with_a_branch(case: Case) -> Case:
    """The case with a sensor that asks for the values of what is drawn."""
    sound = case.elements["sensor"].cls

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Branching(sound):  # type: ignore[misc, valid-type]
        def output(self, contact: Contact, setting: Setting) -> Value:
            found = super().output(contact, setting)
            return found if np.max(found) < 1.0 else np.minimum(found, 1.0)

    branching = dataclasses.replace(case.elements["sensor"], cls=Branching)
    return dataclasses.replace(case, elements={**case.elements, "sensor": branching})
