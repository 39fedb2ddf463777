"""Coverage of the intervals of main and total effects: `python tests/benchmarks/shares_coverage.py`.

Options: [--seeds 200] [--study WORD] [--table FILE]. A line for each study whose name holds WORD: the least and the
mean share of seeds, over groups, in which the interval holds the exact value, for main effect, total effect and (of
failing units) the part cured, its mean width, and the standard error of the estimates relative to that of the plain
estimators (Saltelli 2010 for main, Jansen 1999 for total effects) on the same units, least and largest over groups.
Exact values: closed forms and quadrature of `tests/redrawn_functions.py`, published indices of Ishigami's
function. Not run by pytest; kept: shares_coverage.md.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "sensitivity"))

from analytic_functions import ISHIGAMI_FIRST, ISHIGAMI_TOTAL, g_first_and_total, g_function, ishigami
from redrawn_functions import RedrawnFunction, limit_state_effects, margin_effects

from margin.estimates.sensitivity.effects import Effects
from margin.estimates.sensitivity.rounds import Study, refine

Array = NDArray[np.float64]

SHARES = np.array([0.5, 0.3, 0.15, 0.045, 0.005])


@dataclass(frozen=True)
class Measured:
    """A function with exact effects, evaluated on so many units."""

    name: str
    function: Callable[[Array], Array]
    main: Array
    total: Array
    cured: Array | None
    units: int


def error(uniforms: Array) -> Array:
    """Sum of normal causes with standard deviation 1."""
    return ndtri(uniforms) @ np.sqrt(SHARES)


def failing(limit: float) -> Callable[[Array], Array]:
    """Whether the error lies beyond +-limit."""
    return lambda uniforms: (np.abs(error(uniforms)) > limit).astype(np.float64)


def bounded(limit: float) -> Callable[[Array], Array]:
    """Bounded conformity margin."""
    return lambda uniforms: 1.0 - np.minimum(np.abs(error(uniforms)) / limit, 2.0)


def studies() -> list[Measured]:
    """All studies."""
    found = [Measured(f"linear, {n} units", error, SHARES, SHARES, None, n) for n in (32, 256, 4096)]
    found += [
        Measured(f"Ishigami, {n} units", ishigami, ISHIGAMI_FIRST, ISHIGAMI_TOTAL, None, n)
        for n in (256, 4096)
    ]
    found += [Measured("G function, 2048 units", g_function, *g_first_and_total(), None, 2048)]
    for limit in (1.0, 2.0):
        effects = margin_effects(SHARES, limit, 2.0)
        found += [
            Measured(f"margin, limit {limit:g} sd, {n} units", bounded(limit), *effects, None, n)
            for n in (256, 4096)
        ]
    for limit in (0.0125, 0.674, 1.645, 2.576, 3.09):
        effects = limit_state_effects(SHARES, limit)
        p = 200.0 * float(ndtr(-limit))
        found += [
            Measured(f"failing {p:.2g} %, {n} units", failing(limit), *effects, n)
            for n in (256, 1024, 4096, 16384)
        ]
    return found


def estimated(measured: Measured, seed: int) -> Effects:
    """Effects from one seed."""
    groups = tuple(f"x{number}" for number in range(len(measured.main)))
    cured = measured.cured is not None
    study = Study(
        groups,
        ("y",),
        measured.units * (len(groups) + 2),
        1e-9,
        failing=(0,) if cured else (),
        largest=1 << 14,
    )
    return refine(study, RedrawnFunction(measured.function, len(groups), seed)).effects


def plain(measured: Measured, seed: int) -> tuple[Array, Array]:
    """Main effects by Saltelli 2010 and total effects by Jansen 1999, from as many units."""
    matrices = [
        found[:, 0]
        for found in RedrawnFunction(measured.function, len(measured.main), seed)(0, measured.units)
    ]
    a, b, *exchanged = matrices
    centre, variance = (a.mean() + b.mean()) / 2.0, np.concatenate([a, b]).var()
    if variance == 0.0:
        return np.zeros(len(exchanged)), np.zeros(len(exchanged))
    main = [float(np.mean((b - centre) * (each - a)) / variance) for each in exchanged]
    total = [float(np.mean((each - a) ** 2) / 2.0 / variance) for each in exchanged]
    return np.array(main), np.array(total)


def line(measured: Measured, seeds: int) -> str:
    """One row of the table."""
    held: dict[str, list[Array]] = {"main": [], "total": [], "cured": []}
    widths: dict[str, list[Array]] = {"main": [], "total": [], "cured": []}
    values: dict[str, list[Array]] = {"main": [], "total": []}
    others: dict[str, list[Array]] = {"main": [], "total": []}
    without = 0
    for seed in range(seeds):
        found = estimated(measured, seed)
        if found.reasons:
            without += 1
            continue
        for name in held:
            exact = getattr(measured, name)
            if exact is None:
                continue
            of = getattr(found, name)
            held[name].append((of.low[:, 0] <= exact) & (exact <= of.high[:, 0]))
            widths[name].append(of.width[:, 0])
        for name, by_plain in zip(("main", "total"), plain(measured, seed), strict=True):
            values[name].append(found.trials[name == "total"][0][:, 0])
            others[name].append(by_plain)
    cells = [measured.name, str(seeds - without)]
    for name in held:
        if not held[name]:
            cells += ["–", "–"]
            continue
        share = 100.0 * np.mean(held[name], axis=0)
        cells += [f"{share.min():.1f} / {share.mean():.1f}", f"{np.mean(widths[name]):.3f}"]
    for name in values:
        ratio = np.std(values[name], axis=0) / np.maximum(np.std(others[name], axis=0), 1e-300)
        cells.append(f"{ratio.min():.2f} to {ratio.max():.2f}")
    return "| " + " | ".join(cells) + " |"


HEAD = (
    "study", "seeds", "main held, least / mean (%)", "width", "total held, least / mean (%)", "width",
    "cured held, least / mean (%)", "width", "error against Saltelli 2010", "error against Jansen 1999",
)  # fmt: skip


def main() -> int:
    """Print the table, and write it where asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--study", default="")
    parser.add_argument("--table", type=Path)
    asked = parser.parse_args()
    lines = ["| " + " | ".join(HEAD) + " |", "|" + "---|" * len(HEAD)]
    print("\n".join(lines), flush=True)
    for measured in studies():
        if asked.study in measured.name:
            lines.append(line(measured, asked.seeds))
            print(lines[-1], flush=True)
    if asked.table is not None:
        asked.table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
