"""The table form of a quantity, through which every shape of distribution can be reached.

    { value = "3.2 uS", tolerance = "+/- 8 % (2 sigma)" }
    { value = "3.2 uS", spread = [
        { level = "lot", shape = "empirical", values = ["-4 %", "1.5 %", "3 %"] },
        { level = "unit", shape = "lognormal", log_sd = 0.1 },
    ] }

Numbers of a shape that are deviations carry a unit: a share ('8 %') or a difference ('0.2 uS'), all of one
spread alike; with `unit = "%"` beside them they may be plain numbers. A lognormal spread without `median` is
a factor on the nominal value, whose median is 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import distributions as shapes
from distributions import Distribution
from margin.case.datasheet import KEYS, figure_of
from margin.case.faults import ValueFault, as_written, choices, nearest
from margin.case.grammar import Number, read_text
from margin.case.quantity import Nominal, Place, deviation, read_quantity, require_possible, spread_of
from margin.case.types import Quantity, Spread

TABLE_KEYS = ("value", "tolerance", "spread")
SPREAD_KEYS = ("level", "shape", "unit", "from_units")
_DEEPEST = 4


@dataclass(frozen=True)
class Shape:
    """How a shape is written: which keys are deviations from nominal, which plain numbers, which lists.

    optional  keys that may be left out
    """

    cls: type[Distribution]
    deviations: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    lists: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    nested: tuple[str, ...] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        return self.deviations + self.numbers + self.lists + self.nested


SHAPES: dict[str, Shape] = {
    "normal": Shape(shapes.Normal, ("mean", "sd"), optional=("mean",)),
    "rectangular": Shape(shapes.Rectangular, ("low", "high")),
    "triangular": Shape(shapes.Triangular, ("low", "high", "mode"), optional=("mode",)),
    "trapezoidal": Shape(shapes.Trapezoidal, ("low", "high"), ("beta",)),
    "curvilinear trapezoid": Shape(shapes.CurvilinearTrapezoid, ("low", "high", "inexactness")),
    "arcsine": Shape(shapes.Arcsine, ("low", "high")),
    "student t": Shape(shapes.StudentT, ("location", "scale"), ("dof",), optional=("location",)),
    "lognormal": Shape(shapes.Lognormal, ("median",), ("log_sd",), optional=("median",)),
    "beta": Shape(shapes.Beta, ("low", "high"), ("alpha", "beta")),
    "gamma": Shape(shapes.Gamma, ("scale",), ("exponent",)),
    "exponential": Shape(shapes.Exponential, ("scale",)),
    "half-normal": Shape(shapes.HalfNormal, ("sigma",)),
    "rayleigh": Shape(shapes.Rayleigh, ("sigma",)),
    "weibull": Shape(shapes.Weibull, ("scale",), ("exponent",)),
    "fixed": Shape(shapes.Fixed, ("value",)),
    "discrete": Shape(shapes.Discrete, (), (), ("values", "weights")),
    "empirical": Shape(shapes.Empirical, (), (), ("values",)),
    "mixture": Shape(shapes.Mixture, (), (), ("weights",), nested=("components",)),
    "truncated": Shape(shapes.Truncated, ("low", "high"), nested=("base",)),
    "shifted": Shape(shapes.Shifted, ("location",), ("factor",), optional=("factor",), nested=("base",)),
    "selected out": Shape(shapes.SelectedOut, ("inner_low", "inner_high"), nested=("base",)),
}
_FIELD = {"exponent": "shape", "factor": "scale"}
"""Where a key of the file and the field of the distribution differ: `shape` names the shape in the file."""


def read_any(value: Any, place: Place) -> Quantity:
    """A quantity in any of its forms. Raises ValueFault."""
    return _read_table(value, place) if isinstance(value, dict) else read_quantity(value, place)


def _read_table(table: dict[str, Any], place: Place) -> Quantity:
    own = KEYS.get(place.declared.figure or "", ())
    _known(table, (*TABLE_KEYS, *own), "the table of a quantity")
    stated = {key: table[key] for key in own if key in table}
    if stated and place.declared.figure is not None:
        figure = figure_of(stated, place.declared.figure, as_written(table))
        rest = {key: value for key, value in table.items() if key not in own}
        return replace(_read_table(rest, place.without_limits()), figure=figure)
    if "tolerance" in table and "spread" in table:
        raise ValueFault("has both tolerance and spread", "write one of them")
    value = table.get("value")
    if "tolerance" in table:
        tolerance = table["tolerance"]
        if not isinstance(tolerance, str):
            raise ValueFault(f"tolerance = {as_written(tolerance)} is not a text", 'write such as "+/- 8 %"')
        if value is None:
            return read_quantity(tolerance, place)
        return read_quantity(f"{_bare_value(value, place)} {tolerance}", place)
    if value is None and place.declared.default is None:
        raise ValueFault("value is missing", f'write for example value = "{place.example}"')
    if value is None:
        base = place.quantity(float(place.declared.default or 0.0))
    else:
        base = read_quantity(_bare_value(value, place) if isinstance(value, str) else value, place)
    entries = table.get("spread", [])
    if not isinstance(entries, list) or not all(isinstance(each, dict) for each in entries):
        raise ValueFault(
            "spread is not a list of tables", 'write such as spread = [{ shape = "normal", sd = "2 %" }]'
        )
    written = read_text(value).nominal if isinstance(value, str) else None
    nominal = Nominal(base.nominal, written.unit if written is not None else "")
    spreads = [_read_spread(entry, nominal, place) for entry in entries]
    texts = [as_written(entry) for entry in entries]
    require_possible(base.nominal, spreads, texts, place)
    return place.quantity(base.nominal, tuple(spreads))


def _bare_value(value: Any, place: Place) -> str:
    if isinstance(value, str) and not (read_text(value).spreads or read_text(value).ends):
        return value
    if not isinstance(value, str) and isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    raise ValueFault(
        f"value = {as_written(value)} is not a single value", f'write for example value = "{place.example}"'
    )


def _read_spread(entry: dict[str, Any], nominal: Nominal, place: Place) -> Spread:
    level = entry.get("level")
    if level is not None and not isinstance(level, str):
        raise ValueFault(f"level = {as_written(level)} is not a text", 'write such as level = "unit"')
    measured_on = entry.get("from_units")
    if measured_on is not None and (not isinstance(measured_on, int) or not 2 <= measured_on <= 1_000_000):
        raise ValueFault(
            f"from_units = {as_written(measured_on)} is not a number of units", "it takes 2 or more"
        )
    relative: set[bool] = set()
    body = {key: value for key, value in entry.items() if key not in ("level", "from_units")}
    distribution = _Builder(nominal, place, relative).shape(body, 0)
    if len(relative) > 1:
        raise ValueFault(
            f"{as_written(entry)} mixes shares and differences", "write all deviations in one unit"
        )
    text = entry["shape"]
    is_relative = relative.pop() if relative else True
    if text == "mixture" and measured_on is not None:
        raise ValueFault('from_units needs shape "normal"', "leave it out")
    return spread_of(distribution, f"{text}, as stated", is_relative, measured_on, level, place)


@dataclass(frozen=True)
class _Builder:
    """Builds the distribution of one spread; notes in `relative` what kind its deviations are."""

    nominal: Nominal
    place: Place
    relative: set[bool]

    def shape(self, entry: dict[str, Any], depth: int, unit: str | None = None) -> Distribution:
        name = entry.get("shape")
        if name is None:
            raise ValueFault("shape is missing", f"write one of {choices(SHAPES)}")
        if not isinstance(name, str) or name not in SHAPES:
            near = nearest(name, SHAPES) if isinstance(name, str) else None
            mend = f'did you mean "{near}"?' if near else f"shapes are {choices(SHAPES)}"
            raise ValueFault(f"{as_written(name)} is not a shape", mend)
        if depth > _DEEPEST:
            raise ValueFault("shapes are nested too deeply", f"nest {_DEEPEST} at most")
        shape = SHAPES[name]
        _known(entry, (*SPREAD_KEYS, *shape.keys), f'shape "{name}"')
        unit = entry.get("unit", unit)
        if unit is not None and not isinstance(unit, str):
            raise ValueFault(f"unit = {as_written(unit)} is not a text", 'write such as unit = "%"')
        missing = [key for key in shape.keys if key not in entry and key not in shape.optional]
        if missing:
            raise ValueFault(
                f'shape "{name}" needs {", ".join(missing)}', f"its keys are {', '.join(shape.keys)}"
            )
        if name == "lognormal" and "median" not in entry:
            return self.factor(entry["log_sd"])
        fields: dict[str, Any] = {}
        for key in shape.keys:
            if key in entry:
                fields[_FIELD.get(key, key)] = self.part(key, entry[key], shape, depth, unit)
        fields |= {key: 0.0 for key in ("mean", "location") if key in shape.optional and key not in entry}
        if name == "shifted":
            fields.setdefault("scale", 1.0)
        return self.build(name, shape.cls, fields)

    def factor(self, log_sd: Any) -> Distribution:
        """Deviation exp(log_sd * z) - 1: a factor of median 1."""
        self.relative.add(True)
        factor = self.build(
            "lognormal", shapes.Lognormal, {"median": 1.0, "log_sd": number("log_sd", log_sd)}
        )
        return shapes.Shifted(factor, -1.0, 1.0)

    def part(self, key: str, value: Any, shape: Shape, depth: int, unit: str | None) -> Any:
        if key in shape.nested:
            if key == "components":
                if not isinstance(value, list) or not value or not all(isinstance(v, dict) for v in value):
                    raise ValueFault("components is not a list of tables")
                return tuple(self.shape(each, depth + 1, unit) for each in value)
            if not isinstance(value, dict):
                raise ValueFault(f"{key} = {as_written(value)} is not a table")
            return self.shape(value, depth + 1, unit)
        if key in shape.lists:
            if not isinstance(value, list) or not value:
                raise ValueFault(f"{key} = {as_written(value)} is not a list of values")
            if key == "weights":
                return tuple(number(key, each) for each in value)
            return tuple(self.deviation(key, each, unit) for each in value)
        return self.deviation(key, value, unit) if key in shape.deviations else number(key, value)

    def deviation(self, key: str, value: Any, unit: str | None) -> float:
        if isinstance(value, str):
            written = read_text(value)
            if written.nominal is None or written.spreads:
                raise ValueFault(f"{key} = {as_written(value)} is not a single value", 'write such as "8 %"')
            found, relative = deviation(written.nominal, self.nominal, self.place)
        else:
            exact = Number(Fraction(repr(number(key, value))), unit or "")
            found, relative = deviation(exact, self.nominal, self.place)
        self.relative.add(relative)
        return found

    @staticmethod
    def build(name: str, cls: type[Distribution], fields: dict[str, Any]) -> Distribution:
        try:
            return cls(**fields)
        except (ValueError, TypeError) as error:
            raise ValueFault(f'shape "{name}" cannot be: {error}') from error


def number(key: str, value: Any) -> float:
    """A plain finite number of a table."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueFault(f"{key} = {as_written(value)} is not a plain number")
    try:
        found = float(value)
    except OverflowError:
        found = math.inf
    if not math.isfinite(found):
        raise ValueFault(f"{key} = {as_written(value)} is not a finite number")
    return found


def _known(table: dict[str, Any], keys: tuple[str, ...], what: str) -> None:
    for key in table:
        if key not in keys:
            near = nearest(key, keys)
            mend = f'did you mean "{near}"?' if near else f"its keys are {', '.join(keys)}"
            raise ValueFault(f'"{key}" is not a key of {what}', mend)
