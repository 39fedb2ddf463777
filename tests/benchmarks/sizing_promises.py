"""Promises of a sizing, run again: each listed design of the shipped pads by `estimate` with other seeds.

Writes a table: promised yield with its interval and that of each seed, with the option that the sizing used; and the
time of the sizing, in the processor and by the clock. Run from the root of the repository:

    python tests/benchmarks/sizing_promises.py > tests/benchmarks/sizing_promises.md
"""

from __future__ import annotations

import dataclasses
import os
import time
from pathlib import Path

import margin
from margin.estimates.evaluate import evaluate

ROOT = Path(__file__).parents[2]
CASES = ("gripper_divider", "gripper_amplifier")
SEEDS = (11, 12, 13)
UNITS = 20_000


def interval(low: float, value: float, high: float) -> str:
    """A share with its interval in percent."""
    return f"{100.0 * value:.2f} ({100.0 * low:.2f} to {100.0 * high:.2f})"


def rows(name: str) -> list[str]:
    """Lines of one case."""
    case = margin.load(ROOT / "cases" / name / "case.toml")
    busy, clock = time.process_time(), time.perf_counter()
    study = margin.size(case)
    busy, clock = time.process_time() - busy, time.perf_counter() - clock
    found = study.found
    lines = [
        f"\n## {name}\n",
        f"{busy:.1f} s of processor time, {clock:.1f} s by the clock, load of the machine {os.getloadavg()[0]:.1f} on "
        f"{os.cpu_count()} processors; {sum(one.tried for one in found.screens)} designs on the nominal chain, "
        f"{len(found.tried)} on the full one; option {found.option!r}.\n",
        "| rank | design | promised yield, % | " + " | ".join(f"seed {s}" for s in SEEDS) + " | overlap |",
        "|---|---|---|" + "---|" * (len(SEEDS) + 1),
    ]
    for rank, each in enumerate(found.ranked, 1):
        promised = each.trial.found.sampled
        cells, overlaps = [], True
        for seed in SEEDS:
            changes = {**each.changes, "study.seed": seed, "study.units": UNITS, "study.draw": "all units"}
            changed = margin.change(case, changes)
            option = next(one for one in changed.calibrations if one.name == found.option)
            one = dataclasses.replace(changed, calibrations=(option,))
            again = evaluate(one, with_budget=False).options[0]
            estimate = again.yields[again.decisive].sampled
            overlaps &= estimate.low <= promised.high and promised.low <= estimate.high
            cells.append(interval(estimate.low, estimate.value, estimate.high))
        told = f"{each.design.space.name}: {each.design.told}"
        shown = interval(promised.low, promised.value, promised.high)
        lines.append(f"| {rank} | {told} | {shown} | {' | '.join(cells)} | {'yes' if overlaps else 'NO'} |")
    return lines


def main() -> None:
    """Print the table."""
    print("# Promises of a sizing, run again\n")
    print("Yield of each listed design, by `estimate` with other seeds; made by sizing_promises.py.")
    for name in CASES:
        print("\n".join(rows(name)))


if __name__ == "__main__":
    main()
