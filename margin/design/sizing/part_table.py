"""The table of parts from which designs are sized: values that are sold, their grades, and what they cost."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from distributions.errors import MarginError
from margin.case.faults import CaseError, ValueFault
from margin.case.files import tables_of, text_of
from margin.case.quantity import Place, read_quantity
from margin.chain.parameter import Parameter
from margin.chain.preferred_values import SERIES, preferred_between

SHIPPED = Path(__file__).with_name("part_grades.toml")
"""The shipped table: common practice, no source."""


class SizingError(MarginError, ValueError):
    """A part table, a wish or a case that cannot be sized: says which value, why, and the fix."""


@dataclass(frozen=True)
class Grade:
    """A grade in which a part is sold.

    tolerance  of its value, a share; tempco: half-width of its temperature coefficient, 1/K
    series     preferred values, '' where values are listed; cost of one part, in the unit of the table
    """

    tolerance: float
    tempco: float
    cost: float
    series: str = ""


@dataclass(frozen=True)
class PartTable:
    """Parts to choose from.

    references   V, ascending, with `reference_grades`
    resistors    ohm: lowest and highest, with `resistor_grades`
    capacitors   F, ascending; those of the filter, with their tolerance and cost
    ratios       of the reference, ascending
    file         that states all this
    """

    references: tuple[float, ...]
    reference_grades: tuple[Grade, ...]
    resistors: tuple[float, float]
    resistor_grades: tuple[Grade, ...]
    capacitors: tuple[float, ...]
    capacitor: Grade
    ratios: tuple[float, ...]
    amplifier: float
    instrumentation_amplifier: float
    file: str

    def resistor_values(self, grade: Grade) -> tuple[float, ...]:
        """Values, ohm, of a grade, ascending."""
        return preferred_between(grade.series, *self.resistors)


def read_parts(path: str | Path | None = None) -> PartTable:
    """The table of a TOML file, by default the shipped one. SizingError names file, key and value of a fault."""
    file = SHIPPED if path is None else Path(path)
    try:
        raw = tables_of(text_of(file), str(file))
    except CaseError as error:
        raise SizingError(f"{error}; a table of parts is needed: start from a copy of {SHIPPED}") from error
    return _Reader(str(file)).table(raw)


def wish(name: str, text: str, unit: str, example: str) -> float:
    """SI value of a wish of the caller, such as a supply; SizingError with an example where it is none."""
    return _Reader(name).number("", text, unit, example)


@dataclass(frozen=True)
class _Reader:
    """Reads entries of one file; every fault names it."""

    file: str

    def fault(self, key: str, why: str, fix: str) -> SizingError:
        place = f"{self.file}: {key}" if key else self.file
        return SizingError(f"{place} {why}; {fix}")

    def table(self, raw: Mapping[str, Any]) -> PartTable:
        known = ("reference", "resistor", "capacitor", "ratio", "amplifier", "instrumentation_amplifier")
        for name in raw:
            if name not in known:
                raise self.fault(f"[{name}]", "is unknown", f"tables are {', '.join(known)}")
        reference = self.section(raw, "reference", ("values", "grade"))
        resistor = self.section(raw, "resistor", ("range", "grade"))
        capacitor = self.section(raw, "capacitor", ("range", "series", "tolerance", "cost"))
        ratio = self.section(raw, "ratio", ("values",))
        ends = self.range_of(capacitor, "capacitor", "F", '["10 pF", "10 uF"]')
        of_capacitor = self.grade("capacitor", capacitor, "E6")
        return PartTable(
            self.listed(reference, "reference", "V", '["1.25 V", "2.5 V"]'),
            tuple(self.grades(reference, "reference")),
            self.range_of(resistor, "resistor", "ohm", '["100 ohm", "10 Mohm"]'),
            tuple(self.grades(resistor, "resistor", "E96")),
            preferred_between(of_capacitor.series, *ends),
            of_capacitor,
            self.listed(ratio, "ratio", "", "[0.1, 0.2, 0.5]", most=1.0),
            self.cost("amplifier", self.section(raw, "amplifier", ("cost",))),
            self.cost("instrumentation_amplifier", self.section(raw, "instrumentation_amplifier", ("cost",))),
            self.file,
        )

    def section(self, raw: Mapping[str, Any], name: str, keys: tuple[str, ...]) -> Mapping[str, Any]:
        found = raw.get(name)
        if not isinstance(found, dict):
            raise self.fault(f"[{name}]", "is missing", f"state {', '.join(keys)} there")
        for key in found:
            if key not in keys:
                raise self.fault(f"{name}.{key}", "is unknown", f"keys of [{name}] are {', '.join(keys)}")
        return found

    def grades(self, table: Mapping[str, Any], name: str, series: str = "") -> Iterator[Grade]:
        found = table.get("grade")
        if not isinstance(found, list) or not found or not all(isinstance(each, dict) for each in found):
            raise self.fault(f"[[{name}.grade]]", "is missing", "state at least one grade")
        known = ("tolerance", "tempco", "cost", *(("series",) if series else ()))
        for number, each in enumerate(found, 1):
            place = f"{name}.grade {number}"
            for key in each:
                if key not in known:
                    raise self.fault(f"{place}: {key}", "is unknown", f"its keys are {', '.join(known)}")
            yield self.grade(place, each, series)

    def grade(self, place: str, raw: Mapping[str, Any], series: str) -> Grade:
        tolerance = self.number(f"{place}: tolerance", raw.get("tolerance"), "", "1 %")
        tempco = self.number(f"{place}: tempco", raw.get("tempco", "0 ppm/K"), "1/K", "100 ppm/K")
        if not 0.0 <= tolerance < 1.0:
            raise self.fault(
                f"{place}: tolerance", f"is {raw['tolerance']!r}", "state it from 0 % to below 100 %"
            )
        if tempco < 0.0:
            raise self.fault(f"{place}: tempco", f"is {raw['tempco']!r}", "state its size, 0 or more")
        named = raw.get("series", "")
        if series and named not in SERIES:
            raise self.fault(
                f"{place}: series", f"{named!r} is none of IEC 60063", f"use one of {', '.join(SERIES)}"
            )
        return Grade(tolerance, tempco, self.cost(place, raw), str(named))

    def cost(self, place: str, raw: Mapping[str, Any]) -> float:
        cost = raw.get("cost")
        sound = isinstance(cost, int | float) and not isinstance(cost, bool) and 0.0 <= cost < math.inf
        if not sound or cost is None:
            raise self.fault(f"{place}: cost", f"is {cost!r}", "state a number, 0 or more")
        return float(cost)

    def range_of(self, raw: Mapping[str, Any], name: str, unit: str, example: str) -> tuple[float, float]:
        ends = raw.get("range")
        if not isinstance(ends, list) or len(ends) != 2:
            raise self.fault(f"{name}.range", "is no pair of values", f"write range = {example}")
        low, high = (self.number(f"{name}.range", end, unit, example) for end in ends)
        if not 0.0 < low <= high:
            raise self.fault(f"{name}.range", "does not ascend from above 0", f"write range = {example}")
        return low, high

    def listed(
        self, raw: Mapping[str, Any], name: str, unit: str, example: str, most: float = math.inf
    ) -> tuple[float, ...]:
        values = raw.get("values")
        if not isinstance(values, list) or not values:
            raise self.fault(f"{name}.values", "is no list of values", f"write values = {example}")
        found = sorted({self.number(f"{name}.values", each, unit, example) for each in values})
        if found[0] <= 0.0 or found[-1] > most:
            limit = "" if math.isinf(most) else f" and at most {most:g}"
            raise self.fault(f"{name}.values", f"must be above 0{limit}", f"write values = {example}")
        return tuple(found)

    def number(self, key: str, value: Any, unit: str, example: str) -> float:
        if value is None:
            raise self.fault(key, "is missing", f"write for example {example}")
        place = Place("circuit", "part", Parameter(unit, None, "unit", None, None, None, False, ""))
        try:
            found = read_quantity(value, place)
        except ValueFault as error:
            raise self.fault(key, f"{value!r}: {error.reason}", f"write for example {example}") from error
        if found.spreads:
            raise self.fault(key, f"{value!r} states a spread", f"write for example {example}")
        return found.nominal
