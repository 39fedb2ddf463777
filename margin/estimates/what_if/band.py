"""Error band over load of weighted units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.estimates.what_if import stored
from margin.estimates.what_if.weighted import jackknife, quantile, total_by

Array = NDArray[np.float64]

BAND = (0.025, 0.975)
"""Ends of the error band."""

BAND_SIZES = (0.5, 0.7, 1.0, 1.4, 2.0)
"""Sizes of an interpolated spread, over its present one, at which its error band was computed."""


def error_band(
    payload: Mapping[str, Any], option: int, limit: float, sizes: Sequence[float], weight: Array, as_is: Array
) -> list[dict[str, float]]:
    """One row a load: load, low, high, limit, and the intervals of both ends, N.

    sizes  of the interpolated spreads, over the present ones; weight, as_is: (unit,) of the moved case and of the case
    as it is

    Ends are quantiles of the weighted units (one reading of each at every load), moved by what the study finds for the
    case as it is over what the units do. Their intervals are those of Woodruff ('Confidence intervals for medians and
    other position measures', JASA 47, 1952), the share below an end from a jackknife over clusters.
    """
    stated, clusters = payload["options"][option], payload["clusters"]
    cells = stored.read_cells(stated["error"]).reshape(-1, len(payload["loads"]))
    edges = stored.cell_edges(stated["reach"])
    draw = np.arange(len(weight)) // payload["per_draw"]
    cluster = draw * clusters // (len(weight) // payload["per_draw"])
    rows = []
    for k, (load, permissible) in enumerate(zip(payload["loads"], payload["permissible"], strict=True)):
        row = {"load": load, "limit": limit * permissible}
        now = total_by(cells[:, k], weight, stored.CELLS)
        before = total_by(cells[:, k], as_is, stored.CELLS)
        for end, share in zip(("low", "high"), BAND, strict=True):
            at = quantile(now, edges, share)
            error = _error_of_share(cells[:, k], weight, cluster, edges, at, clusters)
            change = _interpolated(stated, sizes, k, end)
            if stated["study"] is not None:
                change += stated["study"]["band"][end][k] - quantile(before, edges, share)
            row[end] = permissible * (at + change)
            for name, side in (("low", -1.0), ("high", 1.0)):
                one = min(max(share + side * payload["t"] * error, 0.0), 1.0)
                row[f"{end}_{name}"] = permissible * (quantile(now, edges, one) + change)
        rows.append(row)
    return rows


def _interpolated(stated: Mapping[str, Any], sizes: Sequence[float], load: int, end: str) -> float:
    """What interpolated spreads add to an end of the band, over the permissible error."""
    return sum(
        float(np.interp(size, BAND_SIZES, [row[load] for row in each["band"][end]]))
        for size, each in zip(sizes, stated["interpolated"], strict=True)
    )


def _error_of_share(
    cells: NDArray[np.int64],
    weight: Array,
    cluster: NDArray[np.int64],
    edges: Array,
    at: float,
    clusters: int,
) -> float:
    """Standard error of the share below an end, whose cell counts in part."""
    part = np.clip((at - edges[:-1]) / np.diff(edges), 0.0, 1.0)
    below = total_by(cluster, weight * part[cells], clusters)
    total = total_by(cluster, weight, clusters)
    return jackknife((below.sum() - below) / (total.sum() - total))
