"""What a case is once read: SI numbers, distributions and levels. Plain data, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from distributions import Distribution
from margin.case.printed import html_of_sections, text_of_sections
from margin.case.service_profile import ServiceProfile
from margin.case.units import show
from margin.chain.parameter import CauseName, Figure, Grades, Level

if TYPE_CHECKING:
    from margin.case.fitted_model import FittedModel

Role = Literal["interface", "sensor", "circuit", "converter", "firmware", "use", "station"]
ROLES: tuple[Role, ...] = ("interface", "sensor", "circuit", "converter", "firmware", "use", "station")


@dataclass(frozen=True)
class Spread:
    """One cause of variation of a quantity, drawn once for each instance of its level.

    distribution  of the deviation from the nominal value: relative (0.01 for 1 %) or in SI units
    read_as       how the tolerance was read, for the report ('rectangular, GUM 4.3.7')
    measured_on   number of units the spread was estimated from; None if stated without that. With a number
                  the mean and the standard deviation get their sampling distribution at level `common`.
    """

    level: Level
    distribution: Distribution
    relative: bool
    read_as: str
    measured_on: int | None = None


@dataclass(frozen=True)
class StatedFigure:
    """A datasheet figure of a sensor, as stated.

    of          'full-scale output' or 'applied load'
    definition  'full width' or 'half width' of the loop, or the line that nonlinearity counts from
    start, end  s under load between which creep is stated; start None: the reference time of the sensor
    text        as written
    """

    figure: Figure
    of: str
    definition: str
    start: float | None = None
    end: float | None = None
    text: str = ""


@dataclass(frozen=True)
class Quantity:
    """A named quantity: nominal value in SI units, the unit to show it in, its causes of variation.

    value = nominal * product(1 + relative deviations) + sum(absolute deviations)

    shared_with  name of the quantity whose draws are also those of this one, which has the same spreads; None
                 for draws of its own
    cause        what lies behind its variation; grades: those in which the part is sold, None without any. Both as
                 its field declares them, or those of the quantity it shares
    band         source of the plausible band that stands for a quantity left out of the case; None for one that the
                 case or its fitted model states, and for one without a band
    figure       what its numbers are until the case converts them, where a datasheet figure was stated; else None
    """

    name: str
    nominal: float
    unit: str
    spreads: tuple[Spread, ...] = ()
    defaulted: bool = False
    shared_with: str | None = None
    cause: CauseName = field(kw_only=True)
    grades: Grades | None = field(default=None, kw_only=True)
    band: str | None = field(default=None, kw_only=True)
    figure: StatedFigure | None = field(default=None, kw_only=True)


@dataclass(frozen=True)
class ElementSpec:
    """An element of the chain as the case describes it: its class, quantities and choices by field name."""

    role: Role
    kind: str
    cls: type
    quantities: dict[str, Quantity]
    options: dict[str, Any]


@dataclass(frozen=True)
class Requirement:
    """Maximum permissible error (VIM 4.26) and who must keep it.

    reading, span, absolute  parts of the limit: share of the load, share of the span, N
    full_scale, rated  further parts: shares of full_scale_load, the highest load, and of rated_load
    combine    'larger' or 'sum' of the parts
    counts     'units at every check point', 'units by share of readings' or 'readings'
    share      share of readings that a unit must have within (for 'units by share of readings')
    target     yield to reach
    confidence of every interval, two-sided
    """

    reading: float = 0.0
    span: float = 0.0
    absolute: float = 0.0
    combine: Literal["larger", "sum"] = "larger"
    counts: Literal["units at every check point", "units by share of readings", "readings"] = (
        "units at every check point"
    )
    share: float = 0.95
    target: float = 0.95
    confidence: float = 0.95
    full_scale: float = 0.0
    full_scale_load: float = 0.0
    rated: float = 0.0
    rated_load: float = 0.0


@dataclass(frozen=True)
class UseCondition:
    """A named condition of use: quantities of role `use` that replace the general ones."""

    name: str
    quantities: dict[str, Quantity]
    direction: Literal["up", "down", "either"] | None = None


@dataclass(frozen=True)
class CalibrationSpec:
    """One calibration option.

    kind       'none', 'tare', 'one-point', 'two-point', 'multi-point', 'lot-curve', 'classes'
    space      'force', 'signal', 'output' or 'logarithm': where the correction is a straight line or curve
    loads      N, ascending; loads applied (empty for 'none' and 'tare')
    reloads    placements of each load; their signals are averaged
    samples    readings averaged in each placement
    fit        'least squares' or 'piecewise' (multi-point)
    degree     of the polynomial (multi-point, least squares)
    weights    'equal' or 'relative' (1 / load squared)
    direction  'up', 'down' or 'both' branches of the load cycle are used
    stage      'bare sensor', 'sub-assembly' or 'finished product'
    tare       unloaded signal is taken and removed first
    rezero     unloaded signal is taken before each placement, in use and at the station, and what it departs from the
               designed one is removed
    rezero_every  s: along a load history a zero is kept until the first unloaded step that ends so long after it;
               0: each unloaded step gives a new one
    temperature_correction  firmware evaluates its nominal curve at the measured temperature
    classes    number of classes (kind 'classes')
    sample_units  units of the lot that are characterised (kind 'lot-curve')
    """

    name: str
    kind: str
    space: Literal["force", "signal", "output", "logarithm"] = "force"
    loads: tuple[float, ...] = ()
    reloads: int = 1
    samples: int = 1
    fit: Literal["least squares", "piecewise"] = "least squares"
    degree: int = 1
    weights: Literal["equal", "relative"] = "equal"
    direction: Literal["up", "down", "both"] = "up"
    stage: Literal["bare sensor", "sub-assembly", "finished product"] = "finished product"
    tare: bool = False
    rezero: bool = False
    rezero_every: float = 0.0
    temperature_correction: bool = False
    classes: int = 4
    sample_units: int = 10


@dataclass(frozen=True)
class DesignCurve:
    """Bench conditions under which the curve was measured that firmware has of every unit.

    dwell        s under load
    branch       'up' or 'down' of the load cycle, or 'mean': midway between both
    temperature  degC
    humidity     %RH
    """

    dwell: float = 1.0
    branch: Literal["up", "down", "mean"] = "up"
    temperature: float = 25.0
    humidity: float = 50.0

    @property
    def descending(self) -> float:
        """0 on the ascending branch, 1 on the descending one, 0.5 midway."""
        return {"up": 0.0, "down": 1.0, "mean": 0.5}[self.branch]


@dataclass(frozen=True)
class LoadHistory:
    """Steps of constant load in use, which follow each other.

    loads, seconds  of each step: N, and how long it lasts
    read            whether the pad is read at its end
    recovery        s, time constant with which a zero return vanishes after the load is removed
    """

    loads: tuple[float, ...]
    seconds: tuple[float, ...]
    read: tuple[bool, ...]
    recovery: float

    @property
    def check_loads(self) -> tuple[float, ...]:
        """Loads that are read, N, ascending."""
        return tuple(sorted({at for at, read in zip(self.loads, self.read, strict=True) if read}))

    @property
    def occurrences(self) -> tuple[tuple[int, ...], ...]:
        """Steps that are read at each of these loads, in their order."""
        places: dict[float, list[int]] = {load: [] for load in self.check_loads}
        for step, (at, read) in enumerate(zip(self.loads, self.read, strict=True)):
            if read:
                places[at].append(step)
        return tuple(map(tuple, places.values()))

    @property
    def readings(self) -> int:
        """Most readings at one load. A load that is read less often counts as much as the others: its readings are
        taken over again in their order."""
        return max(map(len, self.occurrences))


@dataclass(frozen=True)
class Dependence:
    """Rank correlation (Spearman) between two spreads at one level, by quantity name.

    measured_on  units on which both were measured together; the correlation then gets, with means and
                 spreads, its sampling distribution at level `common`. None if stated without that.
    """

    level: Level
    first: str
    second: str
    rank_correlation: float
    measured_on: int | None = None


LEAST_INNER = 32
"""Fewest units in an outer draw: with fewer the yield of a draw is hardly counted at all."""


@dataclass(frozen=True)
class StudySpec:
    """How much to draw.

    units   most units of a study that draws until its verdict is decided; all of them for one of fixed size
    outer   draws of `common` and `station`; 1 where nothing varies there, None where the study chooses
    draw    'until decided', or 'all units'
    units_per_lot  of production, among which a curve of the lot is shared; how many are drawn of a lot is a matter
                   of sampling
    points  how units are sampled where there is one outer draw and no lot differs: at random, by Latin hypercubes
            or by scrambled Sobol points; otherwise they are random, so that noise can be measured
    """

    units: int = 500_000
    outer: int | None = None
    units_per_lot: int = 100
    conditions: int = 2
    loadings: int = 2
    readings: int = 1
    seed: int = 1
    points: Literal["random", "latin", "sobol"] = "sobol"
    draw: Literal["until decided", "all units"] = "until decided"

    @property
    def nested(self) -> bool:
        """Whether units are drawn within outer draws."""
        return self.outer != 1


@dataclass(frozen=True)
class Assumption:
    """Something that a case rests on and nobody measured.

    text      one line for the report
    quantity  name of the spread, 'use.temperature (cold)' where a condition has it for itself; None for a statement
              about the whole case
    level     at which the spread varies; None as for `quantity`
    """

    text: str
    quantity: str | None = None
    level: Level | None = None

    def is_of(self, factor: str) -> bool:
        """Whether it is about the factor of that name: 'sensor.creep per common'."""
        return self.quantity is not None and factor.partition(" (each ")[0] in (
            f"{self.quantity} per {self.level}",
            self.quantity,
        )


@dataclass(frozen=True, repr=False)
class Case:
    """A whole case, validated, in SI units.

    Printing it, or naming it in a notebook, shows what it is, how it was read, and what it assumes.

    check_loads  N, ascending, inside [load_low, load_high]
    history      loads of the use in their order; None where each reading stands by itself
    design_curve bench conditions of the curve that firmware turns round
    service      what units go through in service; None where the case has no such table
    defaults     'circuit.offset = 0 V: ideal' ...: what the case did not say and the tool assumed
    readings     how each tolerance was read, in order
    assumptions  spreads that were stated, not measured, and rest on nothing else
    model        the fitted model that the sensor is taken from, None without one
    source       the tables as they stand in the file, from which a changed case is read anew
    changed      what was changed since the file was read, by dotted key, in order
    own_elements files that registered elements for it, so that a command can name them again
    """

    name: str
    path: Path | None
    notes: str
    data: str
    load_low: float
    load_high: float
    check_loads: tuple[float, ...]
    requirement: Requirement
    elements: dict[Role, ElementSpec]
    conditions: tuple[UseCondition, ...]
    calibrations: tuple[CalibrationSpec, ...]
    dependences: tuple[Dependence, ...]
    study: StudySpec
    reference_temperature: float = 25.0
    reference_humidity: float = 50.0
    design_curve: DesignCurve = DesignCurve()
    history: LoadHistory | None = None
    service: ServiceProfile | None = None
    defaults: tuple[str, ...] = ()
    readings: tuple[str, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    elements_from: tuple[str, ...] = field(default=())
    model: FittedModel | None = field(default=None, compare=False, repr=False)
    source: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)
    changed: tuple[tuple[str, Any], ...] = field(default=(), compare=False, repr=False)
    own_elements: tuple[str, ...] = field(default=(), compare=False, repr=False)

    @property
    def assumed(self) -> tuple[str, ...]:
        """The assumptions, a line each."""
        return tuple(each.text for each in self.assumptions)

    @property
    def judged_on(self) -> str:
        """What a unit is judged by: '2 loadings x 1 reading at 6 loads in 2 draws of each of 2 conditions (48
        readings)'."""
        study, named = self.study, len(self.conditions)
        draws = _counted(study.conditions, "draw")
        if named > 1:
            where = f"{draws} of each of {named} conditions"
        else:
            where = f"{draws} of the {'condition' if named else 'conditions'} of use"
        readings = study.loadings * study.readings * len(self.check_loads) * study.conditions * max(named, 1)
        if self.history is not None:
            runs = f"{_counted(study.loadings, 'run')} of a history of {_counted(len(self.history.loads), 'step')}"
            return f"{runs}, read at {_counted(len(self.check_loads), 'load')}, in {where}"
        placed = f"{_counted(study.loadings, 'loading')} x {_counted(study.readings, 'reading')}"
        return f"{placed} at {_counted(len(self.check_loads), 'load')} in {where} ({_counted(readings, 'reading')})"

    @property
    def span(self) -> float:
        """N."""
        return self.load_high - self.load_low

    @property
    def summary(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """What printing shows: the title, then (heading, sentences)."""
        requirement, study = self.requirement, self.study
        low, high, *checked = (show(load, "N") for load in (self.load_low, self.load_high, *self.check_loads))
        written = self.source.get("requirement", {}).get("permissible_error")
        required = f"at least {100.0 * requirement.target:g} % of {requirement.counts}"
        chain = (
            role if role == spec.kind else f"{role} {spec.kind}"
            for role, spec in self.elements.items()
            if role not in ("use", "station")
        )  # fmt: skip
        outer = "" if study.outer in (None, 1) else f", {study.outer} outer draws"
        found = (
            (self.name, ()),
            ("File", () if self.path is None else (str(self.path),)),
            ("Sensor fitted to a bench", () if self.model is None else (str(self.model.name),)),
            ("Load", (f"{low} to {high}, checked at {', '.join(checked)}",)),
            ("Permissible error", () if written is None else (str(written),)),
            ("Required", (f"{required}, judged by {self.judged_on}",)),
            ("Chain", (", ".join(chain),)),
            (
                "Conditions of use",
                ("; ".join(one.name for one in self.conditions),) if self.conditions else (),
            ),
            ("Calibration options", ("; ".join(one.name for one in self.calibrations),)),
            ("Study", (f"{study.draw}, {study.units} units at most{outer}, seed {study.seed}",)),
            ("Interpretation of the tolerances (case.readings)", self.readings),
            ("Defaults used (case.defaults)", self.defaults),
            ("Assumed, not measured (case.assumed)", self.assumed),
        )
        return tuple(section for place, section in enumerate(found) if place == 0 or section[1])

    def __str__(self) -> str:
        return text_of_sections(self.summary)

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        return html_of_sections(self.summary)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
