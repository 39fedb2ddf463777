"""What the tool assumed and how it read what was written: lines for the report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from margin.case import units
from margin.case.bands import Band
from margin.case.build import nominal_element
from margin.case.types import Dependence, ElementSpec, Quantity, Role, Spread, UseCondition
from margin.chain.parameter import options_of, parameters_of

NO_QUANTISATION = "ideal converter (none stated): no quantisation"


def defaults_of_element(
    spec: ElementSpec, written: bool, given: Iterable[str], bands: Mapping[str, Band]
) -> Iterator[str]:
    """'circuit.offset = 0 V: ideal' for each quantity and choice that the case left out and no band stands for.

    written  whether the file has the table at all
    given    keys that it has there
    bands    plausible bands of the element by key
    """
    stated = set(given)
    if spec.role == "converter" and spec.options.get("bits") == 0:
        yield f"{spec.role}: {NO_QUANTISATION}"
        if stated <= {"kind", "bits"}:
            return
    if not written:
        yield f"{spec.role}: not stated, {_what_absent(spec)}"
        return
    for name, quantity in spec.quantities.items():
        if quantity.defaulted and quantity.band is None:
            yield _default_line(quantity, parameters_of(spec.cls)[name].default_from)
    stated |= {*given, *(name for name, band in bands.items() if band.choice is not None)}
    for name in options_of(spec.cls):
        if name not in stated:
            yield f"{spec.role}.{name} = {spec.options[name]}: assumed"


def _what_absent(spec: ElementSpec) -> str:
    if spec.role == "interface":
        return "ideal: the whole load reaches the sensor"
    if spec.role == "firmware":
        return "ideal: it knows the temperature"
    values = ", ".join(
        f"{name} {units.show(quantity.nominal, quantity.unit)}"
        for name, quantity in spec.quantities.items()
        if quantity.band is None and quantity.defaulted
    )
    return f"assumed without spread: {values}"


def _default_line(quantity: Quantity, other: str | None) -> str:
    """other: the field whose nominal value was taken."""
    shown = units.show(quantity.nominal, quantity.unit)
    if quantity.name == "use.peak":
        return f"{quantity.name} = {shown}: top of the load range"
    if other is not None and quantity.nominal != 0.0:
        return f"{quantity.name} = {shown}: as {other}, without spread"
    meaning = "ideal" if quantity.nominal == 0.0 else "assumed without spread"
    return f"{quantity.name} = {shown}: {meaning}"


def all_spreads(
    elements: dict[Role, ElementSpec], conditions: tuple[UseCondition, ...]
) -> Iterator[tuple[str, Quantity, Spread]]:
    """(name for people, quantity, spread) of everything that is drawn, in the order of the chain."""
    for spec in elements.values():
        for quantity in spec.quantities.values():
            for spread in quantity.spreads if quantity.shared_with is None else ():
                yield quantity.name, quantity, spread
    for condition in conditions:
        for quantity in condition.quantities.values():
            for spread in quantity.spreads:
                yield f"{quantity.name} ({condition.name})", quantity, spread


def at_bands(elements: Mapping[Role, ElementSpec]) -> int:
    """How many quantities of the elements count at plausible bands."""
    return sum(
        quantity.band is not None for spec in elements.values() for quantity in spec.quantities.values()
    )


def reading_line(name: str, quantity: Quantity, spread: Spread, model: str | None = None) -> str:
    """'circuit.feedback: -1 % to +1 %, rectangular (GUM 4.3.7), per unit'.

    model  name of the fitted model that the spread comes from
    """
    known = f", known from {spread.measured_on} units" if spread.measured_on is not None else ""
    origin = f" ({model})" if model is not None else ""
    if quantity.band is not None:
        origin = f" (unstated: plausible band, {quantity.band})"
    return f"{name}: {extent(quantity, spread)} read as {spread.read_as}, per {spread.level}{known}{origin}"


def nonlinearity_line(spec: ElementSpec) -> Iterator[str]:
    """'converter.integral_nonlinearity: 2 counts from the end point line, read as a sine of amplitude 1'.

    Nothing where none is stated, or none from a line of its own.
    """
    stated = spec.quantities.get("integral_nonlinearity")
    line = spec.options.get("nonlinearity_line", "ideal")
    amplitude = getattr(nominal_element(spec), "inl_amplitude", None)
    if stated is not None and stated.nominal and line != "ideal" and amplitude is not None:
        yield (
            f"{stated.name}: {stated.nominal:.4g} counts from the {line} line, the largest of any unit, read as a sine "
            f"of amplitude {amplitude:.4g} counts"
        )


def shared_lines(elements: dict[Role, ElementSpec]) -> Iterator[str]:
    """'circuit.gain_resistor: deviation of circuit.internal_resistor, one draw for both' for each shared quantity."""
    for spec in elements.values():
        for quantity in spec.quantities.values():
            if quantity.shared_with is not None:
                yield f"{quantity.name}: deviation of {quantity.shared_with}, one draw for both"


def tie_line(tie: Dependence) -> str:
    """'sensor.sensitivity with sensor.exponent: rank correlation 0.3, per unit, known from 6 units'."""
    known = f", known from {tie.measured_on} units" if tie.measured_on is not None else ""
    return f"{tie.first} with {tie.second}: rank correlation {tie.rank_correlation:g}, per {tie.level}{known}"


def assumed_tie(tie: Dependence) -> str | None:
    """A line for a correlation that rests on no measurement; None for one that does."""
    return None if tie.measured_on is not None else f"{tie_line(tie)} (stated, not measured)"


def assumed_line(
    name: str, quantity: Quantity, spread: Spread, model: str | None = None, bench: str | None = None
) -> str | None:
    """A line for a spread that rests on no measurement; None for one that does.

    bench  name of the fitted model whose bench did not measure the quantity; None where there is none, or it did

    Units of one lot tell nothing of the spread from lot to lot, so that this one always rests on a statement,
    unless it comes from a fitted model.
    """
    if model is not None:
        return None
    if quantity.band is not None:
        unstated = "unstated" if bench is None else f"unmeasured by the bench of {bench}"
        return f"{name}: {_range(quantity, spread)} per {spread.level} ({unstated}: plausible band, {quantity.band})"
    if spread.measured_on is not None and spread.level != "lot":
        return None
    note = "lot spread: stated, not measured" if spread.level == "lot" else "stated, not measured"
    return f"{name}: {extent(quantity, spread)} per {spread.level} ({note})"


def assumed_choices(spec: ElementSpec, bands: Mapping[str, Band]) -> Iterator[str]:
    """'use.direction: either (unstated: plausible, common practice, no source)' for each choice that a band made."""
    for name, band in bands.items():
        if band.choice is not None:
            yield f"{spec.role}.{name}: {band.choice} (unstated: plausible, {band.source})"


def _range(quantity: Quantity, spread: Spread) -> str:
    """'2 % to 10 %': the values that a band with limits allows; its extent where it has none."""
    low, high = spread.distribution.support
    if spread.relative or abs(low) == float("inf") or abs(high) == float("inf"):
        return extent(quantity, spread)
    ends = (quantity.nominal + end for end in (low, high))
    shown = (
        f"{100.0 * end:.4g} %" if quantity.unit == "" else units.show(end, quantity.unit) for end in ends
    )
    return " to ".join(shown)


def extent(quantity: Quantity, spread: Spread) -> str:
    """The limits of a spread, or its standard deviation where it has no limits."""
    low, high = spread.distribution.support
    if abs(low) == float("inf") or abs(high) == float("inf"):
        shift = spread.distribution.mean
        middle = (
            f"mean {_size(shift, quantity, spread)}, " if abs(shift) > 1e-9 * spread.distribution.sd else ""
        )
        return f"{middle}sd {_size(spread.distribution.sd, quantity, spread)}"
    if low == -high:
        return f"+/- {_size(high, quantity, spread)}"
    return f"{_size(low, quantity, spread)} to {_size(high, quantity, spread)}"


def _size(value: float, quantity: Quantity, spread: Spread) -> str:
    if spread.relative:
        return f"{value * 100.0:.4g} %"
    return units.show(value, "delta_degC" if quantity.unit == "degC" else quantity.unit)
