"""Uniforms by index for what is drawn once an outer draw, once a lot or once a unit.

Better points (Latin hypercube, scrambled Sobol) are scrambled apart in each section of a study: sections are then
independent repetitions, so that the scatter between them is an honest interval of any statistic (Owen, 1995).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from distributions import Stream, points_of_pieces
from distributions.points import make_directions
from margin.propagation.factors import Factor

Array = NDArray[np.float64]
Instance = Literal["outer", "lot", "unit"]
Kind = Literal["random", "latin", "sobol"]

ROOM = 32
"""Each instance begins at a multiple of so many dimensions: they share none, and a unit's stay where they are when
more is drawn once a lot or an outer draw."""


def dimensions(
    factors: Iterable[Factor], together: Iterable[tuple[Factor, ...]] = ()
) -> dict[Instance, tuple[str, ...]]:
    """Names of what is drawn once an instance, in the order of their Sobol dimensions.

    together  sets of factors that were measured on the same few units

    Factors of the sensor come first in each, so that another interface or circuit meets the same sensors.
    """
    ordered = sorted(factors, key=lambda f: f.role != "sensor")
    outer = [f.name for f in ordered if f.level in ("common", "station")]
    for factor in ordered:
        if factor.measured_on is not None:
            outer += [f"{factor.knowledge_stream}: spread", f"{factor.knowledge_stream}: mean"]
    for group in together:
        known = [f.knowledge_stream for f in group]
        outer += [f"{name}: with {before}" for i, name in enumerate(known) for before in known[:i]]
    return {
        "unit": tuple(f.name for level in ("unit", "mounting") for f in ordered if f.level == level),
        "lot": tuple(f.name for f in ordered if f.level == "lot"),
        "outer": tuple(dict.fromkeys(outer)),
    }


def make_points_ready(kind: Kind, named: Mapping[Instance, tuple[str, ...]]) -> None:
    """Make what points of these names are computed from, before threads ask for them. named: see `dimensions`"""
    if kind == "sobol":
        make_directions(_room(named.values()))


def _room(groups: Iterable[tuple[str, ...]]) -> int:
    """Sobol dimensions that groups of names take up."""
    return sum(-(-len(names) // ROOM) * ROOM for names in groups)


def points_in_sections(
    kind: Kind,
    stream: Stream,
    named: Mapping[Instance, tuple[str, ...]],
    instance: Instance,
    starts: NDArray[np.int64],
    first: int,
    count: int,
) -> Array:
    """Points of instances `first` to `first + count`, shape (name, count), inside (0, 1).

    named   see `dimensions`
    starts  first instance of every section, ascending, from 0; a section without instances starts with the next
    """
    names = named[instance]
    skipped = _room(named[each] for each in itertools.takewhile(lambda each: each != instance, named))
    within = starts[(starts > first) & (starts < first + count)]
    cuts = np.unique(np.concatenate([[first], within]))
    ends = np.append(cuts[1:], first + count)
    pieces: list[tuple[int, int, int]] = []
    for begin, end in zip(cuts.tolist(), ends.tolist(), strict=True):
        section = int(np.searchsorted(starts, begin, side="right")) - 1
        pieces.append((begin - int(starts[section]), end - begin, section))
    return points_of_pieces(kind, stream, names, pieces, skipped=skipped)
