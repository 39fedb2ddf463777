"""Calibration plans of the shipped cases: processor time, promise against other seeds, distance from enumeration.

    PYTHONPATH=. python tests/benchmarks/calibration_plan.py     kept: calibration_plan.md

Takes some minutes. Prints a table: each plan is estimated again with other seeds, and the loads of a two-point
calibration found by coordinate search are held against all pairs of twelve positions on the same draws.
"""

from __future__ import annotations

import dataclasses
import itertools
import time
from pathlib import Path

import margin
from margin.case import units
from margin.case.types import Case
from margin.design.calibration_plan.candidates import Candidate, Habits, allowed, positions, with_dwell
from margin.design.calibration_plan.positions import improved
from margin.design.calibration_plan.trials import Scored, Trials
from margin.estimates.evaluate import evaluate
from margin.estimates.numbers import share_interval, share_value

ROOT = Path(__file__).parents[2]
CASES = ("gripper_divider", "gripper_amplifier", "load_cell")
SEEDS = (101, 102)
PLACES = 12
UNITS = 20_000


def main() -> None:
    """Print the tables."""
    print("# Calibration plans of the shipped cases\n")
    print("Processor time on all threads together; yields and lower bounds with their intervals, %.\n")
    print("| case | s of processor time | plan | s a unit | seed | yield | lower bound | verdict |")
    print("|---|---|---|---|---|---|---|---|")
    for name in CASES:
        promise(name, margin.load(ROOT / "cases" / name / "case.toml"))
    print(f"\n## Loads of two points: coordinate search against all pairs of {PLACES} positions\n")
    print(f"{UNITS} units on the same draws; the gap is that of the yield, in points.\n")
    print("| case | space | search | best of all pairs | gap |")
    print("|---|---|---|---|---|")
    for name in CASES:
        case = margin.load(ROOT / "cases" / name / "case.toml")
        for space in ("force", "logarithm"):
            enumerate_pairs(name, case, space)


def promise(name: str, case: Case) -> None:
    """A row for the plan as promised, and one for each further seed."""
    start = time.process_time()
    study = margin.plan(case)
    took = time.process_time() - start
    chosen = study.found.chosen
    reached, bound = chosen.reached, chosen.bound
    print(
        f"| {name} | {took:.0f} | {chosen.name} | {chosen.seconds:.4g} | promised | "
        f"{share_value(reached.value, reached.low, reached.high)} ({share_interval(reached.low, reached.high)}) | "
        f"{share_value(bound.value, bound.low, bound.high)} ({share_interval(bound.low, bound.high)}) | "
        f"{chosen.verdict} |",
        flush=True,
    )
    for seed in SEEDS:
        again = dataclasses.replace(
            with_dwell(case, chosen.dwell),
            calibrations=(chosen.spec,),
            study=dataclasses.replace(case.study, seed=seed, units=min(200_000, case.study.units)),
        )
        (option,) = evaluate(again, with_budget=False).options
        reached, bound = option.decisive_yield.sampled, option.decisive_yield.bound
        print(
            f"| | | | | {seed} | {share_value(reached.value, reached.low, reached.high)} "
            f"({share_interval(reached.low, reached.high)}) | {share_value(bound.value, bound.low, bound.high)} "
            f"({share_interval(bound.low, bound.high)}) | {option.verdict} |",
            flush=True,
        )


def enumerate_pairs(name: str, case: Case, space: str) -> None:
    """A row for the search and the best of all pairs."""
    spec = dataclasses.replace(
        case.calibrations[0], name="it", kind="two-point", space=space, loads=(1.0, 2.0)
    )  # type: ignore[arg-type]
    places = allowed(spec, positions(case))
    chosen = tuple(places[round(k * (len(places) - 1) / (PLACES - 1))] for k in range(PLACES))
    start = Candidate(spec, Habits.of(case).dwell).at((chosen[2], chosen[-3]))
    trials = Trials(case, UNITS, case.study.seed)
    every = trials.of(start.at(pair) for pair in itertools.combinations(chosen, 2))
    best = max(every, key=lambda each: each.merit)
    (found,) = improved([start], chosen, trials.of, first_step=4)
    gap = 100.0 * (best.reached - found.reached)
    print(
        f"| {name} | {space} | {shown(found)}, {100.0 * found.reached:.2f} % | "
        f"{shown(best)}, {100.0 * best.reached:.2f} % | {gap:.2f} |",
        flush=True,
    )


def shown(found: Scored) -> str:
    """Loads of a candidate."""
    return ", ".join(units.show(load, "N") for load in found.candidate.spec.loads)


if __name__ == "__main__":
    main()
