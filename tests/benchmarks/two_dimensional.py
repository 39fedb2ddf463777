"""Ways to the lower bound at equal cost: `python tests/benchmarks/two_dimensional.py [limit in %] [repeats]`.

The 5 % point of the yield over what five unknowns leave open: mean and spread of two quantities measured on six
sensors, and the error of a station's reference. 20 000 units in all, 100 outer draws of 200 (or as stated). Compared
are kinds of outer draws, kinds of units, units shared between outer draws (the same units for every one, or for those
of a section), and two ways to the bound: read off the yields of single outer draws with the scatter of counts taken
out, or off the surface through all of them. The reference takes 4096 outer draws of 16384 units each.
All values invented. Not run by pytest.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from margin.estimates.two_dimensional import ends_over_draws
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Stream, unit_points
from margin.propagation.knowledge import spread_ratio

Array = NDArray[np.float64]
Drawn = tuple[Array, Array]

SENSORS, SECTIONS, UNKNOWNS, CAUSES = 6, 10, 5, 8
LOADS = np.log(np.array([2.0, 5.0, 10.0, 20.0, 40.0, 60.0]) / 30.0)
UNIT = tuple(f"unit {i}" for i in range(CAUSES))
OUTER = tuple(f"outer {i}" for i in range(UNKNOWNS))


def conform(outer: Array, units: Array, limit: float) -> Array:
    """Whether units keep the limit at every load after a calibration at 30 N: (draw, unit).

    outer: uniforms (draw, unknown); units: uniforms (draw or 1, unit, cause).
    """
    z = ndtri(units)
    exponent = 0.015 * _uncertain(outer[:, 0], outer[:, 1], z[..., 0])
    drift = 0.012 * _uncertain(outer[:, 2], outer[:, 3], z[..., 1])
    rest = 0.004 * ndtri(outer[:, 4])[:, None] + drift + 0.02 * z[..., 2]
    kept = np.ones(exponent.shape, dtype=bool)
    for place, load in enumerate(LOADS):
        scatter = 0.018 * z[..., 3 + min(place, CAUSES - 4)]
        kept &= np.abs(rest + exponent * load + scatter) < limit
    return kept


def _uncertain(spread: Array, mean: Array, z: Array) -> Array:
    """A standard normal quantity of which mean and spread were taken from six sensors."""
    ratio = spread_ratio(spread, SENSORS)[:, None]
    return ratio * (z + ndtri(mean)[:, None] / np.sqrt(SENSORS))


def points(
    kind: str, names: tuple[str, ...], seed: int, draws: int, repeats: int = 1, skipped: int = 0
) -> Array:
    """Points (draw, name), scrambled apart in `repeats` sections."""
    each = draws // repeats
    parts = [
        unit_points(kind, Stream(seed), names, 0, each, replicate, skipped=skipped)  # type: ignore[arg-type]
        for replicate in range(repeats)
    ]
    return np.concatenate(parts, axis=1).T


def apart(
    outer_kind: str, unit_kind: str, repeats: int, draws: int = 100, units: int = 200
) -> Callable[[int], Drawn]:
    """Every outer draw has units of its own."""

    def draw(seed: int) -> Drawn:
        drawn = points(unit_kind, UNIT, seed, draws * units, repeats).reshape(draws, units, CAUSES)
        return points(outer_kind, OUTER, seed, draws, repeats, CAUSES), drawn

    return draw


def shared(
    outer_kind: str, unit_kind: str, repeats: int, draws: int = 100, units: int = 200
) -> Callable[[int], Drawn]:
    """Outer draws of a section (of the whole study where there is one) share their units."""

    def draw(seed: int) -> Drawn:
        drawn = points(unit_kind, UNIT, seed, repeats * units, repeats).reshape(repeats, units, CAUSES)
        return points(outer_kind, OUTER, seed, draws, repeats, CAUSES), np.repeat(
            drawn, draws // repeats, axis=0
        )

    return draw


WAYS: dict[str, Callable[[int], Drawn]] = {
    "random outer, random units": apart("random", "random", 1),
    "random outer, random units shared by all": shared("random", "random", 1),
    "sobol outer, sobol units shared by all": shared("sobol", "sobol", 1),
    "sobol outer, sobol units shared in sections": shared("sobol", "sobol", SECTIONS),
    "sobol outer, random units": apart("sobol", "random", 1),
    "sobol outer, sobol units, one scrambling": apart("sobol", "sobol", 1),
    "sobol outer, sobol units, ten scramblings": apart("sobol", "sobol", SECTIONS),
    "the same, 50 outer draws of 400": apart("sobol", "sobol", SECTIONS, 50, 400),
    "the same, 500 outer draws of 40": apart("sobol", "sobol", SECTIONS, 500, 40),
}


def reference(limit: float) -> tuple[float, float]:
    """5 % point and mean of the yield."""
    outer, units = points("sobol", OUTER, 1, 4096, 1, CAUSES), points("sobol", UNIT, 2, 16384)[None]
    yields = np.concatenate(
        [conform(outer[i : i + 64], units, limit).mean(axis=1) for i in range(0, 4096, 64)]
    )
    return float(np.quantile(yields, 0.05)), float(yields.mean())


def main() -> None:
    """Print root-mean-square error and bias of the lower bound, and coverage and width of its interval."""
    limit = float(sys.argv[1]) / 100.0 if len(sys.argv) > 1 else 0.1
    repeats = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    low, mean = reference(limit)
    print(
        f"limit {100 * limit:g} %: yield {100 * mean:.2f} %, 5 % point {100 * low:.2f} %; {repeats} studies, % of units"
    )
    print(f"{'':46s}{'single draws':>16s}{'surface':>36s}")
    print(f"{'':46s}{'rmse':>8s}{'bias':>8s}{'rmse':>10s}{'bias':>8s}{'covered':>9s}{'width':>9s}")
    for name, way in WAYS.items():
        found = []
        for seed in range(repeats):
            outer, drawn = way(seed)
            kept = conform(outer, drawn, limit)
            shares, units = kept.mean(axis=1), float(kept.shape[1])
            noise = float(np.mean(shares * (1.0 - shares))) / (units - 1.0)
            single, _ = ends_over_draws(shares, units, noise, None, 0.95)
            joined, _ = ends_over_draws(shares, units, noise, ndtri(outer), 0.95)
            found.append((single.value, joined.value, joined.low, joined.high))
        single_error, joined_error, lower, upper = (np.array(found) - low).T
        rmse = [100 * float(np.sqrt(np.mean(e**2))) for e in (single_error, joined_error)]
        covered = float(np.mean((lower <= 0.0) & (upper >= 0.0)))
        print(
            f"{name:46s}{rmse[0]:8.2f}{100 * single_error.mean():+8.2f}{rmse[1]:10.2f}{100 * joined_error.mean():+8.2f}"
            f"{covered:9.2f}{100 * float(np.mean(upper - lower)):9.2f}"
        )


if __name__ == "__main__":
    main()
