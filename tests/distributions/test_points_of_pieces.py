"""Points of several sections made together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from distributions import Stream, points_of_pieces, unit_points
from distributions.points import PointKind

NAMES = ("a", "b", "c")


@settings(max_examples=40, deadline=None)
@given(
    kind=st.sampled_from(["random", "latin", "sobol"]),
    pieces=st.lists(
        st.tuples(st.sampled_from([0, 1, 700, 5000]), st.integers(0, 6000), st.integers(0, 4)), max_size=5
    ),
)
def test_pieces_are_the_points_of_each(kind: PointKind, pieces: list[tuple[int, int, int]]) -> None:
    """Points of several pieces are those of each piece alone, one behind the other."""
    found = points_of_pieces(kind, Stream(5), NAMES, pieces, skipped=2)
    alone = [unit_points(kind, Stream(5), NAMES, *piece, skipped=2) for piece in pieces]
    np.testing.assert_array_equal(found, np.concatenate([np.empty((3, 0)), *alone], axis=1))


def test_a_piece_beyond_the_last_point_is_refused() -> None:
    """Each of the pieces must lie inside the sequence."""
    with pytest.raises(ValueError, match="at most 2"):
        points_of_pieces("sobol", Stream(5), NAMES, [(0, 5, 0), (2**32, 1, 1)])
