"""Verdicts on three ranges: a table of invented widths, and laws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from margin.estimates.worst_case.verdict import (
    AGREE,
    BELOW_ROUNDING,
    NOTHING,
    RARE,
    SEARCH_FAILED,
    SHORT,
    TOLERANCE,
    Range,
    Ranges,
    fit,
)

DRAWN = Range(-1.0, 1.0)
WIDE = Range(-9.0, 9.0)


def about(centre: float, half: float) -> Range:
    return Range.about(centre, half)


FITS = [
    ("alike", DRAWN, "agrees"),
    ("a little wider", about(0.0, 1.15), "agrees"),
    ("a little aside", about(0.15, 1.0), "agrees"),
    ("a little of both", about(0.1, 1.15), "too wide"),
    ("more aside than wide", about(0.15, 1.12), "off centre"),
    ("more aside than narrow", about(-0.15, 0.88), "off centre"),
    ("more narrow than aside", about(-0.12, 0.86), "too narrow"),
    ("narrow", about(0.0, 0.5), "too narrow"),
    ("narrow, zero excluded", about(0.5, 0.08), "too narrow"),
    ("zero width inside", about(0.2, 0.0), "too narrow"),
    ("zero width at an end", about(1.0, 0.0), "too narrow"),
    ("wide", about(0.0, 1.73), "too wide"),
    ("wide and aside", about(1.0, 2.0), "too wide"),
    ("off centre", about(0.6, 1.0), "off centre"),
    ("beside the draws", about(2.5, 1.0), "outside the Monte Carlo range"),
    ("beside the draws, narrow", about(-1.5, 0.1), "outside the Monte Carlo range"),
    ("touching the draws", about(2.1, 1.0), "off centre"),
]


@pytest.mark.parametrize(("summed", "expected"), [f[1:] for f in FITS], ids=[f[0] for f in FITS])
def test_fit_of_one_range(summed: Range, expected: str) -> None:
    """A root sum square is described by what makes it miss the draws, whatever the scale and the offset."""
    assert fit(summed, DRAWN) == expected
    moved = [Range(7.0 + 1e-3 * r.low, 7.0 + 1e-3 * r.high) for r in (summed, DRAWN)]
    assert fit(*moved) == expected


ZERO = Range(0.25, 0.25)
VERDICTS = [
    ("all alike", Ranges(DRAWN, DRAWN, DRAWN, DRAWN), AGREE),
    ("extreme value pessimistic", Ranges(DRAWN, DRAWN, DRAWN, WIDE), AGREE),
    ("nothing varies", Ranges(ZERO, ZERO, ZERO, ZERO), NOTHING),
    (
        "nothing varies but for rounding noise",
        Ranges(Range(7.0, 7.0 + 1e-15), *(3 * [Range(7.0, 7.0)])),
        NOTHING,
    ),
    ("draws of zero width", Ranges(ZERO, DRAWN, DRAWN, DRAWN), RARE),
    ("draws and sums of zero width", Ranges(ZERO, ZERO, ZERO, DRAWN), RARE),
    ("rounding alone", Ranges(ZERO, DRAWN, DRAWN, ZERO), BELOW_ROUNDING),
    ("rounding of the second order alone", Ranges(ZERO, ZERO, DRAWN, ZERO), BELOW_ROUNDING),
    (
        "first order narrow",
        Ranges(DRAWN, about(0.0, 0.3), DRAWN, WIDE),
        "root sum square too narrow; with second order it agrees",
    ),
    (
        "first order zero, second off centre",
        Ranges(DRAWN, about(1.0, 0.0), about(0.5, 1.0), WIDE),
        "root sum square too narrow; with second order off centre",
    ),
    (
        "both wide",
        Ranges(DRAWN, about(0.0, 1.7), about(0.0, 1.8), WIDE),
        "root sum square too wide, with second order as well",
    ),
    (
        "second order narrow, zero excluded",
        Ranges(DRAWN, DRAWN, about(0.5, 0.08), WIDE),
        "root sum square with second order too narrow; with first order alone it agrees",
    ),
    (
        "both excluded",
        Ranges(DRAWN, about(4.0, 1.0), about(4.0, 1.0), WIDE),
        "root sum square outside the Monte Carlo range, with second order as well",
    ),
    ("search failed", Ranges(DRAWN, DRAWN, DRAWN, about(0.0, 0.5)), SEARCH_FAILED),
    ("search failed at one end", Ranges(DRAWN, DRAWN, DRAWN, Range(-9.0, 0.5)), SEARCH_FAILED),
    ("search failed, nothing found", Ranges(DRAWN, DRAWN, DRAWN, ZERO), SEARCH_FAILED),
    (
        "search failed and sums off centre",
        Ranges(DRAWN, about(0.6, 1.0), DRAWN, about(0.0, 0.8)),
        f"{SEARCH_FAILED}; root sum square off centre; with second order it agrees",
    ),
]


@pytest.mark.parametrize(("ranges", "expected"), [v[1:] for v in VERDICTS], ids=[v[0] for v in VERDICTS])
def test_verdict_on_three_ranges(ranges: Ranges, expected: str) -> None:
    """The verdict follows from the ranges alone."""
    assert ranges.verdict() == expected


ends = st.floats(-5.0, 5.0)
some_range = st.tuples(ends, ends).map(lambda pair: Range(min(pair), max(pair)))


@given(some_range, some_range, some_range, some_range)
def test_agreement_needs_every_end(drawn: Range, first: Range, second: Range, extreme: Range) -> None:
    """'Agree' is said exactly where draws vary, no end of either root sum square misses that of the draws by more
    than the tolerance, and no extreme value falls short of them."""
    ranges = Ranges(drawn, first, second, extreme)
    half = 0.5 * (drawn.high - drawn.low)
    miss = max(abs(r.low - drawn.low) for r in (first, second))
    miss = max(miss, *(abs(r.high - drawn.high) for r in (first, second)))
    short = max(extreme.low - drawn.low, drawn.high - extreme.high)
    agree = not ranges.still and miss <= TOLERANCE * half and short <= SHORT * half
    assert (ranges.verdict() == AGREE) == agree


@given(some_range, some_range, some_range, some_range)
def test_the_mirror_image_has_the_same_verdict(
    drawn: Range, first: Range, second: Range, extreme: Range
) -> None:
    """Errors of the other sign have the same verdict."""
    mirrored = [Range(-r.high, -r.low) for r in (drawn, first, second, extreme)]
    assert Ranges(*mirrored).verdict() == Ranges(drawn, first, second, extreme).verdict()


def test_ratios_of_half_widths() -> None:
    """Ratios are those of the half widths, 1 where nothing varies and infinite where the draws alone do not."""
    ranges = Ranges(DRAWN, about(3.0, 0.5), DRAWN, about(0.0, 2.5))
    assert ranges.rss_over_drawn == 0.5
    assert ranges.extreme_over_drawn == 2.5
    assert Ranges(ZERO, DRAWN, DRAWN, ZERO).rss_over_drawn == math.inf
    assert Ranges(ZERO, DRAWN, DRAWN, ZERO).extreme_over_drawn == 1.0
