"""The border between units as engineers write them and the SI numbers that everything computes with.

A unit is read once, here, into an exact factor (a fraction, so that '3.2 uS' is the float 3.2e-6 to the last
bit), and written once, here, with an SI prefix. Prefixes and symbols follow the SI brochure (BIPM, 9th
edition, tables 2 to 8); a few units outside the SI that the trade uses (psi, lbf, inch, degF) are known too.
Temperatures are absolute degrees Celsius, temperature differences and coefficients go by the kelvin.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any

from distributions.errors import MarginError
from margin.case.unit_names import DEFINITIONS, NAMES, SPELLINGS, TYPOGRAPHIC, WITHOUT_PREFIX

Dimension = frozenset[tuple[str, Fraction]]

_UNIT_TOKEN = re.compile(r"\s*(?:(\*\*|\^|[*/()·])|(-?\d+(?:\.\d+)?)|(√)|([^\W\d]+|[%°][A-Za-z]*))")


class UnitError(MarginError, ValueError):
    """A text that is no unit, or a unit of another dimension; `piece` is the part at fault."""

    def __init__(self, message: str, piece: str) -> None:
        super().__init__(message)
        self.piece = piece

    def __reduce__(self) -> tuple[type[UnitError], tuple[str, str]]:
        return type(self), (str(self), self.piece)


@dataclass(frozen=True)
class Unit:
    """A unit as a factor to coherent units, with its dimension; `celsius` for an absolute temperature scale.

    offset  kelvin at the zero of the scale, for a temperature written alone ('degC', 'degF', 'K')
    """

    factor: Fraction | float
    dimension: Dimension
    offset: Fraction = Fraction(0)


def plain(text: str) -> str:
    """The text with the typographic signs that stand for the same letters brought to one form."""
    for sign, letter in TYPOGRAPHIC:
        text = text.replace(sign, letter)
    return text


@lru_cache(maxsize=1)
def _registry() -> Any:
    """The unit library with our definitions; imported when first needed, because it is slow to import."""
    import pint

    registry: Any = pint.UnitRegistry(None, non_int_type=Fraction)
    prefixes: list[str] = []
    units: list[str] = []
    for line in DEFINITIONS.strip().splitlines():
        (prefixes if "- =" in line else units).append(line)
    registry.load_definitions(prefixes + units)
    registry.define("decibel = 0.1 * bel")
    return registry


@lru_cache(maxsize=512)
def _symbol(word: str) -> Unit:
    """One unit symbol or name, with its prefix; UnitError if there is none of that name."""
    import pint

    registry = _registry()
    name = SPELLINGS.get(word, word)
    if not name.isascii() or not name.replace("_", "").isalpha():
        raise UnitError(f'"{word}" is not a unit', word)
    # a plural 's' is taken after a written-out name only: 'Ns' is not some newtons
    readings = [
        (prefix, unit)
        for prefix, unit, plural in registry.parse_unit_name(name)
        if (not plural or len(name) > 4) and not (prefix and unit in WITHOUT_PREFIX)
    ]
    if not readings:
        raise UnitError(f'"{word}" is not a unit', word)
    prefix, unit = readings[0]
    try:
        # a degree enters products as a difference; its zero is kept beside it
        whole = f"delta_{unit}" if unit.startswith("degree_") else prefix + unit
        one = registry.Quantity(Fraction(1), registry.Unit(whole))
        factor = Fraction(one.to_root_units().magnitude)
        dimension = frozenset((str(k), Fraction(v)) for k, v in one.dimensionality.items())
    except pint.UndefinedUnitError as error:
        raise UnitError(f'"{word}" is not a unit', word) from error
    offset = {
        "degree_Celsius": Fraction("273.15"),
        "degree_Fahrenheit": Fraction("233.15") + Fraction(200, 9),
    }
    return Unit(factor, dimension, offset.get(unit, Fraction(0)))


def _power(base: Unit, exponent: Fraction) -> Unit:
    if base.factor == 1 or exponent.denominator == 1:
        factor: Fraction | float = base.factor if base.factor == 1 else base.factor ** int(exponent)
    else:
        factor = float(base.factor) ** float(exponent)
    return Unit(factor, frozenset((name, power * exponent) for name, power in base.dimension))


def _product(left: Unit, right: Unit, sign: int) -> Unit:
    powers: dict[str, Fraction] = dict(left.dimension)
    for name, power in right.dimension:
        powers[name] = powers.get(name, Fraction(0)) + sign * power
    factor = left.factor * right.factor if sign > 0 else left.factor / right.factor
    return Unit(factor, frozenset((name, power) for name, power in powers.items() if power))


NONE = Unit(Fraction(1), frozenset())


@lru_cache(maxsize=1024)
def unit(text: str) -> Unit:
    """A unit such as 'kohm', 'ppm/K', 'uV/K', 'nV/sqrt(Hz)', '1/K', '' (a plain number).

    Products with '*' or '·', quotients with '/' (each '/' divides by the one factor after it), powers with
    '^' or '**', square roots as 'sqrt(Hz)', '√Hz' or 'Hz^0.5'. Raises UnitError.
    """
    written = plain(text).strip()
    if not written:
        return NONE
    tokens: list[str] = []
    position = 0
    while position < len(written):
        match = _UNIT_TOKEN.match(written, position)
        if match is None:
            raise UnitError(f'"{text.strip()}" is not a unit', text.strip())
        tokens.append(match.group().strip())
        position = match.end()
    return _Expression(tokens, text.strip()).read()


class _Expression:
    """Recursive descent over the tokens of one unit expression."""

    def __init__(self, tokens: list[str], text: str) -> None:
        self.tokens = tokens
        self.text = text
        self.at = 0

    def fault(self) -> UnitError:
        return UnitError(f'"{self.text}" is not a unit', self.text)

    def next(self) -> str:
        if self.at >= len(self.tokens):
            raise self.fault()
        self.at += 1
        return self.tokens[self.at - 1]

    def peek(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def read(self) -> Unit:
        result = NONE if self.peek() == "/" else self.factor()
        single = len(self.tokens) == 1
        while self.at < len(self.tokens):
            operator = self.next()
            if operator not in ("*", "/", "·"):
                raise self.fault()
            result = _product(result, self.factor(), -1 if operator == "/" else 1)
        return result if single else Unit(result.factor, result.dimension)

    def factor(self) -> Unit:
        token = self.next()
        if token == "1":
            return NONE
        if token in ("√", "sqrt"):
            bracket = self.peek() == "("
            if bracket:
                self.next()
            inside = _symbol(self.next())
            if bracket and self.next() != ")":
                raise self.fault()
            return _power(inside, Fraction(1, 2))
        result = _symbol(token)
        if self.peek() in ("^", "**"):
            self.next()
            result = _power(result, self.exponent())
        return result

    def exponent(self) -> Fraction:
        try:
            power = Fraction(self.next())
        except ValueError as error:
            raise self.fault() from error
        if not -9 <= power <= 9 or power.denominator > 2:
            raise self.fault()
        return power


@lru_cache(maxsize=1)
def _dimensions() -> Mapping[Dimension, tuple[str, str]]:
    return {unit(written).dimension: (name, example) for written, name, example in NAMES}


def dimension_name(written: str) -> str:
    """What a unit measures: 'resistance' for 'ohm'; the unit itself where the dimension has no name here."""
    return _dimensions().get(unit(written).dimension, (written, ""))[0]


def example(written: str) -> str:
    """A well-formed quantity of the dimension of a unit, for messages."""
    special = {"degC": "23 degC", "h": "1000 h", "percent_RH": "50 %RH"}
    if written in special:
        return special[written]
    return _dimensions().get(unit(written).dimension, ("", f"1 {written}"))[1]


def _convert(number: Fraction, factor: Fraction | float) -> float:
    return float(number * factor) if isinstance(factor, Fraction) else float(number) * factor


def to_si(number: Fraction, written: str, wanted: str) -> float:
    """Value of `number` of the unit `written` in the unit `wanted`; absolute where `wanted` is 'degC'.

    Raises UnitError where the dimensions differ.
    """
    source, target = unit(written), unit(wanted)
    _same(source, target, written, wanted)
    if wanted == "degC":
        if not isinstance(source.factor, Fraction):
            raise UnitError(f'"{written}" is not a unit of temperature', written)
        return float(number * source.factor + source.offset - target.offset)
    return _convert(number, source.factor / target.factor)


def difference_to_si(number: Fraction, written: str, wanted: str) -> float:
    """As `to_si` for a deviation: degrees of temperature are differences. Raises UnitError."""
    source, target = unit(written), unit(wanted)
    _same(source, target, written, wanted)
    return _convert(number, source.factor / target.factor)


def to_coherent(number: Fraction, written: str) -> tuple[float, Dimension]:
    """Value in the coherent SI unit of its dimension, and that dimension. Raises UnitError."""
    source = unit(written)
    kilograms = Fraction(1000) ** int(dict(source.dimension).get("[mass]", Fraction(0)))
    return _convert(number, source.factor / kilograms), source.dimension


def is_ratio(written: str) -> bool:
    """Whether a deviation in this unit is a share: '%' and 'ppm' are, 'mV/V' and 'LSB' are not."""
    return written in ("%", "percent", "ppm")


def _same(source: Unit, target: Unit, written: str, wanted: str) -> None:
    if source.dimension != target.dimension:
        name = dimension_name(written) if written else "plain number"
        if name == written:
            raise UnitError(f'"{written}" is not a unit of {dimension_name(wanted)}', written)
        what = f'"{written}" is a unit of {name}' if source.dimension else f'"{written}" is a ratio'
        raise UnitError(f"{what}, {dimension_name(wanted)} is needed", written)


_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_NO_PREFIX = ("degC", "K", "%RH", "h", "rad", "deg", "dB", "%", "ppm", "LSB", "kg", "eV")


def show(value: float, written: str, digits: int = 4) -> str:
    """A value of a declared unit as text with an SI prefix: 47000 'ohm' is '47 kohm', 5e-5 '1/K' '50 ppm/K'.

    digits  significant digits; trailing zeros are left out
    """
    label = _label(written)
    if not math.isfinite(value):
        return f"{value} {label}".strip()
    if label.startswith("1/"):
        small = 0 < abs(value) < 0.9995e-3
        return f"{_rounded(value * (1e6 if small else 1e2), digits)} {'ppm' if small else '%'}{label[1:]}"
    head = re.split(r"[*/^]", label)[0]
    if not head or head in _NO_PREFIX or value == 0:
        return f"{_rounded(value, digits)} {label}".strip()
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    step = max(-15, min(12, 3 * (exponent // 3)))
    if head == "s":
        step = min(step, 0)
    # dividing by the exact power of ten of the positive exponent keeps round numbers round
    scaled = value / 10.0**step if step >= 0 else value * 10.0**-step
    return f"{_rounded(scaled, digits)} {_PREFIXES[step]}{label}"


def of_deviation(written: str) -> str:
    """Unit of a deviation from a value of a declared unit: 'K' for 'degC'."""
    return _label(written).replace("degC", "K")


def _label(written: str) -> str:
    for long, short in (("delta_degC", "K"), ("percent_RH", "%RH"), ("percent", "%"), ("**2", "^2")):
        written = written.replace(long, short)
    return re.sub(r"(\w+)(?:\*\*|\^)0\.5", r"sqrt(\1)", written)


def _rounded(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-6 <= abs(value) < 1e15:
        text = f"{Decimal(text):f}"
    return text
