"""Actions that an engineer can take about a design, as changes of its case.

The causes that lead the error budget decide which of them are worth a trial. Climate and loads are what the product
meets: they are no tolerance and nothing tightens them; where temperature leads, firmware can correct for it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from distributions.scaling import scaled
from margin.case import units
from margin.case.loads import calibration_of
from margin.case.tables import CalibrationTable
from margin.case.types import CalibrationSpec, Case, Quantity, Role
from margin.estimates.advice.result import Action
from margin.estimates.labels import budget_name
from margin.estimates.part_grades import grades_of, half_width
from margin.estimates.yield_with_more import with_more
from margin.propagation.factors import Factor, factors_of

HALF = 0.5
RELOADS = 3
"""Placements of each load that an averaged calibration takes."""

MORE_SENSORS = 24

NEXT_KIND = {"none": "one-point", "tare": "one-point", "one-point": "two-point", "two-point": "multi-point"}
"""Calibration with one more constant for each unit."""


@dataclass(frozen=True)
class Candidate:
    """An action with its change of a case of one calibration option."""

    action: Action
    apply: Callable[[Case], Case]


def candidates(case: Case, leading: Sequence[str]) -> Iterator[Candidate]:
    """Actions that exist for this case.

    case     with the one calibration option that is to be improved
    leading  names of budget lines, the leading cause first: 'sensor.sensitivity per unit (from 6 units)'
    """
    yield from _calibrations(case.calibrations[0], case)
    yield from _mean_branch(case)
    by_name: dict[str, list[Factor]] = {}
    known: dict[str, Factor] = {}
    for factor in factors_of(case):
        by_name.setdefault(budget_name(factor), []).append(factor)
        if factor.measured_on is not None:
            known[factor.knowledge_name] = factor
    levels = set()
    for name in leading:
        if name in known and known[name].level not in levels:
            levels.add(known[name].level)
            yield _more_sensors(known[name])
        elif name in by_name:
            found = _about(case, by_name[name][0], name)
            if found is not None:
                yield found


def _mean_branch(case: Case) -> Iterator[Candidate]:
    """A design curve through the middle of the loop, where the load is read on both branches."""
    hysteresis = case.elements["sensor"].quantities.get("hysteresis")
    both = case.elements["use"].options["direction"] == "either"
    if not both or hysteresis is None or hysteresis.nominal == 0.0 or case.design_curve.branch == "mean":
        return

    def apply(case: Case) -> Case:
        curve = dataclasses.replace(case.design_curve, branch="mean")
        return dataclasses.replace(case, design_curve=curve)

    becomes = "a curve through the middle of the hysteresis loop"
    changes = {"design_curve.branch": "mean"}
    yield Candidate(Action("design curve", "design_curve.branch", becomes, changes), apply)


def _calibrations(spec: CalibrationSpec, case: Case) -> Iterator[Candidate]:
    """Better versions of a calibration option."""
    after = NEXT_KIND.get(spec.kind)
    read_both = case.elements["use"].options["direction"] != "up" and spec.direction != "both"
    if after is not None:
        yield _further_points(spec, after, case, "up")
        if read_both and after != "one-point":
            yield _further_points(spec, after, case, "both")
    if not spec.rezero:
        # a tare at the station removes what a zero before each use removes
        kind = "none" if spec.kind == "tare" else spec.kind
        yield _calibration(spec, "a new zero before each use", rezero=True, tare=False, kind=kind)
    if spec.kind == "none":
        return
    if not spec.temperature_correction and any(f.cause == "temperature" for f in factors_of(case)):
        yield _calibration(spec, "temperature correction", temperature_correction=True)
    if spec.loads and spec.reloads < RELOADS:
        yield _calibration(spec, f"{RELOADS} reloads averaged", reloads=RELOADS)
    if len(spec.loads) > 1 and read_both:
        yield _calibration(spec, "both branches of the load cycle averaged", direction="both")


def _calibration(spec: CalibrationSpec, becomes: str, **values: object) -> Candidate:
    changes = {f"calibration.{spec.name}.{key}": value for key, value in values.items()}

    def apply(case: Case) -> Case:
        changed = dataclasses.replace(case.calibrations[0], **values)  # type: ignore[arg-type]
        return dataclasses.replace(case, calibrations=(changed,))

    return Candidate(Action("calibration", spec.name, becomes, changes), apply)


def _further_points(spec: CalibrationSpec, kind: str, case: Case, direction: str) -> Candidate:
    """The option with one more constant: the loads of its kind, on one branch or both, all else as it is."""
    table = CalibrationTable(kind=kind)  # type: ignore[arg-type]
    chosen = calibration_of(table, case.load_low, case.load_high)

    def apply(case: Case) -> Case:
        now = case.calibrations[0]
        space = now.space if now.kind not in ("none", "tare") else chosen.space
        positive = tuple(load for load in chosen.loads if load > 0.0)
        loads = positive if space == "logarithm" or now.weights == "relative" else chosen.loads
        changed = dataclasses.replace(
            now,
            kind=kind,
            space=space,
            loads=loads,
            degree=chosen.degree,
            direction=direction if direction == "both" else now.direction,  # type: ignore[arg-type]
        )
        return dataclasses.replace(case, calibrations=(changed,))

    shown = ", ".join(units.show(load, "N") for load in chosen.loads)
    both = ", both branches averaged" if direction == "both" else ""
    return Candidate(Action("calibration", spec.name, f"{kind} constants at {shown}{both}"), apply)


def _more_sensors(factor: Factor) -> Candidate:
    def apply(case: Case) -> Case:
        return with_more(case, {factor.level: MORE_SENSORS})

    noun = {"unit": "sensors", "lot": "lots", "mounting": "mountings"}.get(factor.level, "units")
    return Candidate(Action("sensors", factor.quantity, f"{MORE_SENSORS} more {noun} measured"), apply)


def _about(case: Case, factor: Factor, name: str) -> Candidate | None:
    """What can be done about one cause; None where nothing but a calibration can."""
    assumed = any(each.is_of(name) for each in case.assumptions)
    if factor.role == "use":
        return None
    if factor.level == "common":
        if not assumed:
            return None
        return _spread("measurement", factor, name, 0.0, "measured, and found in the middle of its band")
    grades = grades_of(factor)
    if grades is not None:
        width = half_width(factor) * grades[0]
        shown = f"{100.0 * width:.3g} %" if factor.grades == "tolerance" else f"{1e6 * width:.3g} ppm/K"
        return _spread("part grade", factor, name, grades[0], f"+/- {shown}, the next grade")
    if factor.role == "interface":
        return _spread("centring", factor, name, HALF, "half the spread")
    if factor.role == "station":
        return _spread("station", factor, name, HALF, "half the spread")
    if factor.role in ("circuit", "converter", "firmware"):
        return _spread("part grade", factor, name, HALF, "half the spread")
    return None


def _spread(kind: str, factor: Factor, name: str, ratio: float, becomes: str) -> Candidate:
    def apply(case: Case) -> Case:
        return with_spread(case, factor, ratio)

    return Candidate(Action(kind, name, becomes), apply)  # type: ignore[arg-type]


def with_spread(case: Case, factor: Factor, ratio: float) -> Case:
    """The case with the spread behind a factor multiplied by `ratio`; 0 takes it out.

    A standardised draw has no size of its own: the quantity that it scales is multiplied.
    """
    role: Role = factor.role
    spec = case.elements[role]
    field = factor.quantity.removeprefix(f"{role}.") if factor.scales is None else factor.scales
    named = f"{role}.{field}"
    quantity = spec.quantities[field]
    changed = _scaled(quantity, ratio) if factor.scales is not None else _narrowed(quantity, factor, ratio)
    elements = {
        each: dataclasses.replace(
            of,
            quantities={
                key: dataclasses.replace(q, spreads=changed.spreads) if q.shared_with == named else q
                for key, q in of.quantities.items()
            },
        )
        for each, of in case.elements.items()
    }
    quantities = {**elements[role].quantities, field: changed}
    elements[role] = dataclasses.replace(elements[role], quantities=quantities)
    return dataclasses.replace(case, elements=elements)


def _narrowed(quantity: Quantity, factor: Factor, ratio: float) -> Quantity:
    spreads = tuple(
        dataclasses.replace(spread, distribution=scaled(spread.distribution, ratio))
        if spread.level == factor.level and spread.distribution == factor.distribution
        else spread
        for spread in quantity.spreads
        if ratio > 0.0 or spread.level != factor.level or spread.distribution != factor.distribution
    )
    return dataclasses.replace(quantity, spreads=spreads)


def _scaled(quantity: Quantity, ratio: float) -> Quantity:
    spreads = tuple(
        spread
        if spread.relative
        else dataclasses.replace(spread, distribution=scaled(spread.distribution, ratio))
        for spread in quantity.spreads
        if ratio > 0.0
    )
    return dataclasses.replace(quantity, nominal=quantity.nominal * ratio, spreads=spreads)
