"""Measures proposed from a case, with prices to be replaced."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator

from margin.backends.run import run
from margin.case import units
from margin.case.tables import CalibrationTable
from margin.case.types import CalibrationSpec, Case
from margin.design.measures.change_text import changes_between
from margin.design.measures.measure import OPTION_GROUP, Measure, Measures, Prices
from margin.estimates.advice.actions import Candidate, candidates
from margin.estimates.advice.advise import leading_causes
from margin.estimates.advice.trials import trial_case
from margin.estimates.budget import budget_of
from margin.estimates.yield_result import nearest_option
from margin.estimates.yields import yield_of
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of

NO_SOURCE = "common practice, no source: replace it by a quote"
NOTES = "Proposed from the case. Every price is common practice without a source: replace it by a quote."

PRICES = Prices(currency="EUR", unit=10.0, hour=50.0, volume=10_000.0)

THERMOMETER = 0.4
"""A thermometer on the board, of one unit, EUR (common practice, no source)."""

COSTS = {"part grade": 0.05, "centring": 0.15}
"""Of one unit by kind of action, EUR (common practice, no source)."""

ONCE = {"station": 2000.0, "design curve": 500.0, "sensors": 3000.0}
"""Once, by kind of action, EUR (common practice, no source)."""

KEYS_OF_OPTION = (
    ("reloads", 3, "3 reloads averaged"),
    ("reloads", 5, "5 reloads averaged"),
    ("samples", 4, "4 samples averaged"),
    ("rezero", True, "a new zero before each use"),
)
"""Measures that are one key of the calibration in force: key, value, name; those of one key are a group."""

CLASSES = 4

FEW_UNITS, MOST_CAUSES = 4000, 6
_LONG_DWELL = 1.25


def propose(case: Case, option: str | None = None, *, workers: int | None = None) -> Measures:
    """Measures that exist for a case: other calibrations, averaging, dwell, and actions on its leading causes.

    option  calibration of today's design; the first of the case by default

    Causes are those that lead the error with today's calibration and with the one that comes nearest. An action that
    cannot be written as a change of the case is left out. Raises EvaluationError where the chain gives no number.
    """
    today = next(spec for spec in case.calibrations if option is None or spec.name == option)
    found = [*_options(case, today), *_classes(case, today), *_averaging(case), *_dwell(case)]
    keys = {key for each in found for key, _ in each.changes}
    start = trial_case(case, today.name, FEW_UNITS)
    for action in candidates(start, _causes(case, today, workers)):
        measure = _measure(action, start, case)
        if measure is None:
            continue
        own = {key for key, _ in measure.changes}
        if measure.group == OPTION_GROUP or not keys & own:
            keys |= own
            found.append(measure)
    return Measures(today.name, tuple(found), PRICES, None, NOTES)


def _options(case: Case, today: CalibrationSpec) -> Iterator[Measure]:
    """Other calibration options of the case."""
    for spec in case.calibrations:
        if spec == today:
            continue
        more = spec.temperature_correction and not today.temperature_correction
        yield Measure(
            f"calibration: {spec.name}",
            group=OPTION_GROUP,
            cost=THERMOMETER if more else 0.0,
            option=spec.name,
            source=f"thermometer: {NO_SOURCE}" if more else "the time on the station alone",
        )


def _classes(case: Case, today: CalibrationSpec) -> Iterator[Measure]:
    """Units sorted into classes, with a curve for each, where they are not calibrated and nothing sorts them."""
    if today.kind in ("none", "tare") and all(spec.kind != "classes" for spec in case.calibrations):
        changes = (("option.name", today.name), ("option.kind", "classes"), ("option.classes", str(CLASSES)))
        name = f"sorted into {CLASSES} classes"
        yield Measure(name, group=OPTION_GROUP, changes=changes, source="the time on the station alone")


def _averaging(case: Case) -> Iterator[Measure]:
    """More placements and samples at the calibration, where any option measures a unit."""
    if not any(spec.loads or spec.tare or spec.kind == "tare" for spec in case.calibrations):
        return
    keys = [key for key, _, _ in KEYS_OF_OPTION]
    for key, value, name in KEYS_OF_OPTION:
        if key in CalibrationTable.model_fields:
            group = key if keys.count(key) > 1 else ""
            changes = ((f"option.{key}", json.dumps(value)),)
            yield Measure(name, group=group, changes=changes, source="the time on the station alone")


def _dwell(case: Case) -> Iterator[Measure]:
    """A station that reads as long after the loading as the use does on average."""
    creep = case.elements["sensor"].quantities.get("creep")
    dwell = case.elements["use"].quantities.get("dwell")
    station = case.elements["station"].quantities.get("dwell")
    if creep is None or creep.nominal == 0.0 or dwell is None or station is None:
        return
    middle = dwell.nominal
    if max(middle, station.nominal) > _LONG_DWELL * min(middle, station.nominal):
        shown = units.show(middle, "s", 2)
        yield Measure(
            f"calibrated {shown} after loading",
            changes=(("station.dwell", shown),),
            source="the time on the station alone",
        )


def _causes(case: Case, today: CalibrationSpec, workers: int | None) -> list[str]:
    """Leading causes with today's calibration and with the one that comes nearest, those of the nearest first."""
    study = dataclasses.replace(case.study, units=min(FEW_UNITS, case.study.units), draw="all units")
    if study.nested:
        study = dataclasses.replace(study, outer=None)
    small = dataclasses.replace(case, study=study)
    drawn = run(small, plan=plan_of(small), workers=workers)
    need, frame = case.requirement, drawn.plan.frame
    yields = {
        name: yield_of(frame, tally, need.counts, need.confidence) for name, tally in drawn.tallies.items()
    }
    found: list[str] = []
    for name in dict.fromkeys([nearest_option(yields), today.name]):
        budget = budget_of(model_of(trial_case(small, name)), changes=("frozen",), workers=workers)
        found += [each for each in leading_causes(budget, name)[:MOST_CAUSES] if each not in found]
    return found


def _measure(candidate: Candidate, start: Case, case: Case) -> Measure | None:
    """An action as a measure; None where it is no purchase, another option of the case or not to be written."""
    action = candidate.action
    averaged = any(key.endswith(".reloads") for key in action.changes)
    several = action.kind == "calibration" and len(case.calibrations) > 1
    if action.kind in ("measurement", "gain", "pedestal") or averaged or several:
        return None
    changes = changes_between(start, candidate.apply(start))
    if changes is None:
        return None
    thermometer = any(key == "option.temperature_correction" for key, _ in changes)
    cost, once = COSTS.get(action.kind, 0.0), ONCE.get(action.kind, 0.0)
    kinds = any(key == "option.kind" for key, _ in changes)
    return Measure(
        f"{action.subject}: {action.becomes}"[:80],
        group=OPTION_GROUP if kinds else "",
        cost=THERMOMETER if thermometer else cost,
        once=once,
        changes=changes,
        source=NO_SOURCE if thermometer or cost or once else "the time on the station alone",
    )


def text_of(measures: Measures, case_name: str) -> str:
    """A file of measures, to be edited."""
    prices = measures.prices
    lines = [
        f"# Measures for: {case_name}",
        "#",
        "# 'changes' are written as after --change; 'option.reloads' is a key of the calibration in force.",
        "# Of the measures of one group at most one is taken.",
        "",
        "[today]",
        f"option = {_text(measures.option)}",
        f"notes = {_text(measures.notes)}",
        "",
        "[prices]",
        f"currency = {_text(prices.currency)}",
        f"unit = {prices.unit!r}  # parts and assembly of a unit as it is today, without calibration",
        f"hour = {prices.hour!r}  # of the calibration station with its operator",
        f"rework = {prices.rework!r}  # handling of a unit that fails",
        f'recovered = "{100.0 * prices.recovered:.6g} %"  # of the failing units conform after rework',
        *(
            []
            if prices.volume is None
            else [f"volume = {prices.volume!r}  # units that share what is paid once"]
        ),
    ]
    for each in measures.measures:
        lines += ["", "[[measure]]", f"name = {_text(each.name)}"]
        lines += [f"group = {_text(each.group)}"] if each.group and each.option is None else []
        lines += [f"option = {_text(each.option)}"] if each.option is not None else []
        lines += (
            [f"changes = [{', '.join(_literal(f'{k}={v}') for k, v in each.changes)}]"]
            if each.changes
            else []
        )
        lines += [f"cost = {each.cost!r}"] if each.cost else []
        lines += [f"once = {each.once!r}"] if each.once else []
        lines += [f'seconds = "{each.seconds:.6g} s"'] if each.seconds else []
        lines += [f"source = {_text(each.source)}"] if each.source else []
    return "\n".join(lines) + "\n"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _literal(text: str) -> str:
    """A TOML text without escapes where that is possible: changes hold quotes."""
    return f"'{text}'" if "'" not in text else _text(text)
