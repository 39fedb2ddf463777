"""What a quantity of a case means: nominal value in SI units, distributions of its deviations, levels.

How a tolerance is understood:

- A deviation in '%' or 'ppm' is a share of the nominal value, unless the quantity itself is a plain number
  whose nominal value is 0 or is written in the same unit: then it is a difference ('0.5 % +/- 0.1 %').
- A tolerance of a temperature is a difference, whether written in K or degC.
- A range 'a to b' is the middle with equal limits on either side.
- A plain TOML number is taken for quantities that have no unit, and for relative humidity (%RH); 0 stands for no
  effect in any unit but that of a temperature.
- Without a nominal value ('+/- 5 mV') the default of the key holds.
- Without a level the spread varies at the level that the key declares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from distributions import Distribution, ReadTolerance, read_tolerance
from margin.case import units
from margin.case.datasheet import WRITTEN, take_figure
from margin.case.faults import ValueFault, as_written
from margin.case.grammar import Number, WrittenQuantity, WrittenSpread, read_text
from margin.case.levels import check_level
from margin.case.types import Quantity, Role, Spread
from margin.chain.parameter import Parameter

RARE = 1e-6
"""A shape without end may cross zero in this share of draws at most where the value must be positive."""


@dataclass(frozen=True)
class Place:
    """Which quantity is read: 'sensor.sensitivity' is Place('sensor', 'sensitivity', its declaration)."""

    role: Role
    field: str
    declared: Parameter

    @property
    def name(self) -> str:
        return f"{self.role}.{self.field}"

    @property
    def example(self) -> str:
        """A value that could stand there."""
        default = self.declared.default
        if not self.declared.unit and default:
            return units.show(default, "")
        return units.example(self.declared.unit)

    def without_limits(self) -> Place:
        """The same place for a number that is not yet the quantity: a figure of a datasheet."""
        return replace(self, declared=replace(self.declared, minimum=None, maximum=None, positive=False))

    def quantity(
        self, nominal: float, spreads: tuple[Spread, ...] = (), *, defaulted: bool = False
    ) -> Quantity:
        """The quantity with a nominal value (SI) and spreads."""
        declared = self.declared
        return Quantity(
            name=self.name,
            nominal=nominal,
            unit=declared.unit,
            spreads=spreads,
            defaulted=defaulted,
            cause=declared.cause_in(self.role),
            grades=declared.grades,
        )


@dataclass(frozen=True)
class Nominal:
    """A nominal value in SI units and the unit in which it was written."""

    value: float
    written: str


def read_quantity(value: Any, place: Place) -> Quantity:
    """A quantity from a text or a plain number. Raises ValueFault; the table form is in `spread_table`."""
    if isinstance(value, str):
        try:
            text, figure = value, None
            if place.declared.figure in WRITTEN:
                text, figure = take_figure(value, place.declared.figure)
            if figure is not None:
                return replace(resolve(read_text(text), place.without_limits()), figure=figure)
            return resolve(read_text(text), place)
        except ValueFault as fault:
            if fault.mend:
                raise
            raise ValueFault(fault.reason, f'write for example "{place.example}"') from fault
    return place.quantity(plain_number(value, place))


def default_quantity(place: Place) -> Quantity:
    """The quantity where the case does not name it; the declaration must have a default."""
    if place.declared.default is None:
        raise ValueFault("missing", f'write for example "{place.example}"')
    return place.quantity(place.declared.default, defaulted=True)


def plain_number(value: Any, place: Place) -> float:
    """A TOML number where the quantity has no unit."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueFault("is not a quantity", f'write for example "{place.example}"')
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ValueFault("is not a finite number", f'write for example "{place.example}"')
    wanted = place.declared.unit
    if units.unit(wanted).dimension and not (number == 0.0 and zero_needs_no_unit(place)):
        name = units.dimension_name(wanted)
        raise ValueFault(f"a {name} needs a unit", f'write for example "{place.example}"')
    return within_limits(number, place)


def resolve(written: WrittenQuantity, place: Place) -> Quantity:
    """Quantity from its parts. Raises ValueFault."""
    spreads: list[Spread] = []
    texts: list[str] = []
    rest = written.spreads
    if written.ends is not None:
        low, high = (absolute(end, place) for end in written.ends)
        if not low < high:
            raise ValueFault(
                f"the range ends at or below its start ({_shown(low, high, place)})", "swap the ends"
            )
        within_limits(low, place)
        within_limits(high, place)
        nominal = Nominal(_middle(low, high), written.ends[0].unit)
        half = 0.5 * (high - low)
        spreads.append(_spread(written.spreads[0], (-half, half), False, nominal, place))
        texts.append(written.spreads[0].text)
        rest = written.spreads[1:]
    elif written.nominal is not None:
        nominal = Nominal(within_limits(absolute(written.nominal, place), place), written.nominal.unit)
    elif place.declared.default is not None:
        nominal = Nominal(place.declared.default, "")
    else:
        raise ValueFault("has a tolerance but no value", f'write for example "{place.example} +/- 5 %"')
    for each in rest:
        minus, minus_relative = deviation(each.minus, nominal, place)
        plus, plus_relative = deviation(each.plus, nominal, place)
        if minus_relative != plus_relative:
            raise ValueFault(f'the limits of "{each.text}" are of two kinds', "write both in the same unit")
        spreads.append(_spread(each, (minus, plus), plus_relative, nominal, place))
        texts.append(each.text)
    require_possible(nominal.value, spreads, texts, place)
    return place.quantity(nominal.value, tuple(spreads))


def zero_needs_no_unit(place: Place) -> bool:
    """Whether 0 means the same in every unit: not for a temperature, whose scales have different zeros."""
    return place.declared.unit != "degC"


def absolute(number: Number, place: Place) -> float:
    """SI value of a written number."""
    if not number.unit and number.value == 0 and zero_needs_no_unit(place):
        return 0.0
    written = _in_humidity(number.unit, place)
    try:
        return units.to_si(number.value, written, place.declared.unit)
    except units.UnitError as error:
        raise _unit_fault(error, number.unit, place) from error


def deviation(number: Number, nominal: Nominal, place: Place) -> tuple[float, bool]:
    """Deviation from nominal as (value, relative): a share of the nominal value, or SI units."""
    wanted = place.declared.unit
    written = _in_humidity(number.unit, place)
    try:
        if not units.is_ratio(written):
            return units.difference_to_si(number.value, written, wanted), False
        share = units.difference_to_si(number.value, written, "")
    except units.UnitError as error:
        raise _unit_fault(error, number.unit, place) from error
    if not units.unit(wanted).dimension:
        same_unit = written == nominal.written
        return (share, False) if nominal.value == 0.0 or same_unit else (share, True)
    if wanted == "degC":
        raise ValueFault(
            "a share of a Celsius temperature means nothing", 'write a difference such as "+/- 2 K"'
        )
    if nominal.value == 0.0:
        raise ValueFault(
            f"a share of a nominal value of 0 is 0 (got {_plain(number)})",
            f'write the tolerance in units, for example "+/- {place.example}"',
        )
    return share, True


def require_possible(nominal: float, spreads: list[Spread], texts: list[str], place: Place) -> None:
    """ValueFault where a value that must be positive can be drawn at or below zero."""
    if not place.declared.positive:
        return
    lowest = nominal
    for spread, text in zip(spreads, texts, strict=True):
        bottom = spread.distribution.support[0]
        reached = _moved(nominal, bottom, spread)
        how = "at its limit"
        if not math.isfinite(bottom) or reached == 0.0:
            reached = _moved(nominal, float(spread.distribution.ppf(RARE)), spread)
            how = "in one of a million draws"
        if reached <= 10.0 * RARE * nominal:
            shown = units.show(reached, place.declared.unit, 3)
            raise ValueFault(
                f'"{text}" lets it fall to {shown} {how}, but it must stay above 0',
                "write a narrower tolerance",
            )
        if math.isfinite(bottom):
            lowest = _moved(lowest, bottom, spread)
    if lowest < 0.0:
        shown = units.show(lowest, place.declared.unit, 3)
        raise ValueFault(
            f"all tolerances together let it fall to {shown}, but it must stay above 0",
            "write narrower tolerances",
        )


def _moved(value: float, deviation: float, spread: Spread) -> float:
    return value * (1.0 + deviation) if spread.relative else value + deviation


def within_limits(value: float, place: Place) -> float:
    """The value, if the declaration admits it."""
    declared = place.declared
    shown = units.show(value, declared.unit)
    if not math.isfinite(value):
        raise ValueFault("is not a finite number", f'write for example "{place.example}"')
    if declared.positive and value <= 0.0:
        raise ValueFault(f"must be above 0 (got {shown})", f'write for example "{place.example}"')
    if declared.minimum is not None and value < declared.minimum:
        limit = units.show(declared.minimum, declared.unit)
        raise ValueFault(f"must be at least {limit} (got {shown})", f'write for example "{limit}"')
    if declared.maximum is not None and value > declared.maximum:
        limit = units.show(declared.maximum, declared.unit)
        raise ValueFault(f"must be at most {limit} (got {shown})", f'write for example "{limit}"')
    return value


def spread_of(
    distribution: Distribution,
    read_as: str,
    relative: bool,
    measured_on: int | None,
    level: str | None,
    place: Place,
) -> Spread:
    """A spread at its level. Raises ValueFault for levels and sample sizes that make no sense."""
    if measured_on is not None and not read_as.startswith("normal"):
        raise ValueFault(
            '"from ... units" needs a normal spread', f'write such as "(2 sigma, from {measured_on} units)"'
        )
    found = check_level(level or place.declared.level, place.role)
    return Spread(found, distribution, relative, read_as, measured_on)


def _spread(
    written: WrittenSpread, limits: tuple[float, float], relative: bool, nominal: Nominal, place: Place
) -> Spread:
    selected_out: float | None = None
    if written.selected_out is not None:
        selected_out, same = deviation(written.selected_out, nominal, place)
        if same != relative:
            raise ValueFault(
                f'the middle left out of "{written.text}" is of another kind than its limits',
                "write both in the same unit",
            )
        if not 0.0 < selected_out < max(limits[1], -limits[0]):
            raise ValueFault(
                f'"{written.text}" leaves out more than it contains',
                "write a middle that is narrower than the limits",
            )
    read = _read(written, limits, selected_out)
    return spread_of(read.distribution, read.read_as, relative, written.measured_on, written.level, place)


def _read(written: WrittenSpread, limits: tuple[float, float], selected_out: float | None) -> ReadTolerance:
    if limits[0] == limits[1]:
        raise ValueFault(f'"{written.text}" has no width', "leave the tolerance out or write one above 0")
    if written.coverage is not None and written.shape not in (None, "normal"):
        raise ValueFault(
            f'"{written.coverage}" belongs to a normal shape, not to "{written.shape}"',
            "keep one of the two notes",
        )
    if written.shape == "half-normal" and limits[0] != 0.0:
        raise ValueFault(
            '"half-normal" starts at the nominal value', 'write such as "+2 % / -0 % (half-normal)"'
        )
    try:
        return read_tolerance(
            *limits,
            coverage=written.coverage,
            screened=written.screened,
            selected_out=selected_out,
            shape=written.shape,
        )
    except ValueError as error:
        raise ValueFault(f'"{written.text}" cannot be: {error}') from error


def _unit_fault(error: units.UnitError, written: str, place: Place) -> ValueFault:
    wanted = place.declared.unit
    mend = f'write for example "{place.example}"'
    name = "temperature" if wanted == "degC" else units.dimension_name(wanted)
    if not written:
        return ValueFault(f"a {name} needs a unit", mend)
    reason = str(error)
    if reason.endswith("is not a unit"):
        reason += f" of {name}" if units.unit(wanted).dimension else ""
        if "K" in error.piece and _is_unit(error.piece.replace("K", "k")):
            reason += " (kilo is a small k)"
    return ValueFault(reason, mend)


def _is_unit(text: str) -> bool:
    try:
        units.unit(text)
    except units.UnitError:
        return False
    return True


def _in_humidity(written: str, place: Place) -> str:
    """For a relative humidity '%' is '%RH': 50 % +/- 10 % goes from 40 to 60."""
    if place.declared.unit != "percent_RH" or written == "%RH":
        return written
    if written not in ("%", "percent", ""):
        raise ValueFault(
            f'"{written}" is not a unit of relative humidity', f'write for example "{place.example}"'
        )
    return "%RH"


def _middle(low: float, high: float) -> float:
    # in fractions, so that the middle of two round numbers is round
    return float((Fraction(str(low)) + Fraction(str(high))) / 2)


def _shown(low: float, high: float, place: Place) -> str:
    return f"{units.show(low, place.declared.unit)} to {units.show(high, place.declared.unit)}"


def _plain(number: Number) -> str:
    return as_written(f"{abs(float(number.value)):g} {number.unit}")
