"""The tables of a case file that are not elements of the chain, as models that check themselves."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from margin.case import units
from margin.case.faults import ValueFault, as_written
from margin.case.grammar import read_text
from margin.case.names import OneLine, Printable, ShortName
from margin.case.requirement import EXAMPLE, PermissibleError, read_permissible_error
from margin.chain.parameter import Level

MOST_LOADS = 200
MOST_UNITS = 100_000_000


class Table(BaseModel):
    """Base of all tables: unknown keys and wrong types are faults."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True, protected_namespaces=(),
        populate_by_name=False,
    )  # fmt: skip


def read_single(value: Any, unit: str) -> float:
    """One value without tolerance, in the SI unit `unit`. Raises ValueFault."""
    example = units.example(unit)
    mend = f'write for example "{example}"'
    if not isinstance(value, str):
        raise ValueFault(f"a {units.dimension_name(unit)} needs a unit", mend)
    written = read_text(value)
    if written.nominal is None or written.spreads:
        raise ValueFault("is not a single value", mend)
    if not written.nominal.unit:
        raise ValueFault(f"a {units.dimension_name(unit)} needs a unit", mend)
    try:
        return units.to_si(written.nominal.value, written.nominal.unit, unit)
    except units.UnitError as error:
        raise ValueFault(str(error), mend) from error


def _load(value: Any) -> float:
    load = read_single(value, "N")
    if load < 0.0:
        raise ValueFault("a load cannot be negative", 'write for example "10 N"')
    return load


def read_range(value: Any) -> tuple[float, float]:
    """Lowest and highest load, N, of a text such as '2 N to 60 N'. Raises ValueFault."""
    mend = 'write for example "2 N to 60 N"'
    if not isinstance(value, str):
        raise ValueFault("is not a range of loads", mend)
    written = read_text(value)
    if written.ends is None or len(written.spreads) > 1 or "(" in value or "per" in value.split():
        raise ValueFault("is not a range of loads", mend)
    try:
        low, high = (units.to_si(end.value, end.unit, "N") for end in written.ends)
    except units.UnitError as error:
        reason = str(error) if all(end.unit for end in written.ends) else "a force needs a unit"
        raise ValueFault(reason, mend) from error
    if low < 0.0:
        raise ValueFault("a load cannot be negative", mend)
    if low == high:
        raise ValueFault("the range has no span", mend)
    if low > high:
        shown = f"{units.show(high, 'N')} to {units.show(low, 'N')}"
        raise ValueFault("the range is reversed", f'write "{shown}"')
    return low, high


def _check(value: Any) -> int | tuple[float, ...]:
    mend = 'write a number of loads such as 7, or loads such as ["2 N", "30 N", "60 N"]'
    if isinstance(value, int) and not isinstance(value, bool):
        if not 2 <= value <= MOST_LOADS:
            raise ValueFault(f"it takes 2 to {MOST_LOADS} check loads", mend)
        return value
    if not isinstance(value, list) or not value:
        raise ValueFault("is not a list of loads or a number of them", mend)
    return _ascending(value)


def _ascending(value: Any) -> tuple[float, ...]:
    if not isinstance(value, list):
        raise ValueFault("is not a list of loads", 'write for example ["10 N", "50 N"]')
    if len(value) > MOST_LOADS:
        raise ValueFault(f"{len(value)} loads are too many", f"write {MOST_LOADS} at most")
    loads: list[float] = []
    for each in value:
        try:
            loads.append(_load(each))
        except ValueFault as fault:
            raise ValueFault(f"{as_written(each)}: {fault.reason}", fault.mend) from fault
    if any(later <= earlier for earlier, later in pairwise(loads)):
        raise ValueFault("the loads do not ascend", "write each load once, the smallest first")
    return tuple(loads)


def _share(value: Any) -> float:
    mend = 'write for example "95 %" or 0.95'
    if isinstance(value, str):
        written = read_text(value)
        if written.nominal is None or written.spreads or written.nominal.unit not in ("", "%"):
            raise ValueFault("is not a share", mend)
        share = float(written.nominal.value * (Fraction(1, 100) if written.nominal.unit else 1))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        share = math.inf if isinstance(value, int) and abs(value) > 1000 else float(value)
    else:
        raise ValueFault("is not a share", mend)
    if not 0.0 < share < 1.0:
        raise ValueFault("must lie between 0 % and 100 %", mend)
    return share


def _measured_on(value: Any) -> int:
    """Number of units in a text such as '6 units', as in the note of a spread."""
    mend = 'write such as "6 units"'
    words = value.split() if isinstance(value, str) else []
    if len(words) != 2 or words[1] not in ("units", "unit") or not words[0].isdigit() or len(words[0]) > 7:
        raise ValueFault("is not a number of units", mend)
    if not 3 <= int(words[0]) <= 1_000_000:
        raise ValueFault(f'a correlation cannot be known from "{value}"', "it takes 3 units or more")
    return int(words[0])


def _temperature(value: Any) -> float:
    found = read_single(value, "degC")
    if found < -273.15:
        raise ValueFault("lies below absolute zero, -273.15 degC", 'write for example "25 degC"')
    return found


def _dwell(value: Any) -> float:
    found = read_single(value, "s")
    if not 0.0 < found < math.inf:
        raise ValueFault("must be above 0", 'write for example "1 s"')
    return found


def _rezero(value: Any) -> bool | float:
    """Whether a new zero is taken before each placement, or s after which one is."""
    mend = 'write true, false, or such as "every 60 s"'
    if isinstance(value, bool):
        return value
    words = value.split(maxsplit=1) if isinstance(value, str) else []
    if len(words) != 2 or words[0] != "every":
        raise ValueFault("does not say when a new zero is taken", mend)
    try:
        seconds = read_single(words[1], "s")
    except ValueFault as fault:
        raise ValueFault(fault.reason, mend) from fault
    if not 0.0 < seconds < math.inf:
        raise ValueFault("must be longer than 0 s", mend)
    return seconds


def _rated(value: Any) -> float:
    found = read_single(value, "N")
    if not 0.0 < found < math.inf:
        raise ValueFault("must be above 0", 'write for example "100 N"')
    return found


def _humidity(value: Any) -> float:
    mend = 'write for example "50 %RH"'
    if isinstance(value, str):
        written = read_text(value)
        if written.nominal is None or written.spreads or written.nominal.unit not in ("", "%", "%RH"):
            raise ValueFault("is not a relative humidity", mend)
        humidity = float(written.nominal.value)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        humidity = math.inf if isinstance(value, int) and abs(value) > 1000 else float(value)
    else:
        raise ValueFault("is not a relative humidity", mend)
    if not 0.0 <= humidity <= 100.0:
        raise ValueFault("must lie between 0 %RH and 100 %RH", mend)
    return humidity


def _as_text(*examples: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": list(examples)})


_LOADS = {"type": "array", "items": {"type": "string", "examples": ["10 N"]}, "maxItems": MOST_LOADS}
_SHARE = {"anyOf": [{"type": "string"}, {"type": "number"}], "examples": ["95 %", 0.95]}

Loads = Annotated[tuple[float, ...], BeforeValidator(_ascending), WithJsonSchema(_LOADS)]
Range = Annotated[tuple[float, float], BeforeValidator(read_range), _as_text("2 N to 60 N")]
CheckLoads = Annotated[
    int | tuple[float, ...],
    BeforeValidator(_check),
    WithJsonSchema({"anyOf": [{"type": "integer", "minimum": 2, "maximum": MOST_LOADS}, _LOADS]}),
]
Share = Annotated[float, BeforeValidator(_share), WithJsonSchema(_SHARE)]
Temperature = Annotated[float, BeforeValidator(_temperature), _as_text("25 degC")]
Humidity = Annotated[
    float,
    BeforeValidator(_humidity),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "number"}], "examples": ["50 %RH", 50]}),
]
Dwell = Annotated[float, BeforeValidator(_dwell), _as_text("1 s")]
Rezero = Annotated[
    bool | float,
    BeforeValidator(_rezero),
    WithJsonSchema({"anyOf": [{"type": "boolean"}, {"type": "string"}], "examples": [True, "every 60 s"]}),
]
RatedLoad = Annotated[float, BeforeValidator(_rated), _as_text("100 N")]
Branch = Literal["up", "down", "mean"]
MeasuredOn = Annotated[int, BeforeValidator(_measured_on), _as_text("6 units")]
Permissible = Annotated[PermissibleError, BeforeValidator(read_permissible_error), _as_text(EXAMPLE, "2 N")]


class CaseTable(Table):
    """What the case is about, and the climate at which all nominal values hold."""

    name: OneLine = Field(default="", max_length=200, description="name of the case, as the report shows it")
    notes: Printable = Field(default="", max_length=20_000, description="anything worth remembering")
    data: OneLine = Field(
        default="not stated", max_length=200, description='"invented", "measured" or where from'
    )
    reference_temperature: Temperature = Field(default=25.0, description="nominal values hold here")
    reference_humidity: Humidity = Field(default=50.0, description="nominal values hold here, %RH")
    unstated: str = Field(
        default="plausible bands",
        min_length=1,
        max_length=500,
        description="what effects of the sensor and conditions of use are taken to be that the case leaves out: "
        '"plausible bands", "zero", or a TOML file with bands of your own, relative to the case',
        examples=["plausible bands", "zero", "our_bands.toml"],
    )


class LoadTable(Table):
    """Range of loads and the loads at which the error is checked."""

    range: Range = Field(description="lowest and highest load in use")
    check: CheckLoads = Field(default=7, description="loads to check, or how many, evenly spaced")
    rated: RatedLoad | None = Field(
        default=None,
        description="rated load, to which shares of rated load and datasheet figures of the sensor refer; default: "
        "that of the sensor, if it has one",
    )


_COUNTS = {
    "conditions": "periods of use drawn for each unit, of each named condition",
    "loadings": "placements of each load in a period",
    "readings": "readings in each placement",
}
COUNTS: dict[str, Any] = {
    key: (
        int | None,
        Field(default=None, ge=1, le=10_000, description=f"{doc}; better stated in [requirement]"),
    )
    for key, doc in _COUNTS.items()
}
"""Keys of [use] beside its quantities: [requirement] has them too."""

DEFAULT_COUNTS = {"conditions": 2, "loadings": 2, "readings": 1}
"""What a unit is judged by where the case does not say."""


def _count(key: str) -> Any:
    return Field(
        default=None,
        ge=1,
        le=10_000,
        description=f"{_COUNTS[key]}, by which it is judged; default: {DEFAULT_COUNTS[key]}",
    )


class RequirementTable(Table):
    """Maximum permissible error (VIM 4.26), who must keep it, and by how many readings a unit is judged."""

    permissible_error: Permissible = Field(description="limit of the force error; says of what")
    counts: Literal["units at every check point", "units by share of readings", "readings"] = Field(
        default="units at every check point", description="what conforms"
    )
    share: Share = Field(default=0.95, description="readings of a unit that must be within, if that counts")
    conditions: int | None = _count("conditions")
    loadings: int | None = _count("loadings")
    readings: int | None = _count("readings")
    target: Share = Field(default=0.95, alias="yield", description="yield to reach")
    confidence: Share = Field(default=0.95, description="of every interval, two-sided")


class HistoryTable(Table):
    """Loads of the use in their order, and when the pad is read; sensors remember the loads before."""

    steps: list[str] | None = Field(
        default=None, min_length=1, description="steps of constant load, such as '20 N for 1 s, read'"
    )
    file: str | None = Field(
        default=None, description="CSV file in place of steps, relative to the case: load (N), time (s), read"
    )
    repeat: int = Field(default=1, ge=1, le=100_000, description="how often the steps follow each other")
    recovery: Dwell | None = Field(
        default=None, description="time constant with which a zero return vanishes after the load is removed"
    )


class DesignCurveTable(Table):
    """Bench conditions of the design curve, which firmware turns round; default: those of a fitted model's bench,
    or those at which the sensor's values hold."""

    dwell: Dwell | None = Field(
        default=None,
        description="time under load at which the curve was measured; use and calibration creep from it",
    )
    branch: Branch | None = Field(
        default=None,
        description="branch of the load cycle on which it was measured; mean: midway between both",
    )
    temperature: Temperature | None = Field(default=None, description="temperature at which it was measured")
    humidity: Humidity | None = Field(default=None, description="relative humidity at which it was measured")


class CalibrationTable(Table):
    """One calibration option."""

    kind: Literal["none", "tare", "one-point", "two-point", "multi-point", "lot-curve", "classes"] = Field(
        description="how much is measured at each unit"
    )
    name: ShortName | None = Field(default=None, description="default: the kind")
    space: Literal["force", "signal", "output", "logarithm"] = Field(
        default="force",
        description="where the correction is a straight line or curve; a tare alone: output unless stated",
    )
    loads: Loads | None = Field(default=None, description="loads applied; default: chosen from the range")
    reloads: int = Field(default=1, ge=1, le=1000, description="placements of each load, averaged")
    samples: int = Field(default=1, ge=1, le=1_000_000, description="readings averaged in each placement")
    fit: Literal["least squares", "piecewise"] = Field(default="least squares", description="of multi-point")
    degree: int | None = Field(default=None, ge=1, le=5, description="of the polynomial of multi-point")
    weights: Literal["equal", "relative"] = Field(default="equal", description="relative: 1 / load squared")
    direction: Literal["up", "down", "both"] = Field(
        default="up", description="branches of the load cycle used"
    )
    stage: Literal["bare sensor", "sub-assembly", "finished product"] = Field(
        default="finished product", description="what is calibrated"
    )
    tare: bool = Field(default=False, description="the unloaded signal is taken and removed first")
    rezero: Rezero = Field(
        default=False,
        description="firmware takes the unloaded signal before each use, and removes what it departs from the design; "
        'such as "every 60 s": along a load history at the first unloaded step from then on',
    )
    temperature_correction: bool = Field(
        default=False, description="firmware evaluates its curve at the measured temperature"
    )
    classes: int = Field(default=4, ge=2, le=100, description="number of classes, for kind classes")
    sample_units: int = Field(
        default=10, ge=2, le=10_000, description="units characterised, for kind lot-curve"
    )


class DependenceTable(Table):
    """Rank correlation (Spearman) between two spreads of one level."""

    between: list[str] = Field(min_length=2, max_length=2, description="names such as sensor.sensitivity")
    level: Level = Field(default="unit", description="level at which both spreads vary")
    rank_correlation: float = Field(description="from -1 to 1; 1 and -1 make both one draw")
    measured_on: MeasuredOn | None = Field(
        default=None, alias="from", description="units on which both were measured together"
    )


class SharedTable(Table):
    """Quantities that follow one deviation, drawn once: one resistor or one reference behind several keys."""

    keys: list[str] = Field(
        min_length=2,
        max_length=50,
        description="names such as circuit.reference; the first states the tolerance, the others take its relative "
        "or absolute deviation and state none",
    )


class StudyTable(Table):
    """How much to draw."""

    units: int = Field(
        default=500_000,
        ge=10,
        le=MOST_UNITS,
        description="most units drawn before a verdict is left undecided; with draw = 'all units' the units drawn",
    )
    draw: Literal["until decided", "all units"] = Field(
        default="until decided",
        description="whether a study ends as soon as the verdict is decided, or draws all its units",
    )
    outer: int | None = Field(
        default=None,
        ge=1,
        le=100_000,
        description="draws of what is common or of the station, among which the units of a study of fixed size are "
        "divided; by default the study chooses",
    )
    units_per_lot: int = Field(default=100, ge=1, le=MOST_UNITS, description="units in a production lot")
    seed: int = Field(default=1, ge=0, le=2**63 - 1, description="of the random numbers")
    points: Literal["random", "latin", "sobol"] = Field(
        default="sobol",
        description="how units are sampled where nothing is common, of the station or of a lot: at random, by Latin "
        "hypercubes, or by scrambled Sobol points, which need the fewest units; ten independent scramblings give "
        "the intervals",
    )
