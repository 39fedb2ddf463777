"""Extreme values by bounded search: nothing is assumed monotone, nothing differentiable."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distributions import Stream, unit_points
from margin.estimates.worst_case.screen import Evaluate, Screen, four_corners

Array = NDArray[np.float64]

ROWS = 40_000
"""Most corners that one search evaluates; a search that has found nothing better for a while ends before."""

STARTS = 256
"""Quasi-random points inside the limits, and as many on corners."""

RESTARTS = 1
"""Of the quasi-random corners, how many of the best for each output and end are starts."""

FIRST_STEP = 0.25
SMALLEST_STEP = 1.0 / 64.0
"""Steps of the pattern search, as shares of the distance between the limits."""

PAIRS = 24
"""Pairs, of those with the largest interplay, that are moved together where no single move helps."""

ROUNDS = 3
"""Most times that the pattern search starts again from what a pair has found."""

WORTH = 1e-3
"""A step is halved where it gains less than this share of the range found."""


@dataclass(frozen=True)
class Found:
    """Extremes of each output; the first axis is the end: lowest, highest.

    error   (2, output)
    corner  (2, output, variable)
    change  (2, output, variable) by which the extreme recedes when one variable goes back to its centre
    rows    evaluations spent
    """

    error: Array
    corner: Array
    change: Array
    rows: int


class _Best:
    """Best corner of each state so far; a state is one end of one output. at: (state, variable)."""

    def __init__(self, errors: Evaluate, at: Array, value: Array) -> None:
        self.errors = errors
        self.at = at
        self.value = value
        self.rows = 0

    @property
    def states(self) -> NDArray[np.int64]:
        return np.arange(self.value.size)

    @property
    def worth(self) -> Array:
        """(state,) gain that is worth another move of the same size."""
        low, high = self.value.reshape(2, -1)
        return np.tile(WORTH * np.maximum(low + high, np.finfo(float).tiny), 2)

    def offer(self, rows: Array) -> Array:
        """Evaluate rows, keep for every state the best of all of them; (row, state) signed outputs."""
        found = self.errors(rows)
        self.rows += rows.shape[0]
        signed = np.concatenate([-found, found], axis=1)
        row = signed.argmax(axis=0)
        self.take(rows[row], signed[row, self.states])
        return signed

    def take(self, at: Array, value: Array) -> None:
        """Take over what is better; (state, variable) and (state,)."""
        better = value > self.value
        self.value = np.where(better, value, self.value)
        self.at = np.where(better[:, None], at, self.at)


def search(errors: Evaluate, low: Array, centre: Array, high: Array, screened: Screen) -> Found:
    """Lowest and highest of each output of `errors`, rows (row, variable) -> (row, output), between the limits.

    Starts are the corner that the variables choose one at a time and the best quasi-random corners; each first
    flips variables from limit to limit. From the best corner, or a quasi-random point inside if that is
    better, a pattern search (Hooke and Jeeves, 1961, from memory) tries every variable at its limits and a step
    to either side, takes the best moves together as far as that helps, and halves the step where nothing does.
    Then pairs with an interplay at the limits move together, and the search goes on if that helped. Every corner
    evaluated counts for every output.

    low, centre, high  (variable,)
    At most about ROWS evaluations. The extreme found is reached by the corner given with it. There may be one
    further out: where three or more variables must move together and no start lies near, or where it is narrower
    than the steps; for a shipped case twenty restarts came up to 3 % further. Limits count as independent
    here; what is one draw is one variable (`tied`).
    """
    outputs, count = screened.still.size, centre.size
    best = _Best(errors, np.tile(centre, (2 * outputs, 1)), np.concatenate([-screened.still, screened.still]))
    change = np.zeros((2 * outputs, count))
    if count:
        _start(best, low, centre, high, screened)
        _climb(best, low, high, np.full(2 * outputs, FIRST_STEP))
        for _ in range(ROUNDS):
            gained = _move_pairs(best, low, high, screened)
            if not gained.any() or best.rows >= ROWS:
                break
            _climb(best, low, high, np.where(gained, FIRST_STEP, 0.0))
        change = _recede(best, centre)
    return Found(
        best.value.reshape(2, outputs) * np.array([[-1.0], [1.0]]),
        best.at.reshape(2, outputs, count),
        change.reshape(2, outputs, count),
        best.rows,
    )


def _start(best: _Best, low: Array, centre: Array, high: Array, screened: Screen) -> None:
    points = _points(centre.size)
    best.offer(low + points[:STARTS] * (high - low))
    corners = np.where(points[STARTS:] < 0.5, low, high)
    signed = best.offer(corners)
    order = np.argsort(-signed, axis=0)[:RESTARTS]
    below, above = screened.alone
    chosen = np.where(np.concatenate([below > above, above > below], axis=1).T, high, low)
    for at in (chosen, *corners[order]):
        trial = _Best(best.errors, at, np.full(best.value.size, -np.inf))
        trial.offer(at)
        _flip(trial, low, high)
        best.take(trial.at, trial.value)
        best.rows += trial.rows


@functools.lru_cache(maxsize=8)
def _points(count: int) -> Array:
    """(2 STARTS, count) quasi-random points of the unit cube, the same for every case."""
    names = tuple(f"variable {i}" for i in range(count))
    points: Array = unit_points("sobol", Stream(0), names, 0, 2 * STARTS).T
    points.flags.writeable = False
    return points


def _flip(best: _Best, low: Array, high: Array) -> None:
    """Variables to their other limit, as long as that helps."""
    active = best.states
    while active.size and best.rows < ROWS // 8:
        before = best.value.copy()
        at = best.at[active]
        _move(best, np.where(at == low, high, low)[:, None], active)
        active = np.nonzero(best.value - before > best.worth)[0]


def _climb(best: _Best, low: Array, high: Array, step: Array) -> None:
    """Pattern search from the best corner of every state; step: (state,), 0 for a state that rests."""
    while best.rows < ROWS:
        active = np.nonzero(step >= SMALLEST_STEP)[0]
        if not active.size:
            return
        before = best.value.copy()
        at = best.at[active]
        reach = step[active, None] * (high - low)
        ends = (np.broadcast_to(end, at.shape) for end in (low, high))
        _move(
            best, np.stack([*ends, np.maximum(at - reach, low), np.minimum(at + reach, high)], axis=1), active
        )
        step = np.where(best.value - before > best.worth, step, 0.5 * step)


def _move(best: _Best, trial: Array, active: NDArray[np.int64]) -> None:
    """Each variable of the active states to each of its trial values (active, level, variable); then the best
    moves of each state together."""
    at, before = best.at[active], best.value[active]
    new = trial != at[:, None]
    # a step that ends at a limit is a move to that limit, which is among the levels already
    new[:, 2:] &= (trial[:, 2:] != trial[:, :1]) & (trial[:, 2:] != trial[:, 1:2])
    state, level, variable = np.nonzero(new)
    rows = at[state]
    rows[np.arange(state.size), variable] = trial[state, level, variable]
    gain = np.full(trial.shape, -np.inf)
    signed = best.offer(rows)
    gain[state, level, variable] = signed[np.arange(state.size), active[state]] - before[state]
    by_level = gain.argmax(axis=1)[:, None]
    target = np.take_along_axis(trial, by_level, axis=1)[:, 0]
    gained = np.take_along_axis(gain, by_level, axis=1)[:, 0]
    rank = np.argsort(np.argsort(-gained, axis=1), axis=1)
    most = int((gained > 0.0).sum(axis=1).max(initial=0))
    counts = [2**k for k in range(1, most.bit_length() + 1)]
    if most > 1:
        best.offer(
            np.concatenate([np.where((rank < count) & (gained > 0.0), target, at) for count in counts])
        )


def _move_pairs(best: _Best, low: Array, high: Array, screened: Screen) -> NDArray[np.bool_]:
    """Pairs with the largest interplay to their four corners; which states that helped, (state,)."""
    outputs = screened.still.size
    before = best.value.copy()
    rows = []
    for state, at in enumerate(best.at):
        interplay = screened.interplay[:, state % outputs]
        leading = np.argsort(-interplay, kind="stable")[:PAIRS]
        leading = leading[interplay[leading] > best.worth[state]]
        rows.append(four_corners(at, screened.first[leading], screened.second[leading], low, high))
    every = np.concatenate(rows)
    if not every.size:
        return np.zeros(best.value.size, dtype=bool)
    best.offer(every)
    gained: NDArray[np.bool_] = best.value - before > best.worth
    return gained


def _recede(best: _Best, centre: Array) -> Array:
    """(state, variable) what one variable back at its centre takes away; what takes nothing goes back there,
    so that a corner shows only what it needs."""
    states, count = best.at.shape
    rows = np.repeat(best.at[:, None], count, axis=1)
    rows[:, np.arange(count), np.arange(count)] = centre
    signed = best.offer(rows.reshape(states * count, count)).reshape(states, count, states)
    own = signed[best.states, :, best.states]
    change = best.value[:, None] - own
    needed = np.where(change > 0.0, best.at, centre)
    reached = best.offer(needed)[best.states, best.states]
    best.at = np.where((reached >= best.value)[:, None], needed, best.at)
    return np.maximum(change, 0.0)
