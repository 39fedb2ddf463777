"""From drawn deviations to the elements of the chain and the setting of a reading."""

from __future__ import annotations

import dataclasses
from collections.abc import Container
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.case.build import nominal_element
from margin.case.service_profile import ServiceProfile
from margin.case.types import Case, ElementSpec, UseCondition
from margin.case.use import Use
from margin.chain import Chain, Firmware
from margin.chain.laws import absent
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.propagation.draws import Source
from margin.propagation.events import Event
from margin.propagation.factors import spread_factors
from margin.propagation.recipes import Spreading, recipe_of


def spread_value(spreading: Spreading, event: Event, source: Source) -> Value:
    """Value of a quantity: nominal * product(1 + relative deviations) + sum(absolute deviations), SI."""
    value: Value = spreading.nominal
    absolute: Value = 0.0
    for factor in spreading.factors:
        deviation = source.deviation(factor, event)
        if factor.relative:
            value = value * (1.0 + deviation)
        else:
            absolute = absolute + deviation
    if isinstance(absolute, float) and absolute == 0.0:
        return value
    return value + absolute


def drawn_element(
    spec: ElementSpec,
    event: Event,
    source: Source,
    condition: UseCondition | None = None,
    unused: Container[str] = (),
) -> Any:
    """Element of `spec` with every quantity drawn for `event`, by that of `condition` where it has its own.

    A standardised draw has no size of its own: where its factor is frozen or halved, the quantity that it
    scales is frozen or halved. Those of the fields `unused` have no effect: a source may be spared them.
    """
    recipe = recipe_of(spec, condition)
    if recipe.element is not None:
        return recipe.element
    values = dict(recipe.fixed)
    for spreading in recipe.spreading:
        values[spreading.field] = spread_value(spreading, event, source)
    for draw in recipe.standardised:
        if draw.field in unused and getattr(source, "spares_unused", False):
            values[draw.field] = draw.factor.distribution.mean
            continue
        values[draw.field] = source.deviation(draw.factor, event)
        if draw.scales is not None:
            values[draw.scales] = source.scaled(draw.factor, values[draw.scales])
    return spec.cls(**values)


@dataclass(frozen=True)
class Nominal:
    """The chain as designed, the firmware built on it, and the setting for which its curve holds.

    by_code  coordinates of the firmware at every code, as they are first asked for, by space and smallest estimate
    """

    chain: Chain
    firmware: Firmware
    setting: Setting
    by_code: dict[tuple[str, float], NDArray[np.float64]] = field(
        default_factory=dict, compare=False, repr=False
    )


def nominal_setting(case: Case) -> Setting:
    """Bench conditions of the design curve, units new, load cycles to the top of the range: the firmware's curve."""
    curve = case.design_curve
    return Setting(
        temperature=curve.temperature,
        dwell=curve.dwell,
        descending=curve.descending,
        peak=case.load_high,
        age=0.0,
        humidity=curve.humidity,
        reference_temperature=case.reference_temperature,
        reference_humidity=case.reference_humidity,
    )


def nominal_of(case: Case) -> Nominal:
    """The chain as designed."""
    e = case.elements
    chain = Chain(
        nominal_element(e["interface"]),
        nominal_element(e["sensor"]),
        nominal_element(e["circuit"]),
        nominal_element(e["converter"]),
    )
    return Nominal(chain, Firmware(chain), nominal_setting(case))


def drawn_chain(case: Case, event: Event, source: Source, stage: str) -> Chain:
    """Chain of drawn units at `event`.

    stage  'finished product': the unit with its own mechanics and circuit;
           'sub-assembly': own sensor and circuit, in the station's fixture (interface as designed);
           'bare sensor': own sensor, in the fixture and read by the station's circuit (both as designed)
    """
    e = case.elements
    interface = (
        drawn_element(e["interface"], event, source)
        if stage == "finished product"
        else nominal_element(e["interface"])
    )
    sensor = drawn_element(e["sensor"], event, source)
    if stage == "bare sensor":
        return Chain(interface, sensor, nominal_element(e["circuit"]), nominal_element(e["converter"]))
    return Chain(
        interface,
        sensor,
        drawn_element(e["circuit"], event, source),
        drawn_element(e["converter"], event, source),
    )


def use_setting(case: Case, condition: UseCondition | None, event: Event, source: Source) -> Setting:
    """Setting of the readings in use."""
    spec = case.elements["use"]
    nominal = nominal_element(spec)
    direction = nominal.direction
    if condition is not None and condition.direction is not None:
        direction = condition.direction
    use = drawn_element(spec, event, source, condition, () if direction == "either" else ("direction_draw",))
    descending: Value
    if direction == "either":
        descending = np.where(use.direction_draw < 0.5, 0.0, 1.0)
    else:
        descending = 1.0 if direction == "down" else 0.0
    peak = use.peak if not (isinstance(use.peak, float) and use.peak == 0.0) else case.load_high
    return Setting(
        temperature=use.temperature,
        dwell=use.dwell,
        descending=descending,
        peak=peak,
        age=use.age,
        **lived(case.service, use.age, use),
        humidity=use.humidity,
        load_frequency=use.load_frequency,
        swing_reading=nominal.swing_reading,
        reference_temperature=case.reference_temperature,
        reference_humidity=case.reference_humidity,
    )


_OF_SERVICE = ("cycles_per_hour", "cycle_load_exponent", "duty", "service_temperature")
"""Quantities of use that say what units go through up to their age."""


@dataclass(frozen=True)
class _Service:
    """These quantities as drawn."""

    cycles_per_hour: Value
    cycle_load_exponent: Value
    duty: Value
    service_temperature: Value


def lived(profile: ServiceProfile | None, age: Value, use: Use | _Service) -> dict[str, Any]:
    """Fields of a setting of use by what units of an age, h, have been through: storage and service."""
    return {**_served(profile, age, use), **_stored(profile)}


def _served(profile: ServiceProfile | None, age: Value, use: Use | _Service) -> dict[str, Any]:
    """Fields of a setting by what units of an age have been through in service."""
    cycles: Value = 0.0 if absent(use.cycles_per_hour) else age * use.cycles_per_hour
    if profile is not None and profile.loads and not absent(cycles):
        cycles = cycles * profile.weight(use.cycle_load_exponent)
    return {
        "cycles": cycles,
        "loaded_hours": 0.0 if absent(use.duty) else age * use.duty,
        "service_temperature": use.service_temperature,
        "service_temperatures": () if profile is None else profile.temperatures,
    }


def _stored(profile: ServiceProfile | None) -> dict[str, Any]:
    """Fields of a setting by the storage before it."""
    if profile is None:
        return {}
    return {"stored": profile.stored, "storage_temperature": profile.storage_temperature}


def served_by(case: Case, age: float) -> Setting:
    """Setting of use of a unit of an age, h, with nominal values."""
    use = nominal_element(case.elements["use"])
    return Setting(
        age=age,
        **lived(case.service, age, use),
        reference_temperature=case.reference_temperature,
    )


def in_service(case: Case, event: Event, source: Source, setting: Setting) -> Setting:
    """The setting of a station with what units of its age have been through: load cycles, their temperature, storage.

    What is drawn per condition of use is drawn for the station by itself: it belongs to another period.
    """
    profile = case.service
    if profile is not None and profile.storage_before == "calibration":
        setting = dataclasses.replace(setting, **_stored(profile))
    if absent(setting.age):
        return setting
    spec = case.elements["use"]
    kept = {name: spec.quantities[name] for name in _OF_SERVICE}
    drawn = {
        name: spread_value(
            Spreading(name, quantity.nominal, spread_factors(quantity, "use", None)), event, source
        )
        for name, quantity in kept.items()
    }
    return dataclasses.replace(setting, **_served(profile, setting.age, _Service(**drawn)))


def firmware_setting(case: Case, event: Event, source: Source, setting: Setting, corrected: bool) -> Setting:
    """Setting at which the firmware evaluates its curve: that of the design curve, or at the measured temperature."""
    nominal = nominal_setting(case)
    if not corrected:
        return nominal
    element = drawn_element(case.elements["firmware"], event, source)
    return dataclasses.replace(nominal, temperature=setting.temperature + element.thermometer_error)
