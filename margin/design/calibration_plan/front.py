"""Plans that give the highest yield for the time they take: the front of yield against seconds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from margin.design.calibration_plan.trials import Scored, gain_over

MOST_ON_FRONT = 10
"""Plans that are kept of a front."""


def in_order(found: Iterable[Scored]) -> list[Scored]:
    """By seconds; of the same time those without a thermometer, then those of the highest yield first."""
    return sorted(found, key=lambda s: (round(s.seconds, 9), s.corrected, -s.merit[0], -s.merit[1]))


def by_yield(found: Scored) -> tuple[float, float]:
    """Yield first."""
    return found.merit


def by_error(found: Scored) -> tuple[float, float]:
    """The error of a unit that the required yield keeps first: it tells plans apart where hardly a unit fails."""
    return -found.ratio, found.reached


def undominated(
    found: Iterable[Scored],
    most: int = MOST_ON_FRONT,
    by: Callable[[Scored], tuple[float, float]] = by_yield,
) -> list[Scored]:
    """Plans of which no other is as quick and better, the quickest first.

    Where there are more than `most`, those that gain least over the one before are left out.
    """
    kept: list[Scored] = []
    for each in sorted(found, key=lambda s: (round(s.seconds, 9), *(-part for part in by(s)), s.corrected)):
        if not kept or by(each) > by(kept[-1]):
            kept.append(each)
    while len(kept) > most:
        gains = [by(after)[0] - by(before)[0] for before, after in pairwise(kept)]
        # the quickest and the best one stay
        least = min(range(len(gains) - 1), key=lambda k: gains[k])
        del kept[least + 1]
    return kept


def resolved(found: Iterable[Scored], confidence: float, most: int = MOST_ON_FRONT) -> list[Scored]:
    """The front of what the draws resolve: each plan is better than the one before it by more than the interval of
    the difference, on common draws. A longer plan whose gain is not resolved is not worth its time."""
    kept: list[Scored] = []
    for each in undominated(found, most=10**6):
        if not kept:
            kept.append(each)
            continue
        gain, half = gain_over(each, kept[-1], confidence)
        if gain > half or (gain == 0.0 == half and each.ratio < kept[-1].ratio and each.reached < 1.0):
            kept.append(each)
    return undominated(kept, most)


def by_thermometer(found: Sequence[Scored]) -> list[list[Scored]]:
    """The candidates without and with a thermometer, where there are any: a part on the board is no matter of time."""
    groups = [[each for each in found if each.corrected is corrected] for corrected in (False, True)]
    return [group for group in groups if group]


def fronts_of(found: Sequence[Scored], confidence: float) -> tuple[tuple[Scored, ...], ...]:
    """Resolved fronts without a thermometer and with one, where both were tried, each the quickest plan first.

    A thermometer has to be worth its part: a plan with one stays if it is better than every plan without one that is
    as quick, by more than the interval of the difference.
    """
    first, *corrected = [tuple(resolved(group, confidence)) for group in by_thermometer(found)]
    if not corrected:
        return (first,)
    worth = tuple(each for each in corrected[0] if _is_worth(each, first, confidence))
    return (first, worth) if worth else (first,)


def _is_worth(plan: Scored, without: Sequence[Scored], confidence: float) -> bool:
    quicker = [each for each in without if each.seconds <= plan.seconds + 1e-9]
    if not quicker:
        return True
    gain, half = gain_over(plan, max(quicker, key=lambda each: each.merit), confidence)
    return gain > half
