"""Memory of the loads before: creep, hysteresis and zero return along a sequence of steps of constant load.

Each effect becomes that of the static chain where one step follows a rest: creep is the superposition of the same
logarithmic law, step by step; the loop of hysteresis over a whole cycle is the same parabola; what is left when the
load has just been removed is the whole zero return, which then vanishes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from margin.chain.laws import absent
from margin.chain.parameter import Value
from margin.chain.sensors.creep import EARLIEST

Array = NDArray[np.float64]

TERMS_PER_DECADE = 3
"""Delayed parts in each decade of time: the logarithmic law is followed within 0.1 % of a decade's creep."""

_ROOM = 2.0
"""Decades of delayed parts beyond the longest time, so that the law has no end there."""


@dataclass(frozen=True)
class Memory:
    """Steps of constant load that follow each other, the same for all units.

    loads, seconds  (step,): N, and how long each lasts; what a reading shows is the end of its step
    peak            N, top of the load cycle to which hysteresis is stated
    recovery        s, time constant with which a zero return vanishes after the load is removed
    """

    loads: Array
    seconds: Array
    peak: float
    recovery: float

    def remembered(
        self, output: Value, *, hysteresis: Value, creep: Value, reference_time: Value, zero_return: Value
    ) -> Value:
        """Net output, in its unit, at the end of each step.

        output          net of zero, rested, on the ascending branch: broadcast over (..., step)
        hysteresis      relative excess of the descending branch in the middle of the cycle to `peak`
        creep           relative change per decade, 0 at `reference_time`, s
        zero_return     share of the output that is left when the load has just been removed
        """
        result = output
        if not absent(hysteresis):
            result = result * (1.0 + hysteresis * self.branch)
        if not absent(creep):
            result = result + creep * self.crept(np.asarray(output), reference_time)
        if not absent(zero_return):
            result = result + zero_return * self.left_over(np.asarray(output))
        return result

    @cached_property
    def branch(self) -> Array:
        """Where in the hysteresis loop each step ends, (step,): 0 on the ascending branch of the cycle from 0 to the
        peak, 4 u (1 - u) on its descending branch.

        A play operator of every width with one weight (Rayleigh's law; Bertotti, Hysteresis in Magnetism, chapter 1,
        from memory), cycled between 0 and the peak before the history: its loops are parabolas, smaller cycles have
        loops smaller by the square, and a cycle once closed leaves no trace.
        """
        top = max(self.peak, float(self.loads.max()))
        turns = [(top, 0.5 * top * top), (0.0, 0.25 * top * top)]
        now, found = 0.0, np.empty(self.loads.size)
        state = turns[-1][1]
        for step, load in enumerate(self.loads.tolist()):
            if load != now:
                rising = load > now
                if rising != (turns[-1][0] < now or (turns[-1][0] == now and turns[-2][0] > now)):
                    turns.append((now, state))
                # beyond the extreme before the last, the cycle between them is closed and forgotten
                while len(turns) > 2 and (load >= turns[-2][0] if rising else load <= turns[-2][0]):
                    del turns[-2:]
                at, level = turns[-1]
                if len(turns) == 2 and load >= top:
                    at, level = 0.0, 0.25 * top * top
                sign = 1.0 if load > at else -1.0
                state = level + sign * 0.25 * (load - at) ** 2
                now = load
            found[step] = state - 0.25 * (top * top + load * load)
        return np.maximum(8.0 * found / (top * top), 0.0)

    def crept(self, output: Array, reference_time: Value) -> Array:
        """Creep of the output in units of that per decade, (..., step).

        Superposition of log10(t / t0) for every change of the output (Boltzmann), each held below t0 / 1000 as in
        `creep_factor`; the law is followed by delayed parts whose states are brought from step to step.
        """
        times, weights = delayed_parts(self._decades(reference_time))
        steps = self.loads.size
        whole = np.broadcast_to(output, np.broadcast_shapes(np.shape(output), (steps,)))
        t0 = np.asarray(reference_time, dtype=np.float64)
        scaled = self.seconds if t0.ndim == 0 else None
        shape = np.broadcast_shapes(whole.shape[:-1], t0.shape[:-1] if t0.ndim else ())
        state = np.zeros((*shape, times.size))
        found = np.empty((*shape, steps))
        decays: dict[float, Array] = {}
        for step in range(steps):
            lasting = float(self.seconds[step])
            if scaled is not None:
                decay = decays.get(lasting)
                if decay is None:
                    decay = decays[lasting] = np.exp(-lasting / (float(t0) * times))
            else:
                decay = np.exp(-lasting / (t0 * times))
            now = whole[..., step, np.newaxis]
            # towards the output now on: exact for a step of constant load
            state -= now
            state *= decay
            state += now
            found[..., step] = state @ weights + math.log10(EARLIEST) * whole[..., step]
        return found

    def _decades(self, reference_time: Value) -> int:
        """Decades from the earliest time of the law to beyond the history."""
        shortest = float(np.min(np.asarray(reference_time)))
        longest = max(float(self.seconds.sum()), shortest)
        return math.ceil(math.log10(longest / (EARLIEST * shortest)) + _ROOM)

    def left_over(self, output: Array) -> Array:
        """Output by which the present one falls short of what was there before, as far as it has not vanished.

        s - p with s the largest output so far, which falls back with the time constant of the recovery.
        """
        steps = self.loads.size
        whole = np.broadcast_to(output, np.broadcast_shapes(np.shape(output), (steps,)))
        held = np.zeros(whole.shape[:-1])
        found = np.empty(whole.shape)
        for step in range(steps):
            now = whole[..., step]
            held = now + np.maximum(held - now, 0.0) * math.exp(-float(self.seconds[step]) / self.recovery)
            found[..., step] = held - now
        return found

    def settled(self, output: Value, time_constant: Value) -> Value:
        """What a filter of one pole shows of the output at the end of each step, exact for steps; (..., step)."""
        if not np.any(time_constant):
            return output
        decay = np.exp(-self.seconds / np.maximum(time_constant, 1e-300))
        steps = self.loads.size
        whole = np.broadcast_to(output, np.broadcast_shapes(np.shape(output), np.shape(decay)))
        decay = np.broadcast_to(decay, whole.shape)
        found = np.empty(whole.shape)
        # at rest at its first load before the history
        state = whole[..., 0]
        for step in range(steps):
            now = whole[..., step]
            state = now + (state - now) * decay[..., step]
            found[..., step] = state
        return found

    @cached_property
    def placements(self) -> NDArray[np.int64]:
        """First step of the placement that each step belongs to, (step,): a load that grows from 0 is placed anew."""
        loaded = self.loads > 0.0
        begins = loaded & ~np.concatenate([[False], loaded[:-1]])
        return self._first_of(begins)

    @cached_property
    def reloads(self) -> NDArray[np.int64]:
        """First step of the placement, or of the time without a load, that each step belongs to, (step,).

        The unloaded unit is under no placement: what it reads has no part in the scatter of the one before.
        """
        loaded = self.loads > 0.0
        return self._first_of(loaded != np.concatenate([loaded[:1], loaded[:-1]]))

    def _first_of(self, begins: NDArray[np.bool_]) -> NDArray[np.int64]:
        return np.maximum.accumulate(np.where(begins, np.arange(self.loads.size), 0))


@lru_cache(maxsize=32)
def delayed_parts(decades: int) -> tuple[Array, Array]:
    """Time constants, in reference times, and weights whose sum of 1 - exp(-t / tau) follows log10(t / t0) + 3.

    From t0 / 1000 on, over so many decades. Equal weights at equal steps of the logarithm follow it but at its ends
    (Schapery's collocation); here least squares over the whole span.
    """
    first = math.log10(EARLIEST)
    number = decades * TERMS_PER_DECADE
    times = 10.0 ** (first - 1.0 + np.arange(number) / TERMS_PER_DECADE)
    at = 10.0 ** np.linspace(first, first + decades - _ROOM, 40 * decades)
    parts = -np.expm1(-at[:, np.newaxis] / times)
    weights, *_ = np.linalg.lstsq(parts, np.log10(at) - first, rcond=1e-9)
    return times, np.asarray(weights, dtype=np.float64)
