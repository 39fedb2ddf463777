"""How often the intervals of error percentiles hold the exact ones.

    PYTHONPATH=. python tests/benchmarks/percentile_coverage.py [seeds]

Closed forms: the error at 60 N of a gain of the unit and one of the placement, both normal, their product with an exact
power of one; and the same with a gain that is common to all units, of which each outer draw has its own. Percentiles
by quadrature. All values invented. Not run by pytest.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[1]))

from pad_study import NONE, pad_case

from margin.backends.run import run
from margin.estimates.errors import errors_frame
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of

LOAD, UNIT, RELOAD, COMMON = 60.0, 0.02, 0.015, 0.01
SHARES = {"p0_5": 0.005, "p95": 0.95, "p99_5": 0.995}


def exact(share: float, *sds: float) -> float:
    """Percentile of LOAD times (product of 1 + sd z, less 1), N."""
    nodes, weights = hermegauss(40)
    product, weight = np.ones(1), np.ones(1)
    for sd in sds[1:]:
        product = np.multiply.outer(product, 1.0 + sd * nodes).ravel()
        weight = np.multiply.outer(weight, weights / weights.sum()).ravel()

    def below(error: float) -> float:
        return float(np.sum(weight * ndtr(((1.0 + error / LOAD) / product - 1.0) / sds[0]))) - share

    return float(brentq(below, -0.5 * LOAD, 0.5 * LOAD))


def coverage(units: int, outer: int, points: str, seeds: int) -> dict[str, tuple[float, float]]:
    """Share of seeds whose interval holds the exact percentile, and its mean width, N."""
    sds = (UNIT, RELOAD) if outer == 1 else (UNIT, RELOAD, COMMON)
    station = "" if outer == 1 else f", +/- {100 * COMMON} % (1 sigma) per common"
    case = pad_case(
        NONE,
        load={"check": [f"{LOAD:g} N"]},
        sensor={
            "sensitivity": f"4 uS +/- {100 * UNIT} % (1 sigma) per unit{station}",
            "reload_scatter": f"{100 * RELOAD} %",
        },
        study={"units": units, "outer": outer, "points": points, "draw": "all units"},
    )
    model, plan = model_of(case), plan_of(case)
    truth = {name: exact(share, *sds) for name, share in SHARES.items()}
    held: dict[str, NDArray[np.float64]] = {name: np.zeros((seeds, 2)) for name in SHARES}
    for seed in range(seeds):
        drawn = run(case, plan=plan, model=replace(model, seed=seed), workers=1)
        row = errors_frame(drawn.plan.frame, drawn.tallies["none"], 0.95).iloc[0]
        for name, value in truth.items():
            low, high = row[f"{name}_N_low"], row[f"{name}_N_high"]
            held[name][seed] = low <= value <= high, high - low
    return {name: tuple(found.mean(axis=0).tolist()) for name, found in held.items()}


def main(seeds: int = 200) -> None:
    print(f"{seeds} seeds: share of 95 % intervals that hold the exact percentile (mean width, N)")
    for units, outer, points in (
        (2_000, 1, "random"), (2_000, 1, "sobol"), (20_000, 1, "sobol"),
        (12_800, 400, "random"), (51_200, 400, "random"),
    ):  # fmt: skip
        found = coverage(units, outer, points, seeds)
        words = ", ".join(f"{name} {100 * held:.1f} % ({width:.3g})" for name, (held, width) in found.items())
        print(f"{units:7,d} units in {outer} outer draws, {points:6s}: {words}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
