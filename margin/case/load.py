"""From a case file to a `Case`: everything wrong with it is reported at once."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from margin.case import check, describe, translate
from margin.case.build import element_spec, foreign_modules, nominal_element
from margin.case.design_curve import ReadCurve, read_design_curve, require_invertible
from margin.case.faults import CaseError, Fault, ValueFault
from margin.case.files import tables_of, text_of
from margin.case.fitted_model import FittedModel
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
from margin.case.shared import with_shared
from margin.case.tables import (
    DEFAULT_COUNTS,
    CalibrationTable,
    CaseTable,
    DesignCurveTable,
    LoadTable,
    RequirementTable,
    SharedTable,
    StudyTable,
)
from margin.case.types import (
    ROLES,
    CalibrationSpec,
    Case,
    Dependence,
    ElementSpec,
    Requirement,
    Role,
    Spread,
    StudySpec,
    UseCondition,
)


def load_case(path: str | Path) -> Case:
    """Read a case file. Raises CaseError with all its faults."""
    path = Path(path)
    return read_case(text_of(path), path)


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
    reader = _Reader(file, included.tables, included, list(included.faults))
    case = reader.read(path, raw)
    if case is None or reader.faults:
        raise CaseError(reader.faults)
    return case


@dataclass
class _Reader:
    """Collects what can be read of one file, and all faults found on the way."""

    file: str
    raw: dict[str, Any]
    included: Included
    faults: list[Fault] = field(default_factory=list)
    defaults: list[str] = field(default_factory=list)

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
        elements = self.shared(tables["shared"], self.elements(tables))
        check_loads = self.check_loads(load)
        requirement = self.requirement(tables["requirement"], check_loads)
        conditions = self.conditions(tables["use"])
        calibrations = self.calibrations(tables["calibration"], load)
        dependences = self.dependences(tables["dependence"], elements, conditions)
        spreads = list(describe.all_spreads(elements, conditions))
        curve = self.design_curve(tables, elements)
        counts = self.counts(tables["requirement"], tables["use"])
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
            describe.assumed_line(*each, source) for each, source in zip(spreads, sources, strict=True)
        ]
        assumed += [describe.assumed_tie(each) for each in dependences]
        assumed.append(beyond_curve(elements["sensor"], *load.range))
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
            defaults=tuple(self.defaults),
            readings=(
                *taken.readings,
                curve.reading,
                *readings,
                *shared,
                *map(describe.tie_line, dependences),
            ),
            assumed=(*taken.warnings, *(line for line in assumed if line is not None), *taken.assumed),
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

    def elements(self, tables: Mapping[str, Any]) -> dict[Role, ElementSpec]:
        """Elements whose tables are sound."""
        found: dict[Role, ElementSpec] = {}
        nominal: dict[Role, Any] = {}
        for role in ROLES:
            table = tables[role]
            if table is None:
                continue
            cls = kinds_of(role)[table.kind]
            spec = element_spec(role, cls, table)
            if role == "converter" and role in self.raw and spec.options.get("bits") == 0:
                mend = "write 1 or more; without the table [converter] it is ideal"
                self.faults.append(Fault(self.file, role, "bits", 0, "a converter has no 0 bits", mend))
                continue
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
            given = self.raw.get(role, {})
            self.defaults.extend(describe.defaults_of_element(spec, role in self.raw, given))
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

    def requirement(self, table: RequirementTable | None, loads: tuple[float, ...]) -> Requirement | None:
        if table is None:
            return None
        limit = table.permissible_error
        found = Requirement(
            limit.reading, limit.span, limit.absolute, limit.combine, table.counts, table.share, table.target,
            table.confidence,
        )  # fmt: skip
        written = self.raw["requirement"]
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
                mend = "write a name that tells them apart"
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

    def counts(self, requirement: RequirementTable | None, use: Any) -> dict[str, int] | None:
        """Conditions, loadings and readings by which a unit is judged, from [requirement] or [use]."""
        if requirement is None or use is None:
            return None
        self.faults.extend(check.require_one_count(requirement, use, self.file))
        found: dict[str, int] = {}
        for key, default in DEFAULT_COUNTS.items():
            stated, of_use = getattr(requirement, key), getattr(use, key)
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
