"""How often the answer of `margin improve` is right: promises held, cheapest sets missed, over many small designs.

    PYTHONPATH=.:tests python tests/benchmarks/measures_search.py --designs 200
    PYTHONPATH=.:tests python tests/benchmarks/measures_search.py --case cases/gripper_divider/case.toml --seeds 3

Designs have the error of two gains (`tests/gain_designs.py`): the yield of each set is known by quadrature. Prices and
limits are random, and the required yield lies near that of some set, so that many sets are close. Counted are

- promises broken: answers whose exact yield is below the required one;
- cheapest missed: designs whose cheapest set by full enumeration costs less than the answer and is not named as
  undecided; by how much is said too.

With --case the answer of a case is confirmed again with other seeds, and the time of the search is printed.
"""

from __future__ import annotations

import argparse
import itertools
import time

import numpy as np
from gain_designs import RESISTORS, SENSORS, gain_case, gain_yield

import margin
from margin.design.measures import Engine, cheapest, read_measures


def one(seed: int) -> tuple[bool, bool, float, int, bool]:
    """Promise broken, cheapest missed, its relative cost, units confirmed, answer found, of one random design."""
    random = np.random.default_rng(seed)
    limit = float(random.uniform(0.05, 0.11))
    yields = {
        (s, r): gain_yield(SENSORS[s], RESISTORS[r], limit) for s, r in itertools.product(SENSORS, RESISTORS)
    }
    near = list(yields.values())[int(random.integers(len(yields)))]
    target = round(float(np.clip(near + random.normal(0.0, 0.004), 0.5, 0.998)), 4)
    prices = {
        "": 0.0,
        "B": random.uniform(0.1, 0.6),
        "A": random.uniform(0.3, 1.2),
        "1 %": random.uniform(0.1, 0.6),
    }
    case, unit = gain_case(limit, target, seed), float(random.uniform(0.5, 20.0))
    changes = {
        "B": "sensor.sensitivity=4 uS +/- 8 % (2 sigma) per unit",
        "A": "sensor.sensitivity=4 uS +/- 5 % (2 sigma) per unit",
        "1 %": "circuit.feedback=50 kohm +/- 1 % (2 sigma)",
    }
    measures = read_measures(
        {
            "today": {"option": "none"},
            "prices": {"unit": unit},
            "measure": [
                {
                    "name": name,
                    "group": "sensor" if name in "AB" else "",
                    "cost": float(prices[name]),
                    "changes": [text],
                }
                for name, text in changes.items()
            ],
        },
        case,
    )
    found = cheapest(measures, Engine(case, measures, workers=1), target=target, confidence=0.95)

    def names(chosen: tuple[str, ...]) -> tuple[str, str]:
        return next((n for n in chosen if n in "AB"), ""), "1 %" if "1 %" in chosen else ""

    costs = {
        key: (unit + prices[key[0]] + prices[key[1]]) / share
        for key, share in yields.items()
        if share >= target
    }
    if found.answer is None:
        named = {names(each.names) for each in found.undecided}
        missed = bool(costs) and min(costs, key=costs.__getitem__) not in named
        return False, missed, 0.0, 0, False
    key = names(found.answer.names)
    broken = yields[key] < target
    best = min(costs, key=costs.__getitem__) if costs else key
    named = {names(each.names) for each in found.undecided} | {key}
    answer_cost = (unit + prices[key[0]] + prices[key[1]]) / yields[key]
    excess = answer_cost / costs[best] - 1.0 if costs else 0.0
    return broken, best not in named and excess > 0.0, excess, found.answer.judged.units, True


def designs(count: int) -> None:
    """Counts over random designs, as a table."""
    start = time.process_time()
    found = [one(seed) for seed in range(count)]
    answers = sum(each[4] for each in found)
    missed = [each[2] for each in found if each[1]]
    print(
        "| designs | with an answer | promises broken | cheapest missed | largest excess cost of these | CPU s |"
    )
    print("|---|---|---|---|---|---|")
    excess = f"{100.0 * max(missed):.2f} %" if missed else "–"
    print(
        f"| {count} | {answers} | {sum(each[0] for each in found)} | {len(missed)} | {excess} | "
        f"{time.process_time() - start:.0f} |"
    )


def again(path: str, seeds: int) -> None:
    """The answer of a case, confirmed with other seeds."""
    case = margin.load(path)
    start, wall = time.process_time(), time.perf_counter()
    study = margin.improve(case)
    spent = f"{time.process_time() - start:.0f} s of processor time, {time.perf_counter() - wall:.0f} s of wall time"
    answer = study.answer
    if answer is None:
        print(f"{case.name}: no answer; {spent}")
        return
    print(
        f"{case.name}: {' + '.join(answer.names)}; {study.found.screened} of {study.found.sets} sets; {spent}"
    )
    print("| seed | units | yield | lower bound | low | high | verdict |")
    print("|---|---|---|---|---|---|---|")
    rows = [("search", answer.judged)]
    for k in range(1, seeds + 1):
        seed = case.study.seed + 1000 * k
        engine = Engine(margin.change(case, {"study.seed": seed}), study.found.measures)
        rows.append((str(seed), engine.confirm(answer.chosen, case.requirement.confidence)))
    for name, each in rows:
        bound, verdict = each.bound, each.verdict(case.requirement.target)
        numbers = " | ".join(
            f"{value:.4f}" for value in (each.reached.value, bound.value, bound.low, bound.high)
        )
        print(f"| {name} | {each.units} | {numbers} | {verdict} |")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--designs", type=int, default=0)
    parser.add_argument("--case")
    parser.add_argument("--seeds", type=int, default=3)
    asked = parser.parse_args()
    if asked.designs:
        designs(asked.designs)
    if asked.case:
        again(asked.case, asked.seeds)
