"""The requirement of a case in words: who conforms, within which error, over which loads."""

from __future__ import annotations

from margin.case.types import Case, Requirement
from margin.estimates import numbers


def permissible_in_words(requirement: Requirement, span: float) -> str:
    """The maximum permissible error (JCGM 200, 4.26) with what each percentage refers to."""
    parts = []
    if requirement.reading > 0.0:
        parts.append(numbers.percent(requirement.reading, "reading"))
    for share, load, of in (
        (requirement.span, span, "span"),
        (requirement.full_scale, requirement.full_scale_load, "full scale"),
        (requirement.rated, requirement.rated_load, "rated load"),
    ):
        if share > 0.0:
            limit = numbers.plain(share * load, "N", scale=numbers.scale_for([load], "N"))
            parts.append(f"{numbers.percent(share, of)} ({limit})")
    if requirement.absolute > 0.0:
        parts.append(numbers.plain(requirement.absolute, "N"))
    if len(parts) == 1:
        return parts[0]
    return f"{'larger' if requirement.combine == 'larger' else 'sum'} of {' and '.join(parts)}"


def counted_in_words(requirement: Requirement) -> str:
    """Who must keep the permissible error."""
    share = numbers.percent(requirement.share)
    return {
        "units at every check point": "units within at every check point",
        "units by share of readings": f"units with at least {share} of their readings within",
        "readings": "readings within",
    }[requirement.counts]


def requirement_in_words(case: Case) -> tuple[str, ...]:
    """The requirement: who, how many, how large an error, over which loads."""
    requirement = case.requirement
    scale = numbers.scale_for([case.load_high], "N")
    low = numbers.plain(case.load_low, scale=numbers.Scale(scale.factor, ""))
    loads = f"{low} to {numbers.plain(case.load_high, scale=scale)}"
    return (
        f"Required: at least {numbers.percent(requirement.target)} of {counted_in_words(requirement)} over "
        f"{case.judged_on}.",
        f"Permissible error: {permissible_in_words(requirement, case.span)}; load {loads}.",
    )
