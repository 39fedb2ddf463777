"""The calibration plan of a case: searched, promised on fresh draws, with the reference that it needs."""

from __future__ import annotations

import math

from distributions.errors import InvalidArgument
from margin.case.types import Case
from margin.design.calibration_plan.candidates import can_correct, thermometers
from margin.design.calibration_plan.front import in_order
from margin.design.calibration_plan.paste import command_for, text_of
from margin.design.calibration_plan.promise import (
    PROMISE_UNITS,
    chosen_of,
    confirmed,
    joint_confidence,
    promised,
)
from margin.design.calibration_plan.reference import reference_need
from margin.design.calibration_plan.result import CalibrationPlan
from margin.design.calibration_plan.search import search
from margin.estimates.evaluate import require_enough_units
from margin.estimates.stages import Stage, no_progress
from margin.version import version

LEAST_UNITS, MOST_UNITS = 100, 100_000_000


def calibration_plan(
    case: Case,
    *,
    seconds: float | None = None,
    thermometer: bool | None = None,
    units: int = PROMISE_UNITS,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> CalibrationPlan:
    """The quickest calibration with which a case conforms, and what yield other times would bring.

    seconds      longest time on the station, s a unit; None for any
    thermometer  True or False: with a temperature correction in firmware, or without; None tries both
    units        most units drawn for the promised yields

    Raises InvalidArgument for arguments that no plan can meet, EvaluationError where the chain gives no number.
    """
    require_arguments(case, seconds, thermometer, units)
    require_enough_units(case)
    corrections = thermometers(case, thermometer)
    found = search(case, corrections, most_seconds=seconds, workers=workers, stage=stage)
    finalists = [each.candidate for each in in_order(each for front in found.fronts for each in front)]
    drawn = promised(case, finalists, units=min(units, case.study.units), workers=workers, stage=stage)
    plans, unconfirmed = confirmed(drawn)
    chosen = chosen_of(plans)
    confidence = joint_confidence(case.requirement.confidence, len(finalists))
    need = reference_need(case, chosen, case.requirement.confidence, workers=workers, stage=stage)
    return CalibrationPlan(
        case=case,
        plans=plans,
        unconfirmed=unconfirmed,
        chosen=chosen,
        most_seconds=seconds,
        corrections=corrections,
        candidates=found.candidates,
        search_units=found.search_units,
        choice_units=found.choice_units,
        confidence=confidence,
        need=need,
        text=text_of(case, chosen),
        command=command_for(case, chosen),
        version=version(),
    )


def require_arguments(case: Case, seconds: float | None, thermometer: bool | None, units: int) -> None:
    """InvalidArgument for a time, number of units or thermometer that no plan can meet."""
    if seconds is not None:
        if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not math.isfinite(seconds):
            raise InvalidArgument(f"seconds = {seconds!r} is not a time: give seconds a unit, such as 40")
        if seconds < 0.0:
            raise InvalidArgument(
                f"seconds = {seconds!r} lies below 0: give the time allowed for a unit, such as 40"
            )
    if thermometer not in (None, True, False):
        raise InvalidArgument(
            f"thermometer = {thermometer!r}: give True (with one), False (without) or None (both tried)"
        )
    if thermometer and not can_correct(case):
        raise InvalidArgument(
            "thermometer = True, but nothing in this case varies with temperature: a correction has nothing to "
            "correct; leave the argument out"
        )
    if isinstance(units, bool) or not isinstance(units, int) or not LEAST_UNITS <= units <= MOST_UNITS:
        raise InvalidArgument(
            f"units = {units!r}: give a whole number of units from {LEAST_UNITS} to {MOST_UNITS}"
        )
