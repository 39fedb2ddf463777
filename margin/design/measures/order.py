"""Sets of measures in ascending cost of a made unit, one after the other and without end in memory."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterator, Sequence
from itertools import product

from distributions.errors import InvalidArgument

Chosen = tuple[int, ...]

MOST_TIMED = 5000
"""Combinations of measures that change the time of the calibration: each is worked out."""

_DIGITS = 9


def count_of_sets(groups: Sequence[Sequence[int]]) -> int:
    """Sets with at most one measure of each group."""
    return math.prod(len(group) + 1 for group in groups)


def ascending(
    groups: Sequence[Sequence[int]],
    added: Sequence[float],
    timed: Sequence[bool],
    time_cost: Callable[[Chosen], float],
) -> Iterator[tuple[float, Chosen]]:
    """Cost above today's parts and every set with at most one measure of each group, the cheapest first.

    groups     places of measures
    added      cost of each measure that adds up over a set; it may be negative
    timed      whether a measure may change the time of the calibration, which does not add up
    time_cost  cost of the calibration with some of the timed measures

    Sets that cost the same come by the number of their measures, then by their places. Every set comes, once, and
    nothing is assumed of their yields. Raises InvalidArgument for more than MOST_TIMED combinations of timed measures.
    """
    slow = [group for group in groups if any(timed[place] for place in group)]
    if count_of_sets(slow) > MOST_TIMED:
        raise InvalidArgument(
            f"{count_of_sets(slow)} combinations of measures that change the calibration are too many (at most "
            f"{MOST_TIMED}): put those that exclude each other in one group, or leave some out"
        )
    rest = [[(), *((place,) for place in group)] for group in groups if group not in slow]

    def with_timed(start: Chosen) -> Iterator[tuple[float, int, Chosen]]:
        base = time_cost(start) + sum(added[place] for place in start)
        for cost, others in _sums(rest, added):
            chosen = tuple(sorted((*start, *others)))
            yield round(base + cost, _DIGITS), len(chosen), chosen

    starts = product(*([(), *((place,) for place in group)] for group in slow))
    streams = [with_timed(tuple(sorted(sum(parts, ())))) for parts in starts]
    for cost, _, chosen in heapq.merge(*streams):
        yield cost, chosen


def _sums(choices: Sequence[Sequence[Chosen]], added: Sequence[float]) -> Iterator[tuple[float, Chosen]]:
    """One choice of each group, in ascending sum of their costs.

    Each combination but the first is reached from one other, by raising the last raised group or one behind it.
    """
    by_cost = [
        sorted((sum((added[place] for place in choice), 0.0), choice) for choice in group)
        for group in choices
    ]
    first = (0,) * len(by_cost)

    def cost_of(at: tuple[int, ...]) -> float:
        return math.fsum(group[k][0] for group, k in zip(by_cost, at, strict=True))

    heap = [(cost_of(first), 0, first)]
    while heap:
        cost, last, at = heapq.heappop(heap)
        yield cost, tuple(place for group, k in zip(by_cost, at, strict=True) for place in group[k][1])
        for group in range(last, len(by_cost)):
            if at[group] + 1 < len(by_cost[group]):
                raised = (*at[:group], at[group] + 1, *at[group + 1 :])
                heapq.heappush(heap, (cost_of(raised), group, raised))
