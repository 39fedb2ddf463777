"""Rounds of a redrawn study: pieces, sums of parts, when it ends, the same result for any workers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from analytic_functions import ishigami
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from redrawn_functions import RedrawnFunction, study_of
from scipy.special import ndtri

from margin.estimates.sensitivity.redraw_sums import RedrawSums, pieces
from margin.estimates.sensitivity.rounds import REPLICATES, Refined, Study, refine
from margin.propagation.threads import in_threads

Array = NDArray[np.float64]


@pytest.mark.parametrize("workers", [2, 3])
@pytest.mark.parametrize("second_order", [False, True])
def test_results_are_the_same_to_the_bit_for_any_workers(workers: int, second_order: bool) -> None:
    """Pieces follow from the study alone and are added in their order."""
    study = study_of(3, 3000, second_order=second_order, largest=256)
    outputs = RedrawnFunction(ishigami, 3, 5, second_order)
    one = refine(study, outputs)
    other = refine(study, outputs, lambda work, tasks: in_threads(work, tasks, workers))
    for name in ("main", "total", "main_sum", "excess"):
        for end in ("value", "low", "high"):
            assert np.array_equal(
                getattr(getattr(one.effects, name), end), getattr(getattr(other.effects, name), end)
            )
    assert (one.runs, one.widest, one.more) == (other.runs, other.widest, other.more)


@given(st.integers(1, 400), st.integers(1, 300), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_pieces_hold_every_unit_once(each: int, size: int, start: int) -> None:
    """Pieces follow each other, give every replicate as many units, and hold few units beyond the size asked for."""
    cut = list(pieces(start, each, REPLICATES, size))
    assert [piece.start for piece in cut[1:]] == [piece.start + piece.count for piece in cut[:-1]]
    units = np.zeros(REPLICATES, dtype=int)
    for piece in cut:
        units[piece.first : piece.first + piece.replicates] += piece.count // piece.replicates
        assert piece.count % piece.replicates == 0
        assert piece.count <= max(size, each if each < size else 0)
    assert cut[0].start == start
    assert np.all(units == each)


@given(st.lists(st.integers(1, 40), min_size=1, max_size=5), st.floats(-1e6, 1e6))
@settings(max_examples=40, deadline=None)
def test_sums_of_parts_are_those_of_the_whole(counts: list[int], offset: float) -> None:
    """Mean, squares and squared differences of units taken in parts are those of all of them, with any offset."""
    rng = np.random.default_rng(sum(counts))
    whole = [rng.normal(size=(sum(counts), 2)) + offset for _ in range(4)]
    joined = RedrawSums.empty(1, 2, 2)
    first = 0
    for count in counts:
        joined.add(0, RedrawSums.of([each[first : first + count] for each in whole], 1, 2))
        first += count
    for matrix, each in enumerate(whole):
        assert joined.mean[0, matrix] == pytest.approx(each.mean(axis=0), abs=1e-9 * (1.0 + abs(offset)))
        assert joined.square[0, matrix] == pytest.approx(len(each) * each.var(axis=0), rel=1e-6, abs=1e-9)
        assert joined.from_a[0, matrix] == pytest.approx(((each - whole[0]) ** 2).sum(axis=0))
        assert joined.from_b[0, matrix] == pytest.approx(((each - whole[1]) ** 2).sum(axis=0))
    assert joined.units == sum(counts)


def test_rounds_double_and_end_at_the_width_or_the_budget() -> None:
    """Rounds about double up to all that the budget buys; narrow intervals end them; else what is missing is told,
    and that many evaluations bring it."""
    study = study_of(3, 4096, width=0.05)
    assert study.rounds() == [16, 32, 64, 128]
    assert Study(("a",), ("y",), 3 * 32 * 23).rounds() == [11, 23]

    def run(**asked: Any) -> Refined:
        return refine(study_of(3, 1024, **asked), RedrawnFunction(ishigami, 3))

    easy, hard = run(width=0.5), run(width=0.05)
    assert (easy.stopped_by, easy.more, easy.runs) == ("width", 0, 5 * 512)
    assert (hard.stopped_by, hard.runs) == ("budget", 5 * 1024)
    assert hard.widest > 0.05
    later = refine(study_of(3, (hard.runs + hard.more) // 5, width=0.05), RedrawnFunction(ishigami, 3))
    assert later.widest < 0.06


def test_only_the_leading_causes_decide() -> None:
    """Eleven causes: the widest interval is that of the ten with the largest total effect, of deciding outputs."""

    def both(uniforms: Array) -> Array:
        normal = ndtri(uniforms)
        return np.stack([normal.sum(axis=1), normal[:, 0] * normal[:, 1]], axis=1)

    groups = tuple(f"x{number}" for number in range(11))
    study = Study(groups, ("sum", "product"), 13 * 512, 1e-9, deciding=(0,))
    found = refine(study, RedrawnFunction(both, 11))
    leading = np.argsort(-found.effects.total.value[:, 0])[:10]
    widths = [each.width[leading, 0].max() for each in (found.effects.main, found.effects.total)]
    assert found.widest == max(widths)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"width": 0.0}, "full width"),
        ({"level": 1.0}, "level is 1.0"),
        ({"runs": 159}, "need 160 at least"),
    ],
)
def test_bad_studies_are_refused(asked: dict[str, Any], message: str) -> None:
    """A width of nothing, an impossible level and a budget below a unit for each replicate have one clear message."""
    with pytest.raises(ValueError, match=message):
        refine(study_of(3, 100, **asked), RedrawnFunction(ishigami, 3))
