"""Findings of a finished study, in the order in which a reader wants them."""

from __future__ import annotations

from collections.abc import Iterator

from margin.case.types import Case
from margin.chain.interface import DirectInterface
from margin.estimates.assumptions import Weighed, by_weight, cancelling
from margin.estimates.finding import Finding, Number
from margin.estimates.headline import headline
from margin.estimates.next_step import next_step
from margin.estimates.results import DesignCheck, Results


def findings_of(results: Results) -> tuple[Finding, ...]:
    """Recommendation, what stands in its way, verdict, next step, design checks, what cancels, what is ideal,
    assumptions, cautions, and how the numbers came about."""
    return (
        results.recommendation.reason,
        *results.recommendation.obstacles,
        headline(results),
        next_step(results),
        *map(of_check, results.checks),
        *of_cancelling(results),
        *ideal_parts(results.case),
        *map(of_assumption, by_weight(results)),
        *(Finding("default", values={"text": text}) for text in results.case.defaults),
        *(Finding("caution", values={"text": text}) for text in results.cautions),
        computed(results),
    )


def of_assumption(weighed: Weighed) -> Finding:
    """An assumption with the change of the error where its spread is frozen; None where that is not resolved."""
    change = Number(weighed.change_N, unit="N") if weighed.resolved else None
    return Finding(
        "assumption",
        weighed.assumption.quantity or "",
        {"text": weighed.assumption.text, "level": weighed.assumption.level, "change": change},
    )


def of_check(check: DesignCheck) -> Finding:
    """One design check with its value, limit and margin."""
    values = {
        "value": Number(check.value, unit=check.unit),
        "limit": None if check.limit is None else Number(check.limit, unit=check.unit),
        "margin": None if check.margin is None else Number(check.margin, unit="share"),
        "verdict": check.verdict,
        "note": check.note,
    }
    return Finding("design check", check.name, values)


def of_cancelling(results: Results) -> Iterator[Finding]:
    """Causes that a ratiometric converter takes out."""
    names = cancelling(results)
    if names:
        yield Finding("cancelled", "circuit.reference", {"causes": list(names)})


def ideal_parts(case: Case) -> Iterator[Finding]:
    """Parts of the chain that the case leaves out and that are taken as ideal."""
    converter, interface = case.elements.get("converter"), case.elements.get("interface")
    if converter is not None and converter.options.get("bits") == 0:
        yield Finding("ideal part", "converter")
    if interface is not None and interface.kind == DirectInterface.kind:
        yield Finding("ideal part", "interface")


def computed(results: Results) -> Finding:
    """How the numbers came about."""
    values = {
        "confidence": Number(results.case.requirement.confidence, unit="share"),
        "units": results.units,
        "asked": results.case.study.units,
        "lots": results.lots,
        "outer": results.outer,
        "looks": results.looks,
        "seed": results.seed,
        "version": results.version,
        "path": results.path,
        "uncompiled": results.uncompiled,
    }
    return Finding("computed", values=values)
