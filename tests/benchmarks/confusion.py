"""How often a diagnosis finds the cause that a prototype has: prints the tables kept in confusion.md.

    PYTHONPATH=. python tests/benchmarks/confusion.py [--prototypes 50] [--of pad gripper] [--only confusion ...]

Invented prototypes of a small pad and of the shipped gripper, drawn with other seeds than the predictions. Of each
cause the size is that which the best single figure of merit detects in 80 % of prototypes, at 5 % for all figures
(Bonferroni). About 15 minutes of one core.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

import margin
from margin.case import Case
from margin.chain.sensors.hysteresis import play
from margin.diagnosis.catalogue import Cause
from margin.diagnosis.features import features_of
from margin.diagnosis.figures import Shape, figures_of
from margin.diagnosis.likelihood import fit
from margin.diagnosis.next_test import inquiry_of
from margin.diagnosis.observation import Observation
from margin.diagnosis.plan import Hold, Plan, Step
from margin.diagnosis.predictions import Predicted, predict, visible
from margin.diagnosis.ranking import NOTHING, UNKNOWN, diagnose
from margin.diagnosis.situation import Situation, as_designed
from margin.diagnosis.taken import Taken, take
from margin.propagation.threads import own_threads_alone

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "diagnosis")]
from small_prototype import small_case  # noqa: E402

Array = NDArray[np.float64]
DETECTED, SIGNIFICANCE = 0.8, 0.05
GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_amplifier" / "case.toml"
UNITS, SIZES = 500, 8
"""As the command draws them."""


def cycle(loads: tuple[float, ...], temperature: float, option: str | None) -> Plan:
    """Two mountings of three runs over both branches, and a hold."""
    up = [Step(load, 0.0, 1.0, temperature) for load in (0.0, *loads)]
    down = [Step(load, 1.0, 1.0, temperature) for load in (*reversed(loads[:-1]), 0.0)]
    hold = Hold(loads[len(loads) // 2], (1.0, 3.0, 10.0, 30.0, 100.0, 300.0), temperature)
    return Plan((*up, *down), 6, option, 0.0, (0, 0, 0, 1, 1, 1), hold)


@dataclass(frozen=True)
class Bed:
    """A case, how its prototypes are read, what is predicted, and the figures of 5,000 unchanged units."""

    case: Case
    plan: Plan
    predicted: Predicted
    figures: Array

    @property
    def shape(self) -> Shape:
        """The readings as figures of merit see them."""
        return shape_of(self.plan)

    def drawn(self, situation: Situation, count: int, seed: int) -> list[Observation]:
        """Prototypes of a situation."""
        found = take(situation, self.plan, count, seed)
        held = [None] * count if found.held is None else list(found.held)
        return [
            Observation(self.plan, np.array(runs), held=None if hold is None else np.array(hold))
            for runs, hold in zip(found.runs, held, strict=True)
        ]

    def made(self, cause: Cause | None, size: float, count: int, seed: int) -> list[Observation]:
        """Prototypes with a cause of that size."""
        base = as_designed(self.case)
        return self.drawn(base if cause is None else cause.apply(base, size), count, seed)


def shape_of(plan: Plan) -> Shape:
    """The readings of a plan as figures of merit see them."""
    loads, down = plan.of("load"), plan.of("descending")
    present = np.ones((plan.runs, loads.size), dtype=bool)
    hold = plan.hold
    return Shape(
        loads, down, plan.mounted, present, None if hold is None else hold.load,
        None if hold is None else np.array(hold.times),
    )  # fmt: skip


def bed(name: str) -> Bed:
    """The small pad by its design curve, or the gripper by its two-point calibration."""
    if name == "pad":
        case, plan = small_case(), cycle((6.0, 20.0, 40.0, 60.0), 25.0, None)
    else:
        case = margin.load(GRIPPER)
        plan = cycle((2.0, 5.0, 10.0, 20.0, 40.0, 60.0), 23.0, "two points, 2 reloads, thermometer")
    predicted = predict(case, plan, units=UNITS, sizes=SIZES)
    return Bed(case, plan, predicted, of_merit(plan, take(as_designed(case), plan, 5000, 17)))


def of_merit(plan: Plan, taken: Taken) -> Array:
    """Figures of merit, (unit, figure)."""
    return figures_of(shape_of(plan), taken.runs, taken.held)[1]


def outside(own: Bed, figures: Array) -> NDArray[np.bool_]:
    """Whether figures (unit, figure) lie outside the limits of unchanged units, at 5 % for all of them."""
    tail = 0.5 * SIGNIFICANCE / own.figures.shape[1]
    low, high = np.quantile(own.figures, [tail, 1.0 - tail], axis=0)
    result: NDArray[np.bool_] = (figures < low) | (figures > high)
    return result


def power(own: Bed, situation: Situation) -> float:
    """Share of prototypes of which the best single figure lies outside the limits of unchanged units."""
    found = of_merit(own.plan, take(situation, own.plan, 400, 23))
    return float(np.max(np.mean(outside(own, found), axis=0)))


def unusual(own: Bed, seen: Observation) -> bool:
    """Whether any figure of a prototype is unusual: its causes are asked for only then."""
    held = None if seen.held is None else seen.held[None]
    return bool(outside(own, of_merit(own.plan, Taken(seen.reported[None], held))).any())


def detected_size(own: Bed, cause: Cause, sign: float) -> float | None:
    """Size that is detected in 80 %; None where the largest is not, or the least of the range already is."""
    base = as_designed(own.case)

    def above(log_size: float) -> float:
        return power(own, cause.apply(base, sign * float(np.exp(log_size)))) - DETECTED

    low, high = np.log(1e-3 * cause.low), np.log(cause.high)
    if above(high) < 0.0 or above(low) > 0.0:
        return None
    return sign * float(np.exp(brentq(above, low, high, xtol=0.02)))


def confusion(own: Bed, count: int) -> None:
    """Place of the true cause, or its class, in the ranking."""
    predicted = own.predicted
    seen, total = visible(predicted), []
    print("| cause | size | first | second | below | mean size of its class | most often first instead |")
    print("|---|---|---|---|---|---|---|")
    for place, cause in enumerate(predicted.causes):
        sign = -1.0 if cause.signed and place % 2 else 1.0
        size = detected_size(own, cause, sign) if seen[place] else None
        if size is None:
            print(f"| {cause.name} | never detected in 80 % | | | | | |")
            continue
        ranks, others, sizes = [], [], []
        for each in own.made(cause, size, count, 52_000 + place):
            ranking = [names for names, _ in diagnose(predicted, each).ranking]
            rank = next(i for i, names in enumerate(ranking) if cause.name in names)
            ranks.append(rank)
            sizes.append(len(ranking[rank]))
            if rank:
                others.append(ranking[0][0])
        found = np.array(ranks)
        shares = [np.mean(found == 0), np.mean(found == 1), np.mean(found > 1)]
        total.append(shares)
        most = max(set(others), key=others.count) if others else ""
        share = " | ".join(f"{100 * s:.0f} %" for s in shares)
        print(f"| {cause.name} | {cause.shown(size)} | {share} | {np.mean(sizes):.1f} | {most} |", flush=True)
    mean = " | ".join(f"{100 * s:.1f} %" for s in np.mean(total, axis=0))
    print(f"| all {len(total)} causes | | {mean} | | |")
    kept = [
        diagnose(predicted, each).ranking[0][0] == (NOTHING,)
        for each in own.made(None, 0.0, 20 * count, 52_999)
    ]
    print(
        f"\nUnchanged prototypes of which nothing unusual came first: {100 * np.mean(kept):.1f} % of {len(kept)}"
    )


def drawn_cause(own: Bed, rng: np.random.Generator) -> tuple[Cause | None, float, int, Observation]:
    """A prototype by the prior: nothing, or a cause and a size alike in its logarithm; with the seed of its unit."""
    predicted = own.predicted
    seed = int(rng.integers(10**6, 10**7))
    if rng.random() < predicted.prior_nothing:
        return None, 0.0, seed, own.made(None, 0.0, 1, seed)[0]
    place = int(rng.choice(np.flatnonzero(visible(predicted))))
    path = predicted.sizes[place][int(rng.integers(len(predicted.sizes[place])))]
    low, high = (np.log(abs(end.size)) for end in (path.drawn[0], path.drawn[-1]))
    size = float(np.sign(path.drawn[0].size) * np.exp(rng.uniform(low, high)))
    cause = predicted.causes[place]
    return cause, size, seed, own.made(cause, size, 1, seed)[0]


def reliability(own: Bed, count: int) -> None:
    """Probabilities given against how often they are true, for prototypes drawn by the prior."""
    rng, predicted = np.random.default_rng(525), own.predicted
    pairs: list[tuple[float, bool]] = []
    classes: list[tuple[float, bool]] = []
    score = {"probabilities": 0.0, "residual alone": 0.0}
    names = predicted.names()
    for _ in range(count):
        cause, _, _, seen = drawn_cause(own, rng)
        true = NOTHING if cause is None else cause.name
        found = diagnose(predicted, seen)
        given = {c.name: c.probability for c in found.causes} | {NOTHING: found.nothing}
        pairs += [(p, name == true) for name, p in given.items()]
        pairs.append((found.unknown, False))
        classes += [(p, true in group) for group, p in found.ranking]
        score["probabilities"] += np.log(max(given.get(true, 0.0), 1e-6))
        least = fit(predicted.segments, predicted.scores.of(seen.features)).distance
        every = {name: np.min(least[predicted.segments.owner == k]) for k, name in enumerate(names)}
        every[NOTHING] = least[0]
        by_residual = {name: np.exp(-0.5 * (d - min(every.values()))) for name, d in every.items()}
        score["residual alone"] += np.log(max(by_residual[true] / sum(by_residual.values()), 1e-6))
    for what, table in (("cause", pairs), ("class", classes)):
        print(f"\n| probability given to a {what} | mean | given | true |\n|---|---|---|---|")
        values, right = np.array([p for p, _ in table]), np.array([t for _, t in table])
        for low, high in (
            (0.05, 0.2),
            (0.2, 0.4),
            (0.4, 0.6),
            (0.6, 0.75),
            (0.75, 0.85),
            (0.85, 0.95),
            (0.95, 1.01),
        ):
            inside = (values >= low) & (values < high)
            if inside.any():
                shares = f"{values[inside].mean():.2f} | {inside.sum()} | {100 * right[inside].mean():.0f} %"
                print(f"| {low:g} to {min(high, 1):g} | {shares} |")
    for name, value in score.items():
        print(f"\nLog score by {name}: {value / count:.3f} per prototype of {count}")


def foreign_readings(plan: Plan, kind: str, rng: np.random.Generator) -> tuple[Array, Array]:
    """Loads that a prototype of another model reports, N: (run, step), and along the hold.

    kind 'netlist'    a film shunted through a diode, solved by Kirchhoff's current law
         'operators'  play operators of a film that sticks, in place of a branch factor
         'wave'       a mount that is stiff at some loads and soft at others
    """
    load = plan.of("load")
    top = plan.top
    hold = np.full(len(plan.hold.times) if plan.hold else 0, plan.hold.load if plan.hold else 0.0)
    unit = 1.0 + 0.02 * rng.normal()
    mounted = 1.0 + 0.01 * rng.normal(size=plan.mountings)
    gains = unit * mounted[plan.mounted] * (1.0 + 0.012 * rng.normal(size=plan.runs))
    amount, width, phase = rng.uniform(0.1, 0.25), rng.uniform(0.3, 0.5), rng.uniform(0.0, 6.0)

    def through(applied: Array) -> Array:
        if kind == "operators":
            played = play(applied, np.array([0.1 * top, 0.3 * top]))
            return np.asarray((1.0 - 1.6 * amount) * applied + amount * (played[..., 0] + played[..., 1]))
        if kind == "wave":
            return np.asarray(
                applied * (1.0 + 0.5 * amount * np.sin(np.log(applied / top + 0.01) / width + phase))
            )
        found = np.empty(applied.shape)
        for index in np.ndindex(applied.shape):
            conductance = 4e-6 * (applied[index] / 20.0) ** 0.9 + 2e-7

            def balance(node: float, conductance: float = conductance) -> float:
                diode = amount * 4e-5 * (np.expm1(node / 0.12) / np.expm1(6.0))
                return float((1.2 - node) * conductance - diode - node / 6e4)

            node = brentq(balance, 0.0, 1.2)
            conducted = node / 6e4 / max(1.2 - node, 1e-9)
            found[index] = 20.0 * (max(conducted - 2e-7, 0.0) / 4e-6) ** (1.0 / 0.9)
        return found

    runs = gains[:, None] * through(load)[None, :] + 5e-4 * top * rng.normal(size=(plan.runs, load.size))
    after = (load == 0.0) & (plan.of("descending") == 0.0)
    held = gains[0] * through(hold) * (1.0 + 0.02 * np.log10(np.array(plan.hold.times if plan.hold else ())))
    return np.asarray(np.where(after, 1e-3 * top * np.abs(rng.normal(size=runs.shape)), runs)), held


def foreign(own: Bed, count: int) -> None:
    """How often 'none of the catalogue' comes first for prototypes of other models."""
    rng = np.random.default_rng(528)
    print("\n| model | none of the catalogue first | a cause given 80 % or more |\n|---|---|---|")
    for kind in ("netlist", "operators", "wave"):
        none, confident = 0, 0
        for _ in range(count):
            runs, held = foreign_readings(own.plan, kind, rng)
            found = diagnose(own.predicted, Observation(own.plan, runs, held=held))
            names, probability = found.ranking[0]
            none += names == (UNKNOWN,)
            confident += names[0] not in (UNKNOWN, NOTHING) and probability >= 0.8
        print(f"| {kind} | {100 * none / count:.0f} % | {100 * confident / count:.0f} % |", flush=True)


def settle(own: Bed, count: int) -> None:
    """Ambiguous prototypes settled by at most two proposed tests, and what tests told against what was expected."""
    rng, predicted = np.random.default_rng(623), own.predicted
    settled, right, wrong, part = 0, 0, 0, 0
    expected: dict[str, list[tuple[float, float]]] = {}
    ambiguous = 0
    for _ in range(40 * count):
        cause, size, seed, seen = drawn_cause(own, rng)
        if cause is None or not unusual(own, seen):
            continue
        found = diagnose(predicted, seen)
        if found.verdict not in ("ambiguous", "alike") or found.ranking[0][0][0] in (NOTHING, UNKNOWN):
            continue
        inquiry = inquiry_of(found, units=200)
        if max(inquiry.probabilities.values()) >= DETECTED:
            continue
        ambiguous += 1
        # further tests are of the same unit: its seed
        true = cause.apply(as_designed(own.case), size)
        for number in range(2):
            ranked = inquiry.ranked(samples=30)
            if number == 0:
                before = inquiry.probabilities.get(cause.name, 0.0)
                for each in ranked:
                    outcome = each.test.outcome(true, own.plan, 1, seed)[0]
                    after = inquiry.after(each.test, outcome).probabilities.get(cause.name, 0.0)
                    told = np.log2(max(after, 1e-4) / max(before, 1e-4))
                    expected.setdefault(each.name, []).append((each.information, float(told)))
            test = ranked[0].test
            inquiry = inquiry.after(test, test.outcome(true, own.plan, 1, seed)[0])
            if max(inquiry.probabilities.values()) >= DETECTED:
                break
        name, share = next(iter(inquiry.probabilities.items()))
        settled += share >= DETECTED
        right += share >= DETECTED and name == cause.name
        wrong += share >= DETECTED and name != cause.name
        where, sure = next(iter(inquiry.parts.items()))
        part += sure >= DETECTED and where == cause.part
        if ambiguous == count:
            break
    print(
        f"\nOf {ambiguous} ambiguous prototypes at most two proposed tests settled {settled} (one cause at 80 % or "
        f"more): {right} on the true cause, {wrong} on another. The true part had 80 % or more in {part}."
    )
    print("\n| test | expected information (bit) | told (bit, mean and standard error) |\n|---|---|---|")
    for name, values in sorted(expected.items(), key=lambda each: -float(np.mean([e for e, _ in each[1]]))):
        given, told = np.array(values).T
        error = told.std(ddof=1) / np.sqrt(told.size)
        print(f"| {name} ({told.size}) | {given.mean():.2f} | {told.mean():.2f} +/- {error:.2f} |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--prototypes", type=int, default=50)
    parser.add_argument("--of", nargs="*", default=["pad", "gripper"])
    parser.add_argument("--only", nargs="*", default=["confusion", "reliability", "foreign", "settle"])
    given = parser.parse_args()
    for name in given.of:
        began = time.time()
        own = bed(name)
        known = own.predicted
        print(
            f"\n## {name}\n\n{len(features_of(own.plan))} features, prior of nothing unusual "
            f"{known.prior_nothing:.2f}, covariances times {known.factors.min():.2f} to {known.factors.max():.2f}\n",
            flush=True,
        )
        if "confusion" in given.only:
            confusion(own, given.prototypes)
        if "reliability" in given.only:
            reliability(own, 20 * given.prototypes)
        if "foreign" in given.only:
            foreign(own, given.prototypes)
        if "settle" in given.only:
            settle(own, given.prototypes)
        print(f"\n{time.time() - began:.0f} s", flush=True, file=sys.stderr)


if __name__ == "__main__":
    with own_threads_alone():
        main()
