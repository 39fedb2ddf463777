"""In which order a kernel computes its nodes: loops over those axes only on which a value varies."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from margin.backends.compiled.graph import Node, Shape, needed_for


@dataclass(frozen=True)
class Sink:
    """What is counted of a node in every reading.

    kind  'error' (option and condition say of what), 'clipped', 'blind' or 'required'
    """

    kind: Literal["error", "clipped", "blind", "required"]
    node: Node
    shape: Shape
    option: int = 0
    condition: int = 0


@dataclass(frozen=True)
class Phase:
    """A nest of loops over the axes of `shape`: nodes in order, then sinks."""

    shape: Shape
    nodes: tuple[Node, ...]
    sinks: tuple[Sink, ...]


def phases_of(sinks: Iterable[Sink]) -> list[Phase]:
    """Phases in order; each takes all that can be computed, fewest turns first."""
    waiting_sinks = list(sinks)
    waiting = [n for n in needed_for(s.node for s in waiting_sinks) if not n.is_fixed]
    shapes = sorted(
        {n.shape for n in waiting} | {s.shape for s in waiting_sinks}, key=lambda s: (math.prod(s), s)
    )
    done: set[int] = set()
    phases: list[Phase] = []
    while waiting or waiting_sinks:
        for shape in shapes:
            inside = _ready(waiting, shape, done)
            now = done | {n.number for n in inside}
            counted = [s for s in waiting_sinks if s.shape == shape and _known(s.node, now)]
            if inside or counted:
                break
        done = now
        waiting = [n for n in waiting if n.number not in done]
        waiting_sinks = [s for s in waiting_sinks if s not in counted]
        phases.append(Phase(shape, tuple(inside), tuple(counted)))
    return phases


def _ready(waiting: list[Node], shape: Shape, done: set[int]) -> list[Node]:
    inside: list[Node] = []
    known = set(done)
    for node in waiting:
        if node.shape != shape:
            continue
        # one element of a value that varies on axes exists only when its loops have ended
        if all(_known(a, done if node.op == "cell" else known) for a in node.args):
            inside.append(node)
            known.add(node.number)
    return inside


def _known(node: Node, done: set[int]) -> bool:
    return node.is_fixed or node.number in done


def stored(phases: list[Phase]) -> dict[int, Node]:
    """Nodes that a later phase needs, by number."""
    found: dict[int, Node] = {}
    for phase in phases:
        own = {n.number for n in phase.nodes}
        needed = [a for n in phase.nodes for a in n.args] + [s.node for s in phase.sinks]
        found |= {n.number: n for n in needed if not n.is_fixed and n.number not in own}
    return found
