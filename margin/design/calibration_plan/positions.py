"""Positions of the loads of candidates, improved by coordinate search on common draws.

A heuristic: it ends where neither a load nor all of them together, moved by one position, raise the yield; that need
not be the best layout of all. How far it stays from the best one of a small grid is tested against full enumeration.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np

from margin.design.calibration_plan.candidates import Candidate, allowed
from margin.design.calibration_plan.trials import Scored

FIRST_STEP = 8
"""Positions that a load moves at first; the step is halved where nothing is better."""

MOST_ROUNDS = 12

Evaluate = Callable[[Iterable[Candidate]], list[Scored]]


def improved(
    starts: Sequence[Candidate],
    lattice: tuple[float, ...],
    evaluate: Evaluate,
    *,
    first_step: int = FIRST_STEP,
    rounds: int = MOST_ROUNDS,
) -> list[Scored]:
    """Each candidate with its loads moved to better positions of the lattice, in the order given.

    All candidates are searched side by side: in each round every load of every candidate, and all its loads together,
    are tried one step lower and one higher; a candidate takes its best move, or halves its step where none is better.
    """
    places = [allowed(each.spec, lattice) for each in starts]
    best = evaluate([_on(each, where) for each, where in zip(starts, places, strict=True)])
    steps = [first_step if each.spec.loads else 0 for each in starts]
    for _ in range(rounds):
        moves = [
            list(_moved(found.candidate, where, step)) if step else []
            for found, where, step in zip(best, places, steps, strict=True)
        ]
        if not any(steps):
            break
        scored = iter(evaluate([each for own in moves for each in own]))
        for place, own in enumerate(moves):
            tried = [next(scored) for _ in own]
            better = max(tried, key=lambda each: each.merit, default=best[place])
            if better.merit > best[place].merit:
                best[place] = better
            else:
                steps[place] //= 2
    return best


def _on(candidate: Candidate, places: tuple[float, ...]) -> Candidate:
    """The candidate with its loads at the nearest positions, each its own."""
    if not candidate.spec.loads:
        return candidate
    taken: list[int] = []
    count = len(candidate.spec.loads)
    for number, load in enumerate(candidate.spec.loads):
        nearest = int(np.argmin([abs(place - load) for place in places]))
        least = taken[-1] + 1 if taken else 0
        taken.append(min(max(nearest, least), len(places) - count + number))
    return candidate.at(tuple(places[k] for k in taken))


def _moved(candidate: Candidate, places: tuple[float, ...], step: int) -> Iterator[Candidate]:
    """Candidates with one load, or all together, moved by `step` positions, or as far as range and neighbours allow."""
    index = [places.index(load) for load in candidate.spec.loads]
    last = len(places) - 1
    together = {-min(step, index[0]), min(step, last - index[-1])} - {0} if len(index) > 1 else set()
    for shift in sorted(together):
        yield candidate.at(tuple(places[k + shift] for k in index))
    for number, place in enumerate(index):
        below = index[number - 1] + 1 if number else 0
        above = index[number + 1] - 1 if number + 1 < len(index) else last
        for target in sorted({max(place - step, below), min(place + step, above)} - {place}):
            loads = [*index[:number], target, *index[number + 1 :]]
            yield candidate.at(tuple(places[k] for k in loads))
