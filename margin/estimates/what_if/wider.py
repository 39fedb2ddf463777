"""Units drawn from wider spreads than those of the case, and the densities from which their weights follow.

The deviation of a movable spread is D of the case in most units and S D in the others, drawn for each spread by itself:
a defensive mixture of location-scale copies of its own density (Hesterberg, 'Weighted average importance sampling and
defensive mixture distributions', Technometrics 37, 1995). A product of mixtures keeps the weights of one or two moved
spreads bounded however many are offered, and its wide part has draws outside the limits of a rectangular tolerance,
without which that could not be widened.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Distribution
from margin.chain.parameter import Value
from margin.estimates.what_if.movable import Movable, ends_of
from margin.propagation.dependence import DependentGroup
from margin.propagation.draws import StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.grouping import Grouping
from margin.propagation.knowledge import spread_ratio
from margin.propagation.model import Model

Array = NDArray[np.float64]

WIDE = 2.2
"""Scale of the wide part: beyond twice, so that a spread can be doubled with room for its mean."""

EDGE = 1e-4
"""Share of its half width by which a rectangular spread reaches further: stored draws are rounded."""

POINTS = 257
"""Points of a density that is neither normal nor rectangular."""

NOWHERE = -1e30
"""Logarithm of a density that is zero."""


@dataclass
class WiderSource(StreamSource):
    """Draws of which some spreads are wider in some units.

    widened  factor -> (unit,) multiplier of its deviation
    seen     (factor, stream) -> (unit, draw) deviations that units were given
    """

    widened: Mapping[str, Array] = field(default_factory=dict)
    seen: dict[tuple[str, str], Array] = field(default_factory=dict)

    def deviation(self, factor: Factor, event: Event) -> Value:
        found = super().deviation(factor, event)
        if factor.name not in self.widened or (factor.level == "calibration" and not event.calibrating):
            return found
        wide: Array = found * self.widened[factor.name].reshape(-1, 1, 1, 1, 1)
        self.seen[factor.name, event.stream_of(factor)] = wide.reshape(self.count, -1)
        return wide

    def centre_of(self, factor: Factor) -> tuple[Array, Array]:
        """(unit,) mean and standard deviation of a normal deviation, given the outer draw."""
        mean, sd = factor.distribution.mean, factor.distribution.sd
        n = factor.measured_on
        if n is None:
            return np.full(self.count, mean), np.full(self.count, sd)
        ratio = self._remember(f"{factor.knowledge_stream}: spread", lambda u: spread_ratio(u, n))
        shift = self._remember(f"{factor.knowledge_stream}: mean", ndtri)
        sds = np.broadcast_to(ratio * sd, (self.count, 1, 1, 1, 1)).ravel()
        return mean + sds * np.broadcast_to(shift, (self.count, 1, 1, 1, 1)).ravel() / math.sqrt(n), sds

    def root_of(self, group: DependentGroup) -> tuple[Array, Array]:
        """(unit, factor) means and (unit, factor, factor) Cholesky factors of those measured together."""
        units, size = group.measured_on or 2, len(group.factors)
        root = np.zeros((self.count, size, size))
        shift = np.zeros((self.count, size))
        for i, row in enumerate(self._drawn_root(group, units)):
            for j, entry in enumerate(row):
                root[:, i, j] = np.broadcast_to(entry, (self.count, 1, 1, 1, 1)).ravel()
        for j, other in enumerate(group.factors):
            drawn = self._remember(f"{other.knowledge_stream}: mean", ndtri)
            shift[:, j] = np.broadcast_to(drawn, (self.count, 1, 1, 1, 1)).ravel()
        means = np.array([f.distribution.mean for f in group.factors])
        return means + np.einsum("uij,uj->ui", root, shift) / math.sqrt(units), root


@dataclass(frozen=True)
class Table:
    """A density at even steps, straight between them, 0 outside."""

    low: float
    step: float
    density: Array

    @classmethod
    def of(cls, distribution: Distribution, size: float) -> Table:
        """Density of a deviation over its size."""
        low, high = ends_of(distribution)
        at = np.linspace(low, high, POINTS)
        return cls(low / size, (high - low) / size / (POINTS - 1), size * distribution.pdf(at))

    def log_at(self, x: Array) -> Array:
        """Logarithm of the density."""
        place = (x - self.low) / self.step
        last = len(self.density) - 1
        cell = np.clip(np.floor(place), 0, last - 1).astype(np.int64)
        between = self.density[cell] + (place - cell) * (self.density[cell + 1] - self.density[cell])
        inside = (place >= -EDGE) & (place <= last + EDGE) & (between > 0.0)
        return np.where(inside, np.log(np.where(inside, between, 1.0)), NOWHERE)


Shape = Literal["normal", "rectangular"] | Table


@dataclass(frozen=True)
class Block:
    """Movable spreads whose density is one, given the outer draw.

    Of spreads measured together all are members: moving one leaves its dependence on the others.

    members  places among the movables
    shape    of its density
    values   (unit, member, draw) deviations over size
    centre, root  (unit, member) and (unit, member, member): mean and inverse Cholesky factor of a normal block, over
                  size; of a rectangular one its middle, and 1
    proposal (unit,) logarithm of the density they were drawn from
    """

    members: tuple[int, ...]
    shape: Shape
    values: Array
    centre: Array
    root: Array
    proposal: Array


def wide_source(
    model: Model, movables: Sequence[Movable], grouping: Grouping, start: int, count: int
) -> WiderSource:
    """Draws of `count` units from `start`; which units have which spread wider is drawn too."""
    plain = model.source(grouping, start, count)
    outer = grouping.outer_of(np.arange(start, start + count, dtype=np.int64))
    first = int(outer[0])
    widened: dict[str, Array] = {}
    for each in movables:
        if each.how != "weights":
            continue
        name = f"wider: {each.name}"
        if each.outer:
            picked = plain.stream.uniforms(name, first, int(outer[-1]) + 1 - first)[outer - first]
        else:
            picked = plain.stream.uniforms(name, start, count)
        for factor in each.factors:
            widened[factor.name] = np.where(picked < each.share, WIDE, 1.0)
    return WiderSource(
        plain.factors, plain.stream, plain.grouping, start, count, plain.points, plain.groups, widened=widened
    )


def blocks_of(model: Model, movables: Sequence[Movable], source: WiderSource) -> tuple[Block, ...]:
    """Blocks of the weighted movables, from a source whose units have been computed."""
    group_of = {name: group for group in model.groups for name in group.names}
    left = [k for k, each in enumerate(movables) if each.how == "weights"]
    found: list[Block] = []
    while left:
        first = movables[left[0]]
        group = group_of.get(first.factors[0].name)
        members = left[:1]
        if group is not None:
            members = [k for k in left if group_of.get(movables[k].factors[0].name) is group]
        left = [k for k in left if k not in members]
        own = [movables[k] for k in members]
        values = np.stack([_values(each, source) for each in own], axis=1)
        centre, root = _alone(first, source) if group is None else _together(own, group, source)
        shares = [each.share for each in own]
        shape: Shape = (
            Table.of(first.factors[0].distribution, first.size) if first.shape == "other" else first.shape
        )
        proposal = _proposal(shape, shares, values, centre, root)
        found.append(Block(tuple(members), shape, values, centre, root, proposal))
    return tuple(found)


def _values(each: Movable, source: WiderSource) -> Array:
    """(unit, draw) deviations over size, in a fixed order."""
    names = [f.name for f in each.factors]
    drawn = [v for (name, _), v in sorted(source.seen.items()) if name in names]
    return np.concatenate(drawn, axis=1) / each.size


def _alone(each: Movable, source: WiderSource) -> tuple[Array, Array]:
    if each.shape == "other":
        return np.zeros((source.count, 1)), np.ones((source.count, 1, 1))
    if each.shape == "rectangular":
        low, high = each.factors[0].distribution.support
        return np.full((source.count, 1), 0.5 * (low + high) / each.size), np.ones((source.count, 1, 1))
    mean, sd = source.centre_of(each.factors[0])
    return mean[:, np.newaxis] / each.size, (each.size / sd)[:, np.newaxis, np.newaxis]


def _together(own: Sequence[Movable], group: DependentGroup, source: WiderSource) -> tuple[Array, Array]:
    rows = [group.names.index(each.factors[0].name) for each in own]
    means, roots = source.root_of(group)
    sizes = np.array([each.size for each in own])
    covariance = np.einsum("uik,ujk->uij", roots, roots)[:, rows][:, :, rows] / np.outer(sizes, sizes)
    return means[:, rows] / sizes, np.linalg.inv(np.linalg.cholesky(covariance))


def _proposal(shape: Shape, shares: Sequence[float], values: Array, centre: Array, root: Array) -> Array:
    """(unit,) Logarithm of the density of the mixture."""
    still = np.zeros(len(shares))
    parts = []
    for scales in itertools.product((1.0, WIDE), repeat=len(shares)):
        share = math.prod(p if s != 1.0 else 1.0 - p for p, s in zip(shares, scales, strict=True))
        own = log_density(shape, values, centre, root, np.array(scales), still)
        parts.append(math.log(share) + own)
    return np.asarray(np.logaddexp.reduce(parts, axis=0))


def log_density(
    shape: Shape, values: Array, centre: Array, root: Array, scales: Array, shifts: Array
) -> Array:
    """(unit,) Logarithm of the density of a block moved, less what no move changes.

    values  (unit, member, draw); centre (unit, member); root (unit, member, member); scales, shifts (member,): a
    deviation x of the moved block is scale times one of the present block, plus shift
    """
    draws = values.shape[2]
    back = (values - shifts[:, np.newaxis]) / scales[:, np.newaxis] - centre[:, :, np.newaxis]
    change = -draws * float(np.sum(np.log(scales)))
    if isinstance(shape, Table):
        return np.asarray(np.maximum(change + shape.log_at(back).sum(axis=(1, 2)), NOWHERE))
    if shape == "rectangular":
        inside = np.all(np.abs(back) <= 1.0 + EDGE, axis=(1, 2))
        return np.where(inside, change, NOWHERE)
    score = np.einsum("uij,ujd->uid", root, back)
    result: Array = change - 0.5 * np.einsum("uid,uid->u", score, score)
    return result
