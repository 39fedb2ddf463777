"""Latin hypercube and scrambled Sobol points: every property that is promised."""

from __future__ import annotations

import itertools
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import kstest, qmc

from distributions import Stream, points, unit_points
from distributions.points import LATIN_GROUP, PointKind, _reverse_bits, _reversed_directions, _scramble

KINDS: tuple[PointKind, ...] = ("random", "latin", "sobol")
NAMES = ("a", "b", "c", "d", "e")


@pytest.mark.parametrize("kind", KINDS)
@given(start=st.integers(0, 2**31), count=st.integers(0, 5000), cut=st.integers(0, 5000))
@settings(max_examples=20, deadline=None)
def test_any_cut_gives_the_same_points(kind: PointKind, start: int, count: int, cut: int) -> None:
    """Points depend on their index alone, whatever the start and the number asked for at once."""
    cut, stream = min(cut, count), Stream(2)
    whole = unit_points(kind, stream, NAMES, start, count)
    first = unit_points(kind, stream, NAMES, start, cut)
    second = unit_points(kind, stream, NAMES, start + cut, count - cut)
    np.testing.assert_array_equal(whole, np.concatenate([first, second], axis=1))


@pytest.mark.parametrize("kind", KINDS)
def test_points_are_uniform_inside_the_open_interval(kind: PointKind) -> None:
    """Each coordinate is uniform over independent replicates, and neither end occurs."""
    points = np.array([unit_points(kind, Stream(4), NAMES, 5, 1, replicate=r)[:, 0] for r in range(1000)])
    assert points.min() > 0.0 and points.max() < 1.0
    for column in points.T:
        assert kstest(column, "uniform").pvalue > 1e-3
    assert np.abs(np.corrcoef(points.T) - np.eye(len(NAMES))).max() < 4.5 / np.sqrt(1000)


@pytest.mark.parametrize("kind", KINDS)
def test_a_name_added_at_the_end_leaves_the_other_points_as_they_were(kind: PointKind) -> None:
    """The points of the first names are the same to the bit with one more name."""
    np.testing.assert_array_equal(
        unit_points(kind, Stream(1), (*NAMES, "new"), 100, 50)[:-1],
        unit_points(kind, Stream(1), NAMES, 100, 50),
    )


def test_random_points_are_the_streams_themselves() -> None:
    """Kind 'random' gives the draws of each name's stream."""
    np.testing.assert_array_equal(
        unit_points("random", Stream(9), ("x", "y"), 3, 10, 2)[1], Stream(9).uniforms("y", 3, 10, 2)
    )


def test_latin_groups_hold_one_point_in_each_stratum() -> None:
    """Each group of 1024 consecutive points has exactly one in every stratum, for every name."""
    points = unit_points("latin", Stream(6), NAMES, 3 * LATIN_GROUP, 40 * LATIN_GROUP)
    strata = np.floor(points * LATIN_GROUP).astype(int).reshape(len(NAMES), 40, LATIN_GROUP)
    np.testing.assert_array_equal(
        np.sort(strata, axis=2), np.broadcast_to(np.arange(LATIN_GROUP), strata.shape)
    )


def test_latin_groups_names_and_replicates_are_permuted_differently() -> None:
    """Permutations are not shared between groups, names or replicates."""
    points = unit_points("latin", Stream(6), ("a", "b"), 0, 2 * LATIN_GROUP)
    again = unit_points("latin", Stream(6), ("a", "b"), 0, 2 * LATIN_GROUP, replicate=1)
    rows = np.concatenate([points.reshape(4, LATIN_GROUP), again.reshape(4, LATIN_GROUP)])
    assert np.abs(np.corrcoef(rows) - np.eye(8)).max() < 4.5 / np.sqrt(LATIN_GROUP)


def test_sobol_points_without_scrambling_are_those_of_scipy() -> None:
    """The set of the first 1024 unscrambled points equals that of scipy's public generator."""
    directions = _reverse_bits(_reversed_directions(6)).astype(np.uint64)
    index = np.arange(1024, dtype=np.uint64)
    own = np.zeros((6, 1024), dtype=np.uint64)
    for bit in range(10):
        own ^= ((index >> np.uint64(bit)) & np.uint64(1)) * directions[:, bit : bit + 1]
    gray = np.argsort(index ^ (index >> np.uint64(1)))
    reference = qmc.Sobol(6, scramble=False, bits=32).random(1024)
    np.testing.assert_array_equal(own.T * 2.0**-32, reference[gray])


@pytest.mark.parametrize("start", [0, 2**10, 5 * 2**10])
def test_sobol_points_keep_the_balance_of_a_net(start: int) -> None:
    """1024 aligned points fill all strata of each name and all elementary boxes of the first two."""
    points = unit_points("sobol", Stream(8), NAMES, start, 2**10)
    for row in points:
        np.testing.assert_array_equal(np.sort(np.floor(row * 2**10)), np.arange(2**10))
    for k in range(11):  # a (0, 10, 2)-net in base 2: one point in each box of 2^-k by 2^-(10 - k)
        boxes = np.floor(points[0] * 2**k) * 2 ** (10 - k) + np.floor(points[1] * 2 ** (10 - k))
        np.testing.assert_array_equal(np.sort(boxes), np.arange(2**10))


def test_scrambling_is_nested() -> None:
    """Points that agree in their leading k bits agree in just these after scrambling (Owen, 1995)."""
    rng = np.random.default_rng(1)
    first = rng.integers(0, 2**32, 5000, dtype=np.uint64).astype(np.uint32)
    second = first ^ (np.uint32(1) << rng.integers(0, 32, 5000).astype(np.uint32))
    keys = Stream(1).words("k", 2).view(np.uint32)
    after = [_reverse_bits(_scramble(_reverse_bits(p), keys)) for p in (first, second)]
    before_bits = np.floor(np.log2(first ^ second))
    np.testing.assert_array_equal(np.floor(np.log2(after[0] ^ after[1])), before_bits)


def test_scrambling_flips_are_fair_and_not_correlated() -> None:
    """Over keys, the flips at all 63 nodes of the first six bits are fair and uncorrelated in pairs."""
    bits, keys = 6, 2000
    points = np.arange(2**bits, dtype=np.uint32) << np.uint32(32 - bits)
    flips = []
    for key in range(keys):
        scrambled = _reverse_bits(
            _scramble(_reverse_bits(points), Stream(1).words("k", 2, key).view(np.uint32))
        )
        changed = scrambled ^ points
        nodes = [(changed[:: 2 ** (bits - depth)] >> np.uint32(31 - depth)) & 1 for depth in range(bits)]
        flips.append(np.concatenate(nodes))
    table = np.array(flips, dtype=np.float64)
    assert np.abs(table.mean(axis=0) - 0.5).max() < 0.5 * 4.5 / np.sqrt(keys)
    assert np.abs(np.corrcoef(table.T) - np.eye(63)).max() < 5.0 / np.sqrt(keys)


def test_scrambled_sobol_points_converge_faster_than_random_ones() -> None:
    """Over replicates the mean of a smooth function is unbiased and far less scattered."""
    names = NAMES[:3]

    def means(kind: PointKind, count: int) -> np.ndarray:
        return np.array(
            [
                np.prod(1.0 + (unit_points(kind, Stream(3), names, 0, count, r) - 0.5), axis=0).mean()
                for r in range(100)
            ]
        )

    sobol, random = means("sobol", 1024), means("random", 1024)
    assert abs(sobol.mean() - 1.0) < 4.5 * sobol.std() / 10.0
    assert sobol.std() < random.std() / 20.0
    assert means("sobol", 4096).std() < sobol.std() / 4.0  # faster than 1 / n


def test_replicates_and_seeds_give_different_scramblings() -> None:
    """The first points of different replicates and seeds all differ."""
    sets = [
        unit_points("sobol", Stream(seed), ("a",), 0, 1000, r)[0]
        for seed, r in itertools.product((1, 2, 3), (0, 1))
    ]
    assert len({float(s[0]) for s in sets}) == len(sets)


@pytest.mark.parametrize(
    ("kind", "names", "start", "words"),
    [
        ("halton", ("a",), 0, "'random', 'latin' or 'sobol'"),
        ("sobol", ("a", "a"), 0, "different from one another"),
        ("latin", ("a",), -1, "at least 0"),
        ("sobol", ("a",), 2**32, "at most 2"),
    ],
)
def test_requests_that_cannot_be_met_are_refused(
    kind: str, names: tuple[str, ...], start: int, words: str
) -> None:
    """An unknown kind, a repeated name, a negative index and an index beyond the last are errors."""
    with pytest.raises(ValueError, match=words):
        unit_points(kind, Stream(1), names, start, 10)  # type: ignore[arg-type]


def test_direction_numbers_are_made_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many threads ask first, one makes the direction numbers; all get those of the library's generator."""
    made: list[int] = []
    make = points._made_directions

    def counted(least: int) -> NDArray[np.uint32]:
        made.append(least)
        time.sleep(0.01)
        return make(least)

    monkeypatch.setattr(points, "_directions", np.empty((0, 32), dtype=np.uint32))
    monkeypatch.setattr(points, "_made_directions", counted)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda d: _reversed_directions(d), [90, 3, 12, 90, 40, 7, 1, 64]))
    assert len(made) == 1
    wanted = _reverse_bits(np.asarray(qmc.Sobol(90, scramble=False, bits=32)._sv, dtype=np.uint32))
    for each in found:
        np.testing.assert_array_equal(each, wanted[: len(each)])
    points.make_directions(600)
    assert made[1:] == [600]


def test_more_dimensions_than_there_are_is_refused() -> None:
    """Joe and Kuo, 2008, give direction numbers of 21201 dimensions; one more is refused."""
    assert len(_reversed_directions(21201)) == 21201
    with pytest.raises(ValueError, match="at most 21201 for sobol"):
        points.make_directions(21202)
