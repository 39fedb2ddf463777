"""From a case file to a `Case`: everything wrong with it is reported at once."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from distributions.errors import InvalidArgument
from margin.case import check, describe, translate, units
from margin.case.bands import PLAUSIBLE, ZERO, Bands, bands_for, without_effect
from margin.case.build import element_spec, foreign_modules, nominal_element
from margin.case.design_curve import ReadCurve, read_design_curve, require_invertible
from margin.case.faults import CaseError, Fault, ValueFault
from margin.case.files import tables_of, text_of
from margin.case.fitted_model import FittedModel
from margin.case.full_scale import FullScale, full_scale, rated_load, with_figures
from margin.case.history import read_history
from margin.case.include import Included, include
from margin.case.limits import MOST_DEPTH, deeper_than, require_few_readings, require_few_tables
from margin.case.loads import DEFAULT_KINDS, calibration_of, evenly, require_inside
from margin.case.measured_curve import beyond_curve, require_curve
from margin.case.names import name_of_file
from margin.case.schema import (
    ABSENT,
    REQUIRED_TABLES,
    case_model,
    kinds_of,
    quantities_of,
    table_adapter,
    table_model,
)
from margin.case.service import ReadService, read_service
from margin.case.shared import with_shared
from margin.case.tables import (
    DEFAULT_COUNTS,
    CalibrationTable,
    CaseTable,
    DesignCurveTable,
    HistoryTable,
    LoadTable,
    RequirementTable,
    SharedTable,
    StudyTable,
)
from margin.case.types import (
    ROLES,
    Assumption,
    CalibrationSpec,
    Case,
    Dependence,
    ElementSpec,
    LoadHistory,
    Requirement,
    Role,
    Spread,
    StudySpec,
    UseCondition,
)
from margin.chain.parameter import options_of


def load_case(path: str | Path) -> Case:
    """Read a case file. Raises CaseError with all its faults."""
    path = Path(path)
    return read_case(text_of(path), path)


def as_case(case: Case | str | Path) -> Case:
    """The case itself, or the case of the file at a path: what every function that takes a case takes.

    Raises CaseError as `load_case`, InvalidArgument for anything that is neither.
    """
    if isinstance(case, Case):
        return case
    if isinstance(case, str | Path):
        return load_case(case)
    raise InvalidArgument(
        f"a case, or the path of a case file, is needed (got {type(case).__name__}): margin.load(path) gives a case"
    )


def read_case(
    source: str | Mapping[str, Any], path: Path | None = None, model: FittedModel | None = None
) -> Case:
    """Read a case from TOML text or from what such text holds. Runs no code of the case.

    path   the file that messages name, and beside which a fitted model is looked for
    model  the fitted model, where it was read before
    Raises CaseError with all its faults.
    """
    file = str(path) if path is not None else "case"
    read = tables_of(source, file) if isinstance(source, str) else dict(source)
    if deeper_than(read, MOST_DEPTH):
        reason = f"tables or lists lie more than {MOST_DEPTH} deep within each other"
        raise CaseError([Fault(file, "", "", None, reason, "is this the right file?")])
    too_many = list(require_few_tables(read, file))
    if too_many:
        raise CaseError(too_many)
    raw = copy.deepcopy(read)
    included = include(raw, path, file, model)
    bands, faults = _bands(raw, path, file)
    reader = _Reader(file, included.tables, included, bands, [*included.faults, *faults])
    case = reader.read(path, raw)
    if case is None or reader.faults:
        raise CaseError(reader.faults)
    return case


def _bands(raw: Mapping[str, Any], path: Path | None, file: str) -> tuple[Bands, list[Fault]]:
    """The bands that a case asks for; a word that is no text is left to the table's own check."""
    about = raw.get("case")
    unstated = about.get("unstated", PLAUSIBLE) if isinstance(about, dict) else PLAUSIBLE
    try:
        return bands_for(unstated if isinstance(unstated, str) else ZERO, path, file), []
    except CaseError as error:
        return Bands(), list(error.faults)


@dataclass
class _Reader:
    """Collects what can be read of one file, and all faults found on the way."""

    file: str
    raw: dict[str, Any]
    included: Included
    bands: Bands
    faults: list[Fault] = field(default_factory=list)
    defaults: list[str] = field(default_factory=list)
    chosen: list[str] = field(default_factory=list)
    figures: list[str] = field(default_factory=list)

    def read(self, path: Path | None, written: dict[str, Any]) -> Case | None:
        model = case_model()
        known = list(model.model_fields)
        for name, value in self.raw.items():
            if name not in known:
                self.faults.append(translate.unknown_table(name, value, known, self.file))
        unread = ("sensor", "dependence") if self.included.faults else ()
        tables = {name: None if name in unread else self.table(name, model) for name in known}
        about: CaseTable | None = tables["case"]
        load: LoadTable | None = tables["load"]
        service = self.service(tables["service"], load)
        elements = self.shared(tables["shared"], self.elements(tables, service))
        history = self.history(tables["history"], load, path)
        check_loads = self.check_loads(load) if history is None else history.check_loads
        requirement = self.requirement(tables["requirement"], check_loads, load, elements.get("sensor"))
        conditions = self.conditions(tables["use"])
        calibrations = self.calibrations(tables["calibration"], load)
        dependences = self.dependences(tables["dependence"], elements, conditions)
        spreads = list(describe.all_spreads(elements, conditions))
        curve = self.design_curve(tables, elements)
        counts = self.counts(tables["requirement"], tables["use"], history)
        if counts is not None and check_loads and not self.faults:
            self.faults.extend(
                require_few_readings(counts, len(check_loads), len(conditions), calibrations, self.file)
            )
        study = self.study(tables["study"], counts, [spread for _, _, spread in spreads])
        if (
            self.faults
            or about is None
            or load is None
            or requirement is None
            or study is None
            or curve is None
        ):
            return None
        taken = self.included
        sources = [taken.source_of(*each) for each in spreads]
        readings = [
            describe.reading_line(*each, source) for each, source in zip(spreads, sources, strict=True)
        ]
        shared = describe.shared_lines(elements)
        assumed = [
            Assumption(line, name, spread.level)
            for (name, quantity, spread), source in zip(spreads, sources, strict=True)
            if (line := describe.assumed_line(name, quantity, spread, source, self.bench_of(name)))
            is not None
        ]
        assumed += [
            Assumption(line) for each in dependences if (line := describe.assumed_tie(each)) is not None
        ]
        if (line := beyond_curve(elements["sensor"], *load.range)) is not None:
            assumed.append(Assumption(line))
        return Case(
            name=about.name.strip() or (name_of_file(path) if path is not None else "case"),
            path=path,
            notes=about.notes,
            data=about.data,
            load_low=load.range[0],
            load_high=load.range[1],
            check_loads=check_loads,
            requirement=requirement,
            elements=elements,
            conditions=conditions,
            calibrations=calibrations,
            dependences=dependences,
            study=study,
            reference_temperature=about.reference_temperature,
            reference_humidity=about.reference_humidity,
            design_curve=curve.curve,
            history=history,
            service=None if service is None else service.profile,
            defaults=tuple(self.defaults),
            readings=(
                *taken.readings,
                curve.reading,
                *self.figures,
                *(() if service is None else service.readings),
                *readings,
                *shared,
                *map(describe.tie_line, dependences),
            ),
            assumptions=(
                *map(Assumption, taken.warnings),
                *assumed,
                *map(Assumption, self.chosen),
                *map(Assumption, self.left_at_zero(elements)),
                *map(Assumption, taken.assumed),
            ),
            elements_from=foreign_modules(elements),
            model=taken.model,
            source=written,
        )

    def table(self, name: str, model: type[BaseModel]) -> Any:
        """One checked table, or None where it has faults."""
        if name not in self.raw:
            if name in REQUIRED_TABLES:
                self.faults.append(translate.missing_table(name, self.file))
                return None
            value: Any = [] if name in ("calibration", "shared", "dependence") else ABSENT.get(name, {})
        else:
            value = self.raw[name]
        try:
            return table_adapter(model, name).validate_python(value)
        except ValidationError as error:
            self.faults.extend(
                translate.faults_of(error, name, value, table_model(name, value, model), self.file)
            )
            return None

    def service(self, table: Any, load: LoadTable | None) -> ReadService | None:
        """The service profile; None where the case has none, or one with faults."""
        if "service" not in self.raw or table is None or load is None:
            return None
        found, faults = read_service(table, self.raw, load, self.file)
        self.faults.extend(faults)
        return found

    def elements(self, tables: Mapping[str, Any], service: ReadService | None) -> dict[Role, ElementSpec]:
        """Elements whose tables are sound."""
        found: dict[Role, ElementSpec] = {}
        nominal: dict[Role, Any] = {}
        of_service = {} if service is None else dict(service.quantities)
        stated = {*self.stated(tables["use"]), *(f"use.{key}" for key in of_service)}
        stated |= set() if service is None else {f"service.{key}" for key in self.raw["service"]}
        for role in ROLES:
            table = tables[role]
            if table is None:
                continue
            cls = kinds_of(role)[table.kind]
            given = self.raw.get(role, {})
            options = {name: getattr(table, name) for name in options_of(cls)}
            bands = self.bands.of(role, table.kind, options, stated)
            spec = element_spec(role, cls, table, bands)
            if role == "use":
                spec = replace(spec, quantities={**spec.quantities, **of_service})
            if any(quantity.figure is not None for quantity in spec.quantities.values()):
                converted = self.with_figures(spec, tables["load"])
                if converted is None:
                    continue
                spec = converted
            curve = list(require_curve(spec, self.raw.get(role, {}), self.file)) if role == "sensor" else []
            if curve:
                self.faults.extend(curve)
                continue
            try:
                nominal[role] = nominal_element(spec)
            except ValueError as error:
                self.faults.append(self.refusal(role, spec, str(error)))
                continue
            found[role] = spec
            self.defaults.extend(describe.defaults_of_element(spec, role in self.raw, given, bands))
            self.chosen.extend(describe.assumed_choices(spec, bands))
            self.figures.extend(describe.nonlinearity_line(spec))
        if "sensor" in nominal:
            self.faults.extend(check.require_switches(found["sensor"], self.raw.get("sensor", {}), self.file))
        if "sensor" in nominal and "circuit" in nominal:
            accepting = [
                kind
                for kind, cls in kinds_of("circuit").items()
                if getattr(cls, "accepts", None) == nominal["sensor"].output_kind
            ]
            kinds = (found["sensor"].kind, found["circuit"].kind)
            self.faults.extend(
                check.require_match(nominal["sensor"], nominal["circuit"], kinds, accepting, self.file)
            )
        return found

    def stated(self, use: Any) -> Iterator[str]:
        """Keys of elements that the case states, with their table; of use also those of all named conditions."""
        for role in ROLES:
            given = self.raw.get(role)
            yield from (f"{role}.{key}" for key in (given if isinstance(given, dict) else ()))
        conditions = (use.condition or []) if use is not None else []
        own = [{name for name, value in table if value is not None} for table in conditions]
        yield from (f"use.{name}" for name in (set.intersection(*own) if own else ()))

    def bench_of(self, name: str) -> str | None:
        """Fitted model whose bench did not measure a quantity of the sensor; None where there is none, or it did."""
        unmeasured = name in self.included.unmeasured
        return self.included.model.name if self.included.model is not None and unmeasured else None

    def left_at_zero(self, elements: Mapping[Role, ElementSpec]) -> Iterator[str]:
        """Effects that the bench did not measure, that the case does not state, and for which no band stands."""
        of_sensor = {f"sensor.{key}" for key in self.raw.get("sensor", {})}
        idle = {f"sensor.{key}" for key in without_effect(elements["sensor"].kind, of_sensor)}
        known = {q.name: q for role in ROLES for q in elements[role].quantities.values()}
        left = [known[key] for key in self.included.unmeasured if key in known and key not in idle]
        left = [quantity for quantity in left if quantity.band is None]
        if left and self.included.model is not None:
            shown = ", ".join(f"{each.name} = {units.show(each.nominal, each.unit)}" for each in left)
            yield f"unmeasured by the bench of {self.included.model.name}, and unstated: {shown}"

    def with_figures(self, spec: ElementSpec, load: LoadTable | None) -> ElementSpec | None:
        """The element with its datasheet figures converted; None where it has faults, or no load to refer them to."""
        if load is None:
            return None
        try:
            converted, faults, lines = with_figures(spec, full_scale(spec, load))
        except ValueFault as fault:
            self.faults.append(self.fault("load", "rated", fault))
            return None
        except ValueError as error:
            self.faults.append(self.refusal(spec.role, spec, str(error)))
            return None
        self.faults.extend(self.fault(spec.role, key, fault) for key, fault in faults.items())
        self.figures.extend(lines)
        return None if faults else converted

    def rated(self, load: LoadTable | None, sensor: ElementSpec | None) -> FullScale | None:
        """The rated load, where there is one."""
        if load is None or sensor is None:
            return None
        try:
            return rated_load(sensor, load)
        except ValueFault as fault:
            self.faults.append(self.fault("load", "rated", fault))
            return None

    def shared(
        self, tables: list[SharedTable] | None, elements: dict[Role, ElementSpec]
    ) -> dict[Role, ElementSpec]:
        """The elements with what is shared at each of its keys."""
        if tables is None or len(elements) < len(ROLES):
            return elements
        found, faults = with_shared([table.keys for table in tables], elements, self.file)
        self.faults.extend(faults)
        return found

    def refusal(self, role: Role, spec: ElementSpec, reason: str) -> Fault:
        """What an element says of its values, at the key that it names, if it names one."""
        key = next((name for name in (*spec.options, *spec.quantities) if f"{role}.{name}" in reason), "")
        value = self.raw.get(role, {}).get(key) if key else None
        return Fault(self.file, role, key, value, reason.removeprefix(f"{role}.{key} "))

    def check_loads(self, load: LoadTable | None) -> tuple[float, ...]:
        if load is None:
            return ()
        low, high = load.range
        if isinstance(load.check, int):
            loads = evenly(low, high, load.check)
            if "check" not in self.raw["load"]:
                self.defaults.append(f"load.check = {check.shown_loads(loads)}: evenly spaced")
            return loads
        try:
            for each in load.check:
                require_inside(each, low, high)
        except ValueFault as fault:
            self.faults.append(self.fault("load", "check", fault))
        return load.check

    def requirement(
        self,
        table: RequirementTable | None,
        loads: tuple[float, ...],
        load: LoadTable | None,
        sensor: ElementSpec | None,
    ) -> Requirement | None:
        rated = self.rated(load, sensor)
        if table is None or load is None:
            return None
        limit = table.permissible_error
        found = Requirement(
            reading=limit.reading,
            span=limit.span,
            absolute=limit.absolute,
            combine=limit.combine,
            counts=table.counts,
            share=table.share,
            target=table.target,
            confidence=table.confidence,
            full_scale=limit.full_scale,
            full_scale_load=load.range[1] if limit.full_scale else 0.0,
            rated=limit.rated,
            rated_load=rated.load if rated is not None and limit.rated else 0.0,
        )
        written = self.raw["requirement"]
        if limit.rated and rated is None and sensor is not None:
            reason = f'a sensor of kind "{sensor.kind}" has no rated load, and [load] states none'
            fault = ValueFault(reason, 'write such as rated = "100 N" in [load]')
            self.faults.append(self.fault("requirement", "permissible_error", fault))
        self.faults.extend(check.require_error_limit(found, loads, written["permissible_error"], self.file))
        for key, value in (
            ("counts", found.counts),
            ("yield", found.target),
            ("confidence", found.confidence),
        ):
            if key not in written:
                self.defaults.append(f"requirement.{key} = {value}: assumed")
        return found

    def conditions(self, use: Any) -> tuple[UseCondition, ...]:
        found: list[UseCondition] = []
        names: set[str] = set()
        for number, table in enumerate((use.condition or []) if use is not None else [], 1):
            stated = {name: getattr(table, name) for name in quantities_of(kinds_of("use")["use"])}
            quantities = {name: quantity for name, quantity in stated.items() if quantity is not None}
            if table.name in names:
                mend = "write a name that distinguishes them"
                place = f"use.condition {number}"
                self.faults.append(
                    Fault(
                        self.file, place, "name", table.name, "is the name of an earlier condition too", mend
                    )
                )
            names.add(table.name)
            found.append(UseCondition(table.name, quantities, table.direction))
        return tuple(found)

    def calibrations(
        self, tables: list[CalibrationTable] | None, load: LoadTable | None
    ) -> tuple[CalibrationSpec, ...]:
        if tables is None or load is None:
            return ()
        if not tables:
            tables = [CalibrationTable(kind=kind) for kind in DEFAULT_KINDS]  # type: ignore[arg-type]
        found: list[CalibrationSpec] = []
        written = self.raw.get("calibration") or [{}] * len(tables)
        for number, (table, raw) in enumerate(zip(tables, written, strict=True), 1):
            try:
                spec = calibration_of(table, *load.range)
            except ValueFault as fault:
                place = f"calibration {number}"
                value = raw.get("loads")
                self.faults.append(Fault(self.file, place, "loads", value, fault.reason, fault.mend))
                continue
            if spec.rezero_every and "history" not in self.raw:
                reason = "counts time along a load history, and the case has none"
                mend = 'write "rezero = true" for a new zero before each use, or add a [history]'
                place = f"calibration {number}"
                self.faults.append(Fault(self.file, place, "rezero", raw["rezero"], reason, mend))
            if spec.loads and "loads" not in raw:
                self.defaults.append(f"calibration {spec.name}: loads {check.shown_loads(spec.loads)} chosen")
            found.append(spec)
        if len(found) == len(tables):
            self.faults.extend(check.require_names(tuple(found), self.file))
        return tuple(found)

    def dependences(
        self, tables: Any, elements: dict[Role, ElementSpec], conditions: tuple[UseCondition, ...]
    ) -> tuple[Dependence, ...]:
        found = tuple(
            Dependence(t.level, t.between[0], t.between[1], t.rank_correlation, t.measured_on)
            for t in tables or ()
        )
        if len(elements) == len(ROLES):
            self.faults.extend(check.require_dependences(found, elements, conditions, self.file))
        return found

    def design_curve(self, tables: Mapping[str, Any], elements: dict[Role, ElementSpec]) -> ReadCurve | None:
        table: DesignCurveTable | None = tables["design_curve"]
        about: CaseTable | None = tables["case"]
        load: LoadTable | None = tables["load"]
        if table is None or about is None or load is None or len(elements) < len(ROLES):
            return None
        dwell = elements["use"].quantities["dwell"].nominal
        found = read_design_curve(table, about, elements["sensor"], dwell, self.included.model)
        self.defaults.extend(found.defaults)
        self.faults.extend(require_invertible(found, elements, load.range, about, self.file))
        return found

    def history(
        self, table: HistoryTable | None, load: LoadTable | None, path: Path | None
    ) -> LoadHistory | None:
        """The load history; None where the case has none, or one with faults."""
        if "history" not in self.raw or table is None or load is None:
            return None
        if "check" in self.raw["load"]:
            reason = "the loads that are read are those of the history"
            self.faults.append(self.fault("load", "check", ValueFault(reason, "leave it out")))
        written = self.raw.get("sensor")
        sensor = written.get("kind") if isinstance(written, dict) else None
        known = kinds_of("sensor")
        if isinstance(sensor, str) and sensor in known and not getattr(known[sensor], "remembers", False):
            reason = f'a sensor of kind "{sensor}" remembers no load (its class states no remembers = True)'
            self.faults.append(Fault(self.file, "history", "", None, reason, "leave the history out"))
        try:
            found = read_history(table, load, path, self.file)
        except CaseError as error:
            self.faults.extend(error.faults)
            return None
        if "recovery" not in self.raw["history"]:
            self.chosen.append(
                f"history.recovery = {units.show(found.recovery, 's')}: a zero return vanishes with this time constant"
            )
        return found

    def counts(
        self, requirement: RequirementTable | None, use: Any, history: LoadHistory | None
    ) -> dict[str, int] | None:
        """Conditions, loadings and readings by which a unit is judged, from [requirement] or [use]; the readings of a
        history are its own."""
        if requirement is None or use is None:
            return None
        self.faults.extend(check.require_one_count(requirement, use, self.file))
        found: dict[str, int] = {}
        for key, default in DEFAULT_COUNTS.items():
            stated, of_use = getattr(requirement, key), getattr(use, key)
            if key == "readings" and history is not None:
                if stated is not None or of_use is not None:
                    reason = "the readings are those of the history"
                    table = "requirement" if stated is not None else "use"
                    self.faults.append(self.fault(table, key, ValueFault(reason, "leave it out")))
                found[key] = history.readings
                continue
            if stated is None and of_use is None:
                self.defaults.append(f"requirement.{key} = {default}: assumed, a unit is judged by them")
            found[key] = next(each for each in (stated, of_use, default) if each is not None)
        return found

    def study(
        self, table: StudyTable | None, counts: dict[str, int] | None, spreads: Iterable[Spread]
    ) -> StudySpec | None:
        if table is None or counts is None:
            return None
        outside = any(s.level in ("common", "station") or s.measured_on is not None for s in spreads)
        outer = table.outer if outside else 1
        return StudySpec(
            units=table.units,
            outer=outer,
            units_per_lot=table.units_per_lot,
            seed=table.seed,
            points=table.points,
            draw="all units" if table.outer is not None and outside else table.draw,
            **counts,
        )

    def fault(self, table: str, key: str, found: ValueFault) -> Fault:
        return Fault(self.file, table, key, self.raw[table].get(key), found.reason, found.mend)
