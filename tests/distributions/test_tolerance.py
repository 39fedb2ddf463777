"""How stated tolerances are read."""

from __future__ import annotations

import math

import numpy as np
import pytest

from distributions import (
    Arcsine,
    HalfNormal,
    Normal,
    Rectangular,
    SelectedOut,
    Triangular,
    Truncated,
    coverage_factor,
    read_tolerance,
)


def test_limits_alone_are_rectangular() -> None:
    """Limits and nothing else give a rectangular distribution (GUM 4.3.7), unequal limits kept."""
    read = read_tolerance(-0.01, 0.01)
    assert read.distribution == Rectangular(-0.01, 0.01)
    assert "rectangular" in read.read_as and "GUM 4.3.7" in read.read_as
    assert read_tolerance(-0.02, 0.05).distribution == Rectangular(-0.02, 0.05)


@pytest.mark.parametrize(
    ("coverage", "sd"),
    [("2 sigma", 0.5), ("3 sigma", 1.0 / 3.0), ("1.5 sigma", 1.0 / 1.5), ("Cpk 1.33", 1.0 / 3.99)],
)
def test_a_stated_coverage_is_normal(coverage: str, sd: float) -> None:
    """k sigma sets sd = limit / k, Cpk c sets sd = limit / (3 c) (GUM 4.3.4)."""
    read = read_tolerance(-1.0, 1.0, coverage=coverage)
    assert isinstance(read.distribution, Normal)
    assert read.distribution.mean == 0.0
    assert read.distribution.sd == pytest.approx(sd)
    assert coverage in read.read_as and "GUM 4.3.4" in read.read_as


def test_unequal_limits_with_a_coverage_are_centred_and_say_so() -> None:
    """The centre is the middle of the limits, the sd half their distance over k."""
    read = read_tolerance(-1.0, 3.0, coverage="2 sigma")
    assert read.distribution == Normal(1.0, 1.0)
    assert "centred" in read.read_as


def test_screening_cuts_at_the_limits() -> None:
    """Screened parts have no value beyond the limits, and a smaller spread than without screening."""
    read = read_tolerance(-1.0, 1.0, coverage="2 sigma", screened=True)
    assert isinstance(read.distribution, Truncated)
    assert read.distribution.support == (-1.0, 1.0)
    assert read.distribution.sd < 0.5
    assert "screening" in read.read_as


def test_selected_out_grade_leaves_a_hole() -> None:
    """A tighter grade sorted out leaves no value within its limits; the reading says it has no source."""
    read = read_tolerance(-0.05, 0.05, selected_out=0.01)
    assert isinstance(read.distribution, SelectedOut)
    assert np.abs(read.distribution.ppf(np.linspace(0.001, 0.999, 999))).min() >= 0.01
    assert read.distribution.sd > Rectangular(-0.05, 0.05).sd
    assert "common practice, no source" in read.read_as


def test_named_shapes() -> None:
    """Triangular (mode at 0), arcsine and half-normal shapes keep the limits and name their source."""
    assert read_tolerance(-1.0, 2.0, shape="triangular").distribution == Triangular(-1.0, 2.0, 0.0)
    assert "GUM 4.3.9" in read_tolerance(-1.0, 1.0, shape="triangular").read_as
    assert read_tolerance(-1.0, 1.0, shape="arcsine").distribution == Arcsine(-1.0, 1.0)
    assert "JCGM 101" in read_tolerance(-1.0, 1.0, shape="arcsine").read_as
    assert read_tolerance(0.0, 1.0, shape="half-normal").distribution == HalfNormal(0.5)
    assert "no source" in read_tolerance(0.0, 1.0, shape="half-normal").read_as


def test_standard_deviations_of_one_tolerance_differ_by_reading() -> None:
    """One percent is 0.577 % rectangular, 0.408 % triangular, 0.707 % arcsine, 0.333 % at 3 sigma."""
    sds = [
        read_tolerance(-1.0, 1.0, **words).distribution.sd  # type: ignore[arg-type]
        for words in ({}, {"shape": "triangular"}, {"shape": "arcsine"}, {"coverage": "3 sigma"})
    ]
    np.testing.assert_allclose(sds, [1 / math.sqrt(3), 1 / math.sqrt(6), 1 / math.sqrt(2), 1 / 3])


@pytest.mark.parametrize(
    ("limits", "words", "message"),
    [
        ((0.1, 1.0), {}, "limits"),
        ((-1.0, math.inf), {}, "limits"),
        ((0.0, 0.0), {}, "limits"),
        ((-1.0, 1.0), {"shape": "square"}, "one of rectangular"),
        ((-1.0, 1.0), {"coverage": "2 sigmas"}, "such as '2 sigma'"),
        ((-1.0, 1.0), {"coverage": "0 sigma"}, "such as '2 sigma'"),
        ((-1.0, 1.0), {"coverage": "2 sigma", "shape": "arcsine"}, "absent where the shape is arcsine"),
        ((-1.0, 1.0), {"selected_out": 1.0}, "inside the limits"),
        ((-1.0, 1.0), {"shape": "half-normal"}, "minus = 0"),
    ],
)
def test_contradicting_words_are_refused(
    limits: tuple[float, float], words: dict[str, str], message: str
) -> None:
    """Limits on the wrong side, unknown words and words that contradict one another are errors."""
    with pytest.raises(ValueError, match=message):
        read_tolerance(*limits, **words)  # type: ignore[arg-type]


def test_coverage_factor_of_words() -> None:
    """'k sigma' gives k and 'Cpk c' gives 3 c."""
    assert coverage_factor("2.5 sigma") == 2.5
    assert coverage_factor("cpk 2") == 6.0
