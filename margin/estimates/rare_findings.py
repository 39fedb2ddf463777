"""Findings on rare failures: how rarely a unit fails, how that is known, and which unit fails first."""

from __future__ import annotations

from collections.abc import Iterator

from margin.estimates.failing_unit import FailingUnit
from margin.estimates.finding import Finding, Number
from margin.estimates.rare_failures import RareFailures


def findings_of_rare(found: RareFailures) -> tuple[Finding, ...]:
    """Failure probability, method, cross-check, warnings, failing unit and its factors, what is drawn, how computed."""
    return (
        failure_probability(found),
        method(found),
        *cross_check(found),
        *warnings(found),
        failing_unit(found.unit),
        *failing_factors(found.unit),
        Finding("epistemic uncertainty drawn for every unit"),
        computed(found),
    )


def failure_probability(found: RareFailures) -> Finding:
    """The probability with its interval, and the share of units that the requirement permits to fail."""
    result, need = found.result, found.case.requirement
    values = {
        "probability": Number(result.probability, result.low, result.high, "share"),
        "level": Number(result.level, unit="share"),
        "permitted": Number(1.0 - need.target, unit="share"),
    }
    return Finding("failure probability", found.option, values)


def method(found: RareFailures) -> Finding:
    """How the probability was estimated, with how many units, and why so."""
    result = found.result
    values = {
        "method": result.method,
        "evaluations": result.evaluations,
        "searched": found.searched,
        "why": result.why,
        "coefficient_of_variation": Number(result.coefficient_of_variation),
        "effective_samples": Number(result.effective_samples),
        "distances": [Number(point.beta, unit="sd") for point in result.design_points],
    }
    return Finding("method of a probability", found.option, values)


def cross_check(found: RareFailures) -> Iterator[Finding]:
    """The search for missed failing regions, where the method needs one."""
    check = found.result.cross_check
    if check is not None:
        yield Finding("cross-check of a probability", found.option, vars(check))


def warnings(found: RareFailures) -> Iterator[Finding]:
    """What speaks against trusting the probability."""
    for text in found.result.warnings:
        yield Finding("warning", found.option, {"text": text})


def failing_unit(unit: FailingUnit | None) -> Finding:
    """The most probable failing unit: where it fails, by how much, and how far it is from the median unit."""
    if unit is None:
        return Finding("no failing unit")
    values = {
        "load": Number(unit.load, unit="N"),
        "error": Number(unit.error, unit="N"),
        "permissible": Number(unit.permissible, unit="N"),
        "distance": Number(unit.distance, unit="sd"),
    }
    return Finding("most probable failing unit", unit.condition, values)


def failing_factors(unit: FailingUnit | None) -> Iterator[Finding]:
    """What makes that unit fail, the factor furthest from its median first."""
    if unit is None:
        return
    for row in unit.parts.to_dict("records"):
        relative = bool(row["relative"])
        deviation = Number(float(row["deviation"]), unit="share" if relative else "SI")
        values = {
            "where": str(row["where"]),
            "value": str(row["value"]),
            "score": Number(float(row["score"]), unit="sd"),
            "deviation": deviation,
        }
        yield Finding("factor of the failing unit", str(row["factor"]), values)


def computed(found: RareFailures) -> Finding:
    """What a run needs to give the same numbers again."""
    values = {
        "seed": found.case.study.seed,
        "budget": found.budget,
        "target_cv": found.target_cv,
        "version": found.version,
    }
    return Finding("computed rare failures", found.option, values)
