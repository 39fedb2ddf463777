"""The arithmetic of a study as a graph: every operation once, with the axes on which its value varies."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Shape = tuple[int, int, int, int]
"""Lengths of (condition, loading, reading, load); 1 where a value does not vary. Every value varies by unit."""

POINT: Shape = (1, 1, 1, 1)

TRUTHS = frozenset(
    {
        "less", "less_equal", "greater", "greater_equal", "equal", "not_equal", "and", "or", "not", "finite",
        "infinite", "nan",
    }
)  # fmt: skip
"""Operations whose value is true or false."""


@dataclass(frozen=True, eq=False)
class Node:
    """One value.

    op     'constant', 'argument' (a number that a variant sets), 'table' (entries by a whole number, such as a code),
           'drawn' (by the kernel), 'given' (drawn outside), 'cell' (one element of a value that varies on axes), or
           the name of an elementwise operation
    args   what it is computed from
    extra  of a constant or a table: its bytes; of a draw: its name; of a cell: the index on the four axes
    """

    number: int
    op: str
    args: tuple[Node, ...] = field(repr=False)
    shape: Shape
    extra: bytes | str | Shape | None = None

    @property
    def is_truth(self) -> bool:
        return self.op in TRUTHS or (self.op == "cell" and self.args[0].is_truth)

    @property
    def is_fixed(self) -> bool:
        """Whether its value is read, not computed: a constant or an argument."""
        return self.op in ("constant", "argument")

    @property
    def values(self) -> NDArray[np.float64]:
        """Numbers of a constant, in its shape. ValueError for anything else."""
        if not isinstance(self.extra, bytes):
            raise ValueError(f"{self.op} is no constant")
        return np.frombuffer(self.extra, dtype=np.float64).reshape(self.shape)

    @property
    def single(self) -> float | None:
        """The number of a constant that is the same everywhere; None for anything else."""
        if self.op != "constant" or self.shape != POINT:
            return None
        return float(self.values[0, 0, 0, 0])


@dataclass
class Graph:
    """Makes nodes; equal ones are made once. A node's number is above those of its arguments."""

    _known: dict[tuple[object, ...], Node] = field(default_factory=dict)

    def node(
        self,
        op: str,
        args: tuple[Node, ...] = (),
        shape: Shape = POINT,
        extra: bytes | str | Shape | None = None,
    ) -> Node:
        key = (op, tuple(a.number for a in args), shape, extra)
        found = self._known.get(key)
        if found is None:
            found = Node(len(self._known), op, args, shape, extra)
            self._known[key] = found
        return found

    def apply(self, op: str, *args: Node) -> Node:
        """Elementwise operation, broadcast."""
        shape = np.broadcast_shapes(*(a.shape for a in args))
        return self.node(op, args, (shape[0], shape[1], shape[2], shape[3]))

    def constant(self, values: NDArray[np.float64] | float) -> Node:
        """A number, or numbers of at most four axes, the last of which is the load."""
        array = np.asarray(values, dtype=np.float64)
        while array.ndim < len(POINT):
            array = array[np.newaxis]
        s = array.shape
        return self.node("constant", (), (s[0], s[1], s[2], s[3]), array.tobytes())

    def entry(self, table: NDArray[np.float64], place: Node) -> Node:
        """Entry of a table (entry,) at a place, a whole number."""
        if place.single is not None:
            return self.constant(float(table[int(place.single)]))
        return self.node("table", (place,), place.shape, table.astype(np.float64).tobytes())

    def cell(self, source: Node, index: Shape) -> Node:
        """One element of a value."""
        held = [min(i, n - 1) for i, n in zip(index, source.shape, strict=True)]
        if source.shape == POINT:
            return source
        if source.op == "constant":
            return self.constant(float(source.values[tuple(held)]))
        return self.node("cell", (source,), POINT, (held[0], held[1], held[2], held[3]))


def needed_for(ends: Iterable[Node]) -> list[Node]:
    """The nodes that the ends are computed from, and the ends, arguments first."""
    found: dict[int, Node] = {}
    waiting = list(ends)
    while waiting:
        node = waiting.pop()
        if node.number not in found:
            found[node.number] = node
            waiting.extend(node.args)
    return [found[number] for number in sorted(found)]


def rewritten(ends: Iterable[Node], rule: Callable[[Graph, Node, tuple[Node, ...]], Node]) -> dict[int, Node]:
    """Every node that the ends need, by its number, rebuilt by a rule from its rebuilt arguments."""
    graph = Graph()
    made: dict[int, Node] = {}
    for node in needed_for(ends):
        made[node.number] = rule(graph, node, tuple(made[a.number] for a in node.args))
    return made
