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
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from margin.estimates.what_if import pairs, stored
from margin.estimates.what_if.rerun import command_of
from margin.estimates.what_if.wider import log_density

Array = NDArray[np.float64]

Payload = Mapping[str, Any]
Moves = Mapping[str, Any]

INTERPOLATED = (0.5, 1.0, 2.0)
"""Sizes of an interpolated spread at which units were computed."""

BAND_SIZES = (0.5, 0.7, 1.0, 1.4, 2.0)
"""Sizes at which its error band was computed."""

BAND = (0.025, 0.975)
"""Ends of the error band."""

LEAST_OPEN = 1e-6
"""Least share of the variance that a regression leaves open."""

RESOLVED = 2.0
"""Standard errors from which the correlation of the case as it is counts as resolved."""


@dataclass(frozen=True)
class _Block:
    members: tuple[int, ...]
    outer: bool
    rectangular: bool
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
                _Block(tuple(each["members"]), each["outer"], each["rectangular"], drawn, centre, root)
            )

    def numbers(self, moves: Moves) -> dict[str, Any]:
        """What the page shows for these moves.

        moves  'option': name; 'limit': multiple of the permissible error; 'target': required yield; 'spreads':
               name -> {'scale': multiple of its size, 'shift': change of its mean in its present sizes}. All but the
               option may be left out.

        Returns yield and bound, each {value, low, high} (no bound where outer draws differ and no study anchors it; the
        yield where they do not); band: one row a load {load, low, high, limit} with the
        intervals of both ends, N; effective_units, effective_draws; carries: whether the weights carry, why they do
        not; command: what runs the moved case. Raises KeyError for an unknown option or spread.
        """
        p = self.payload
        option = next(k for k, each in enumerate(p["options"]) if each["name"] == moves["option"])
        scales, shifts = np.ones(len(p["movables"])), np.zeros(len(p["movables"]))
        for name, move in moves.get("spreads", {}).items():
            scales[self.names[name]] = move.get("scale", 1.0)
            shifts[self.names[name]] = move.get("shift", 0.0)
        limit, target = float(moves.get("limit", 1.0)), float(moves.get("target", p["target"]))
        outer, own = self.weights(scales, shifts)
        weight = np.repeat(outer, p["per_draw"]) * own
        effective = float(weight.sum() ** 2 / (weight**2).sum())
        draws = float(outer.sum() ** 2 / (outer**2).sum()) if p["nested"] else effective
        why = self._why_not(scales, effective, draws)
        found = self._yields(option, limit, scales, (outer, own))
        return {
            **found,
            "band": self._band(option, limit, scales, weight),
            "target": target,
            "effective_units": effective,
            "effective_draws": draws,
            "carries": why == "",
            "why": why,
            "command": command_of(p, limit, target, scales, shifts),
        }

    def weights(self, scales: Array, shifts: Array) -> tuple[Array, Array]:
        """Weights (draw,) of the outer draws and (unit,) of the units in them, the largest of each 1."""
        outer = stored.read_floats(self.payload["base_outer"])
        own = stored.read_floats(self.payload["base"])
        for block in self.blocks:
            places = list(block.members)
            found = log_density(
                block.rectangular, block.values, block.centre, block.root, scales[places], shifts[places]
            )
            if block.outer:
                outer = outer + found
            else:
                own = own + found
        return np.exp(outer - outer.max()), np.exp(own - own.max())

    def _why_not(self, scales: Array, effective: float, draws: float) -> str:
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
        if effective < floor["units"]:
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
        return _Sums(*(np.bincount(place, row, clusters) for row in by_draw))

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
            slope, explained = _regression(ys, y0s)
            y += slope * (study["yield"] - y0)
            open_ = slope * (study["high"] - study["low"]) / (2.0 * z)
        error = math.hypot(t / z * _jackknife(ys - slope * y0s), open_)
        value = min(max(y, 0.0), 1.0)
        # few failing units vary less between clusters than units of their number do
        most = _effective(weights, p["per_draw"]) / max(1.0 - explained, LEAST_OPEN)
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
        if r0 > RESOLVED * _jackknife(r0s) and np.all(r0s > 0.0):
            noise = _jackknife(moved.without().correlations() / r0s)
            kept = usual**2 / max(usual**2 + noise**2, 1e-30)
            r *= 1.0 + kept * (float(moved.whole().correlations()[0]) / r0 - 1.0)
        error = of_study * usual * math.sqrt(1.0 - kept)
        y = pairs.score(value)
        scores = [
            pairs.bound_score(y, min(max(r + k * z * error, 0.0), pairs.MOST)) for k in (0.0, 1.0, -1.0)
        ]
        at, most = scores[0], min(r, pairs.MOST)
        each = np.array([pairs.bound_score(pairs.score(share), most) for share in adjusted.tolist()])
        inner = self.payload["t"] * _jackknife(each)
        below = math.hypot(inner, b - pairs.score(study["bound_low"]), at - min(scores))
        above = math.hypot(inner, pairs.score(study["bound_high"]) - b, max(scores) - at)
        one, low, high = (float(ndtr(at + left + d)) for d in (0.0, -below, above))
        return {"value": one, "low": low, "high": high}

    def _band(self, option: int, limit: float, scales: Array, weight: Array) -> list[dict[str, float]]:
        p, stated = self.payload, self.payload["options"][option]
        cells = stored.read_cells(stated["error"]).reshape(-1, len(p["loads"]))
        edges = stored.cell_edges(stated["reach"])
        still = np.ones(len(p["movables"]))
        outer, own = self.weights(still, 0.0 * still)
        before = np.repeat(outer, p["per_draw"]) * own
        cluster = np.arange(len(weight)) // p["per_draw"] * p["clusters"] * p["per_draw"] // len(weight)
        rows = []
        for k, (load, permissible) in enumerate(zip(p["loads"], p["permissible"], strict=True)):
            row = {"load": load, "limit": limit * permissible}
            histogram = np.bincount(cells[:, k], weight, stored.CELLS)
            old = np.bincount(cells[:, k], before, stored.CELLS)
            for end, share in zip(("low", "high"), BAND, strict=True):
                at = quantile(histogram, edges, share)
                error = _jackknife_share(cells[:, k], weight, cluster, edges, at, p["clusters"])
                ends = [
                    quantile(histogram, edges, min(max(share + side * p["t"] * error, 0.0), 1.0))
                    for side in (-1.0, 1.0)
                ]
                change = self._band_change(stated, scales, k, end)
                if stated["study"] is not None:
                    change += stated["study"]["band"][end][k] - quantile(old, edges, share)
                row[end] = permissible * (at + change)
                row[f"{end}_low"], row[f"{end}_high"] = (permissible * (e + change) for e in ends)
            rows.append(row)
        return rows

    def _band_change(self, stated: Mapping[str, Any], scales: Array, load: int, end: str) -> float:
        """What interpolated spreads add to an end of the band, over the permissible error."""
        total = 0.0
        for number, each in enumerate(stated["interpolated"]):
            scale = float(scales[self.payload["interpolated"][number]])
            total += float(np.interp(scale, BAND_SIZES, [row[load] for row in each["band"][end]]))
        return total


def _effective(weights: tuple[Array, Array], per_draw: int) -> float:
    w = np.repeat(weights[0], per_draw) * weights[1]
    return float(w.sum() ** 2 / (w**2).sum())


def _regression(of: Array, on: Array) -> tuple[float, float]:
    """Slope of a regression between clusters, and the share of the variance that it explains."""
    a, b = of - of.mean(), on - on.mean()
    if min(float(a @ a), float(b @ b)) <= 1e-20:
        return 0.0, 0.0
    return float(a @ b) / float(b @ b), float(a @ b) ** 2 / (float(a @ a) * float(b @ b))


def _jackknife(left_out: Array) -> float:
    """Standard error from estimates that each leave out a cluster."""
    n = len(left_out)
    return math.sqrt((n - 1) / n * float(np.sum((left_out - left_out.mean()) ** 2)))


def _jackknife_share(
    cells: NDArray[np.int64],
    weight: Array,
    cluster: NDArray[np.int64],
    edges: Array,
    at: float,
    clusters: int,
) -> float:
    """Standard error of the share below an end of the band, whose cell counts in part (Woodruff, 'Confidence intervals
    for medians and other position measures', JASA 47, 1952)."""
    part = np.clip((at - edges[:-1]) / np.diff(edges), 0.0, 1.0)
    below = np.bincount(cluster, weight * part[cells], clusters)
    total = np.bincount(cluster, weight, clusters)
    return _jackknife((below.sum() - below) / (total.sum() - total))


def wilson(share: float, error: float, most: float, z: float) -> tuple[float, float]:
    """Interval of a share with a standard error (Wilson 1927), by effective trials, at most so many."""
    trials = min(share * (1.0 - share) / error**2, most) if error > 0.0 and 0.0 < share < 1.0 else most
    centre = (share + z * z / (2.0 * trials)) / (1.0 + z * z / trials)
    half = z / (1.0 + z * z / trials) * math.sqrt(share * (1.0 - share) / trials + (z / (2.0 * trials)) ** 2)
    return max(centre - half, 0.0), min(centre + half, 1.0)


def quantile(histogram: Array, edges: Array, share: float) -> float:
    """Value below which a share of the weight lies, even within a cell."""
    total = np.cumsum(histogram)
    wanted = share * float(total[-1])
    cell = min(int(np.searchsorted(total, wanted, side="left")), len(histogram) - 1)
    before = float(total[cell - 1]) if cell else 0.0
    inside = (wanted - before) / float(histogram[cell]) if histogram[cell] > 0.0 else 0.0
    return float(edges[cell] + inside * (edges[cell + 1] - edges[cell]))


def what_if(payload: Payload | str, moves: Moves) -> dict[str, Any]:
    """Numbers of a payload, or of its JSON text, for moves; see `WhatIf.numbers`."""
    return WhatIf(json.loads(payload) if isinstance(payload, str) else payload).numbers(moves)
