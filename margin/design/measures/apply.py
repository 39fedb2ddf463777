"""A set of measures as a change of a case and as time on the station."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.changes import with_changes
from margin.case.types import Case
from margin.design.measures.measure import Measure

OF_OPTION = "option."
"""Start of the key of a change to the calibration option in force."""

_TIMED = (OF_OPTION, "calibration.", "station.", "study.")


def option_in_force(today: str, measures: Sequence[Measure]) -> str:
    """Calibration option of the units once the measures are taken."""
    return next((each.option for each in measures if each.option is not None), today)


def changes_of(today: str, measures: Sequence[Measure]) -> dict[str, str]:
    """Changes of the case by key, those of the option in force by its name."""
    start = f"calibration.{option_in_force(today, measures)}."
    pairs = (pair for each in measures for pair in each.changes)
    return {
        start + key.removeprefix(OF_OPTION) if key.startswith(OF_OPTION) else key: value
        for key, value in pairs
    }


def changed_case(case: Case, today: str, measures: Sequence[Measure]) -> Case:
    """The case with the measures, and the calibration option in force alone. Raises CaseError as `with_changes`."""
    changes = changes_of(today, measures)
    changed = with_changes(case, changes) if changes else case
    name = option_in_force(today, measures)
    place = next(number for number, each in enumerate(case.calibrations) if each.name == name)
    return dataclasses.replace(changed, calibrations=(changed.calibrations[place],))


def is_option_alone(measure: Measure) -> bool:
    """Whether a measure is another calibration option and changes nothing but that."""
    own = (OF_OPTION, f"calibration.{measure.option}.")
    return measure.option is not None and all(key.startswith(own) for key, _ in measure.changes)


def case_of_options(case: Case, today: str, measures: Sequence[Measure], others: Sequence[Measure]) -> Case:
    """The case with some measures, and today's calibration beside those of other measures, in this order.

    others  each another calibration option (see `is_option_alone`), no two of the same one nor of today's; the
            measures that are not options apply to each
    Raises CaseError as `with_changes`.
    """
    names = [today, *(str(each.option) for each in others)]
    changes: dict[str, str] = {}
    for own in ([], *([each] for each in others)):
        changes |= changes_of(today, [*own, *measures])
    changed = with_changes(case, changes) if changes else case
    places = [next(k for k, each in enumerate(case.calibrations) if each.name == name) for name in names]
    return dataclasses.replace(changed, calibrations=tuple(changed.calibrations[k] for k in places))


def seconds_of(case: Case) -> float:
    """Seconds of the station for a unit, of the one option of a case."""
    station = nominal_element(case.elements["station"])
    return seconds_per_unit(case.calibrations[0], station, case.study.units_per_lot)


def is_timed(measure: Measure) -> bool:
    """Whether a measure may change the time of the calibration."""
    return measure.option is not None or any(key.startswith(_TIMED) for key, _ in measure.changes)
