"""The nearest failing draw: the most likely one, found without asking the limit to be smooth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.rare.design_point import apart, search
from margin.estimates.rare.limit import Array, CountedLimit

TRIED = 4
APART = 0.7
SWEEPS = 6
HALVINGS = 12
SETTLED = 0.995
BEYOND = (1.0, 1.001, 1.003, 1.01, 1.03)


@dataclass(frozen=True)
class Inside:
    """A limit seen in some of its factors, the others at their median.

    limit   in all factors
    places  columns that vary, shape (k,)
    """

    limit: CountedLimit
    places: NDArray[np.intp]

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self.limit.names[place] for place in self.places)

    def whole(self, z: Array) -> Array:
        """Draws (n, d) from draws of the factors that vary (n, k)."""
        full = np.zeros((len(z), self.limit.dimension))
        full[:, self.places] = z
        return full

    def __call__(self, z: Array, /) -> Array:
        return self.limit(self.whole(z))


def nearest_failing(limit: CountedLimit, starts: Array) -> Array | None:
    """The failing draw nearest to the origin that is reached from `starts`, (n, d); None where none of them fails.

    Each start is drawn back along its ray until it just fails. From the few nearest that differ in direction, what
    failure does not need is put back to its median, the least needed first, and the rest drawn back again; at last
    the search for a design point begins there, in the factors that are left. The limit may have steps and kinks.
    """
    if not len(starts):
        return None
    failing = drawn_back(limit, starts[limit(starts) < 0])
    found: list[Array] = []
    for z in apart(failing[np.argsort(np.sum(failing**2, axis=1), kind="stable")], APART, TRIED):
        needed = _needed(limit, z)
        found += [needed, *_polished(limit, needed)]
    return min(found, key=lambda z: float(z @ z), default=None)


def drawn_back(limit: CountedLimit, failing: Array) -> Array:
    """Failing draws (n, d), each moved towards the origin until it just fails, by bisection along its ray."""
    if not len(failing):
        return failing
    kept, fails = np.zeros(len(failing)), np.ones(len(failing))
    for _ in range(HALVINGS):
        middle = 0.5 * (kept + fails)
        below = limit(failing * middle[:, None]) < 0
        kept, fails = np.where(below, kept, middle), np.where(below, middle, fails)
    return np.asarray(failing * fails[:, None])


def _needed(limit: CountedLimit, z: Array) -> Array:
    """A failing draw with what its failure does not need at the median; all of it where the median fails."""
    for _ in range(SWEEPS):
        before = float(z @ z)
        moved = np.flatnonzero(z)
        if not len(moved):
            break
        without = np.repeat(z[None, :], len(moved), axis=0)
        without[np.arange(len(moved)), moved] = 0.0
        harm = (limit(without) - limit(z[None, :])) / z[moved] ** 2
        order = moved[np.argsort(harm, kind="stable")]
        # row k leaves out the k least needed; the last row that still fails is taken
        trial = np.repeat(z[None, :], len(order) + 1, axis=0)
        for k in range(1, len(order) + 1):
            trial[k:, order[k - 1]] = 0.0
        fails = np.flatnonzero(limit(trial) < 0)
        z = drawn_back(limit, trial[fails[-1:]])[0]
        if float(z @ z) > SETTLED**2 * before:
            break
    return z


def _polished(limit: CountedLimit, z: Array) -> list[Array]:
    """The design point reached from a failing draw, in the factors that it moves, where it fails there."""
    if not z.any():
        return []
    inside = Inside(limit, np.flatnonzero(z))
    part = CountedLimit(inside, len(inside.places))
    scale = abs(float(limit(np.zeros((1, limit.dimension)))[0]))
    # steps of the limit end most line searches at the last halving; a call costs more than its few evaluations
    point = search(part, z[inside.places], scale, together=True)
    if point is None:
        return []
    # steps of the limit may leave the point a little on the near side
    beyond = inside.whole(np.outer(BEYOND, point.z))
    failing = np.flatnonzero(limit(beyond) < 0)
    return [beyond[failing[0]]] if len(failing) else []
