"""Yield, lower bound and error band of a case that a reader has moved, from stored units by importance weights.

The script of the report page computes the same numbers from the same payload (`margin/report/templates/what_if.js`).

Each stored unit has the weight density under the moved case / density it was drawn from, W of its outer draw times v of
its own; shares are self-normalised (Hesterberg 1995). With the study's yield Y of the case as it is, the estimate is

    y(moved) + b (Y - y(as it is)),   b the regression of y(moved) on y(as it is) between clusters of outer draws,

a control variate (Owen, 'Monte Carlo theory, methods and examples', 8.9): the case as it is has the study's own yield
and interval. The interval is that of a jackknife over the clusters, widened by what the study leaves open.

Lower bound, approximate: the pooled yield with the scatter between outer draws of a one-factor normal model (`pairs`).
Its correlation is the study's, times the ratio of that of the moved case to that of the case as it is, both from pairs
of stored units. Pairs tell that ratio well only where outer draws differ much. So it has a normal prior about 1, whose
standard deviation is the root of the variance between clusters that the regression leaves open (0 for the case as it
is, about 1 for a far move: a judgement, no source); where the pairs tell nothing, the ratio is 1, and the interval has
the width of the prior. The bound is to be read as approximate, its interval as wide as what the stored units know.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from margin.estimates.what_if import pairs, stored
from margin.estimates.what_if.band import error_band
from margin.estimates.what_if.rerun import command_of
from margin.estimates.what_if.weighted import effective, jackknife, regression, total_by, wilson
from margin.estimates.what_if.wider import NOWHERE, Shape, Table, log_density

Array = NDArray[np.float64]

Payload = Mapping[str, Any]
Moves = Mapping[str, Any]

INTERPOLATED = (0.5, 1.0, 2.0)
"""Sizes of an interpolated spread at which units were computed."""

LEAST_OPEN = 1e-6
"""Least share of the variance that a regression leaves open."""

RESOLVED = 2.0
"""Standard errors from which the correlation of the case as it is counts as resolved."""


@dataclass(frozen=True)
class _Block:
    members: tuple[int, ...]
    outer: bool
    shape: Shape
    values: Array
    centre: Array
    root: Array


@dataclass(frozen=True)
class _Sums:
    """Sums over the units of each cluster, (cluster,)."""

    conforming: Array
    weight: Array
    both: Array
    pairs: Array

    def without(self) -> _Sums:
        """The same sums over all clusters but one."""
        return _Sums(*(s.sum() - s for s in (self.conforming, self.weight, self.both, self.pairs)))

    def whole(self) -> _Sums:
        return _Sums(*(s.sum(keepdims=True) for s in (self.conforming, self.weight, self.both, self.pairs)))

    @property
    def shares(self) -> Array:
        return np.divide(self.conforming, self.weight)

    def correlations(self) -> Array:
        share = self.shares
        both = np.divide(self.both, self.pairs)
        return np.array([pairs.correlation_of_pairs(*each) for each in zip(share, both, strict=True)])


@dataclass
class WhatIf:
    """Stored units of a payload, read once."""

    payload: Payload
    names: dict[str, int] = field(init=False)
    blocks: list[_Block] = field(init=False)

    def __post_init__(self) -> None:
        p = self.payload
        self.names = {each["name"]: k for k, each in enumerate(p["movables"])}
        self.blocks = []
        for each in p["blocks"]:
            count, members = each["rows"], len(each["members"])
            values = np.stack([stored.read_even(v) for v in each["values"]])
            drawn = values.reshape(members, -1, each["draws"]).transpose(1, 0, 2)
            centre = stored.read_floats(each["centre"]).reshape(count, members)
            root = stored.read_floats(each["root"]).reshape(count, members, members)
            if not each["outer"] and count > 1:
                centre, root = (np.repeat(a, p["per_draw"], axis=0) for a in (centre, root))
            self.blocks.append(
                _Block(tuple(each["members"]), each["outer"], _shape_of(each["shape"]), drawn, centre, root)
            )

    def numbers(self, moves: Moves) -> dict[str, Any]:
        """What the page shows for these moves.

        moves  'option': name; 'limit': multiple of the permissible error; 'target': required yield; 'spreads':
               name -> {'scale': multiple of its size, 'shift': change of its mean in its present sizes}. All but the
               option may be left out.

        Returns yield and bound, each {value, low, high} (no bound where outer draws differ and no study anchors it; the
        yield where they do not differ); band: one row a load {load, low, high, limit} with the intervals of both ends,
        N; effective_units, effective_draws; carries: whether the weights carry, and why they do not: there is then
        neither yield nor bound nor band; command: what runs the moved case, '' where no text of a case writes it.
        Raises KeyError for an unknown option or spread.
        """
        p = self.payload
        option = {each["name"]: k for k, each in enumerate(p["options"])}[moves["option"]]
        scales, shifts = np.ones(len(p["movables"])), np.zeros(len(p["movables"]))
        for name, move in moves.get("spreads", {}).items():
            scales[self.names[name]] = move.get("scale", 1.0)
            shifts[self.names[name]] = move.get("shift", 0.0)
        limit, target = float(moves.get("limit", 1.0)), float(moves.get("target", p["target"]))
        outer, own = self.weights(scales, shifts)
        weight = np.repeat(outer, p["per_draw"]) * own
        units = effective(weight)
        draws = effective(outer) if p["nested"] else units
        why = self._why_not(scales, units, draws)
        sizes = [float(scales[k]) for k in p["interpolated"]]
        found: dict[str, Any] = {"yield": None, "bound": None, "band": []}
        if why == "":
            found = self._yields(option, limit, scales, (outer, own))
            found["band"] = error_band(p, option, limit, sizes, weight, self.as_is)
        return {
            **found,
            "target": target,
            "effective_units": units,
            "effective_draws": draws,
            "carries": why == "",
            "why": why,
            "command": command_of(p, limit, target, scales, shifts),
        }

    @cached_property
    def as_is(self) -> Array:
        """(unit,) Weights of the case as it is."""
        still = np.ones(len(self.payload["movables"]))
        outer, own = self.weights(still, 0.0 * still)
        return np.asarray(np.repeat(outer, self.payload["per_draw"]) * own)

    def weights(self, scales: Array, shifts: Array) -> tuple[Array, Array]:
        """Weights (draw,) of the outer draws and (unit,) of the units in them, the largest of each 1; 0 all over where
        the moved case has none of the stored draws."""
        outer = stored.read_floats(self.payload["base_outer"])
        own = stored.read_floats(self.payload["base"])
        for block in self.blocks:
            places = list(block.members)
            found = log_density(
                block.shape, block.values, block.centre, block.root, scales[places], shifts[places]
            )
            if block.outer:
                outer = outer + found
            else:
                own = own + found
        return _scaled_to_one(outer), _scaled_to_one(own)

    def _why_not(self, scales: Array, units: float, draws: float) -> str:
        floor = self.payload["floor"]
        moved = [
            each
            for each, s in zip(self.payload["movables"], scales, strict=True)
            if each["how"] == "interpolated" and s != 1.0
        ]
        if len(moved) > 1:
            return "two spreads with many draws in a unit are moved at once"
        if moved and not all(0.5 <= s <= 2.0 for s in scales[[self.names[m["name"]] for m in moved]]):
            return "a spread with many draws in a unit is moved beyond half or twice its size"
        if units < floor["units"]:
            return f"fewer than {floor['units']} effective units"
        return f"fewer than {floor['draws']} effective outer draws" if draws < floor["draws"] else ""

    def scores(self, option: int, scales: Array) -> Array:
        """(unit, column) Errors over permissible errors that decide, of one option, interpolated spreads moved."""
        stated = self.payload["options"][option]
        as_is = stored.read_ratios(stated["score"])
        found = as_is.copy()
        for number, each in enumerate(stated["interpolated"]):
            scale = scales[self.payload["interpolated"][number]]
            if scale == 1.0:
                continue
            half, double = (as_is * stored.read_changes(each[end]) for end in ("half", "double"))
            if scale < 1.0:
                found += (half - as_is) * (1.0 - scale) / (1.0 - INTERPOLATED[0])
            else:
                found += (double - as_is) * (scale - 1.0) / (INTERPOLATED[2] - 1.0)
        return found.reshape(self.payload["units"], -1)

    def _sums(self, option: int, limit: float, scales: Array, weights: tuple[Array, Array]) -> _Sums:
        outer, own = weights
        conforming = np.mean(self.scores(option, scales) <= limit, axis=1)
        per, clusters = self.payload["per_draw"], self.payload["clusters"]
        v, c = own.reshape(-1, per), conforming.reshape(-1, per)
        own_sum, own_conforming = v.sum(axis=1), (v * c).sum(axis=1)
        by_draw = np.stack(
            [
                outer * own_conforming,
                outer * own_sum,
                outer * (own_conforming**2 - ((v * c) ** 2).sum(axis=1)),
                outer * (own_sum**2 - (v**2).sum(axis=1)),
            ]
        )
        place = np.arange(len(outer)) * clusters // len(outer)
        return _Sums(*(total_by(place, row, clusters) for row in by_draw))

    def _yields(
        self, option: int, limit: float, scales: Array, weights: tuple[Array, Array]
    ) -> dict[str, Any]:
        p, study = self.payload, self.payload["options"][option]["study"]
        t, z = p["t"], p["z"]
        still = np.ones(len(p["movables"]))
        moved = self._sums(option, limit, scales, weights)
        as_is = self._sums(option, 1.0, still, self.weights(still, 0.0 * still))
        y, y0 = float(moved.whole().shares[0]), float(as_is.whole().shares[0])
        ys, y0s = moved.without().shares, as_is.without().shares
        slope = open_ = explained = 0.0
        if study is not None:
            slope, explained = regression(ys, y0s)
            y += slope * (study["yield"] - y0)
            open_ = slope * (study["high"] - study["low"]) / (2.0 * z)
        error = math.hypot(t / z * jackknife(ys - slope * y0s), open_)
        value = min(max(y, 0.0), 1.0)
        # few failing units vary less between clusters than units of their number do
        most = effective(np.repeat(weights[0], p["per_draw"]) * weights[1]) / max(1.0 - explained, LEAST_OPEN)
        low, high = wilson(value, error, most, z)
        found: dict[str, Any] = {"yield": {"value": value, "low": low, "high": high}}
        found["bound"] = found["yield"]
        if p["nested"] and study is None:
            found["bound"] = None
        elif p["nested"]:
            adjusted = ys + slope * (study["yield"] - y0s)
            found["bound"] = self._bound(value, adjusted, explained, moved, as_is, study)
        return found

    def _bound(
        self,
        value: float,
        adjusted: Array,
        explained: float,
        moved: _Sums,
        as_is: _Sums,
        study: Mapping[str, float],
    ) -> dict[str, float]:
        z = self.payload["z"]
        h, b = pairs.score(study["yield"]), pairs.score(study["bound"])
        r = of_study = pairs.correlation_of_bound(h, b)
        left = b - pairs.bound_score(h, of_study)
        usual, kept = math.sqrt(max(1.0 - explained, 0.0)), 0.0
        r0, r0s = float(as_is.whole().correlations()[0]), as_is.without().correlations()
        if r0 > RESOLVED * jackknife(r0s) and np.all(r0s > 0.0):
            noise = jackknife(moved.without().correlations() / r0s)
            kept = usual**2 / max(usual**2 + noise**2, 1e-30)
            r *= 1.0 + kept * (float(moved.whole().correlations()[0]) / r0 - 1.0)
        error = of_study * usual * math.sqrt(1.0 - kept)
        y = pairs.score(value)
        scores = [
            pairs.bound_score(y, min(max(r + k * z * error, 0.0), pairs.MOST)) for k in (0.0, 1.0, -1.0)
        ]
        at, most = scores[0], min(r, pairs.MOST)
        each = np.array([pairs.bound_score(pairs.score(share), most) for share in adjusted.tolist()])
        inner = self.payload["t"] * jackknife(each)
        below = math.hypot(inner, b - pairs.score(study["bound_low"]), at - min(scores))
        above = math.hypot(inner, pairs.score(study["bound_high"]) - b, max(scores) - at)
        one, low, high = (float(ndtr(at + left + d)) for d in (0.0, -below, above))
        return {"value": one, "low": low, "high": high}


def _scaled_to_one(logs: Array) -> Array:
    """Weights from their logarithms, the largest 1; 0 where no density is above 0."""
    most = float(logs.max())
    return np.exp(logs - most) if most > 0.5 * NOWHERE else np.zeros_like(logs)


def _shape_of(said: Any) -> Shape:
    if isinstance(said, dict):
        return Table(said["low"], said["step"], stored.read_floats(said["density"]))
    return "rectangular" if said == "rectangular" else "normal"


def what_if(payload: Payload | str, moves: Moves) -> dict[str, Any]:
    """Numbers of a payload, or of its JSON text, for moves; see `WhatIf.numbers`."""
    return WhatIf(json.loads(payload) if isinstance(payload, str) else payload).numbers(moves)
