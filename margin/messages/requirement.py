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
            parts.append(f"{numbers.percent(share, of)} ({numbers.plain(share * load, 'N')})")
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


def requirement_lines(case: Case) -> tuple[tuple[str, str], ...]:
    """The requirement as labels and texts: who, how many, how large an error, over which loads."""
    requirement = case.requirement
    low, high = numbers.stated_range(case.load_low, case.load_high, "N")
    return (
        (
            "Required",
            f"at least {numbers.percent(requirement.target)} of {counted_in_words(requirement)} over "
            f"{case.judged_on}",
        ),
        (
            "Permissible error",
            f"{permissible_in_words(requirement, case.span)}; load {low} to {high}",
        ),
    )


def requirement_in_words(case: Case) -> tuple[str, ...]:
    """The requirement as sentences."""
    return tuple(f"{label}: {text}." for label, text in requirement_lines(case))
