"""Where a kernel finds and keeps what: constants, draws, values between phases, counts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from margin.backends.compiled.graph import Node, needed_for, rewritten
from margin.backends.compiled.lower import lowered
from margin.backends.compiled.phases import Phase, Sink, phases_of, stored
from margin.backends.compiled.tables import with_tables
from margin.backends.compiled.trace import Computed, Drawn, Given, Trace
from margin.propagation.histogram import Bins
from margin.propagation.tally import Frame

NUMBERS = ("tiles", "start", "drawing", "step", "pooled", "extras")
ADDRESSES = (
    "draws", "given", "keys", "scratch", "valid", "bins", "low", "high", "ratios", "counts_within", "clipped", "blind",
    "bad", "constants", "multipliers", "quantiles", "thresholds", "beyond", "first",
)  # fmt: skip
ARGUMENTS = (*NUMBERS, *ADDRESSES)
"""Arguments of a kernel, in order: whole numbers, then addresses.

drawing  1: draws are made, tile by tile; 0: they are there
step     numbers between the draws of one tile and those of the next; 0 where each tile's may go with it
draws    address of the draws, for each of `Layout.drawn`
bins     0 where no errors are counted
pooled   1: errors are counted by option alone; 0: by option, condition and load
extras   1: readings beyond the thresholds and errors of the first reading are written
"""

DRAW_ARGUMENTS = ("tiles", "start", "keys", "into", "quantiles")
"""Arguments of the function that makes all draws of a block: (tile, `Layout.uniforms`) from `into` on."""

IN_TEXT = frozenset({0.0, 0.5, 1.0, 2.0, math.inf})
"""Numbers written into a kernel's text, with their negatives: what a case says by them is its structure. All others
are read from memory, so that cases that differ in numbers alone share a kernel."""


@dataclass(frozen=True)
class Layout:
    """Places in units of eight bytes.

    slots     node -> place of its vectors in the scratch memory; first_constant: node -> its first number;
              table_bits: table -> bits of its index
    uniforms  numbers that the draws of a tile take
    arguments multipliers of spreads, by factor
    extremes  place of (option, condition, part of the readings, load, 2) smallest and largest errors of the units side
              by side
    within    place of (option,) readings within
    bin_places  place of the bins of the units side by side, whole numbers of 32 bits
    """

    lanes: int
    phases: list[Phase]
    constants: list[float]
    first_constant: dict[int, int]
    table_bits: dict[int, int]
    first_permissible: int
    permissible: tuple[float, ...]
    drawn: tuple[Drawn, ...]
    given: tuple[Given, ...]
    computed: tuple[Computed, ...]
    first_key: dict[str, int]
    first_uniform: dict[str, int]
    uniforms: int
    arguments: tuple[str, ...]
    slots: dict[int, int]
    extremes: int
    within: int
    bin_places: int
    scratch: int
    options: int
    conditions: int
    turns: int
    bins: Bins

    @property
    def loads(self) -> int:
        return len(self.permissible)

    @property
    def first_scale(self) -> int:
        """Place of the scale of the bins and of its inverse among the constants."""
        return self.first_permissible + self.loads

    @property
    def parts(self) -> int:
        """Parts of the readings: the first half, the second, and one in the middle of an odd number."""
        return 3 if self.turns > 1 and self.turns % 2 else 2

    @property
    def streams(self) -> tuple[str, ...]:
        """Streams of uniforms, in the order of their keys."""
        return tuple(stream for drawn in self.drawn for stream in drawn.streams)

    @property
    def outside(self) -> tuple[Given | Computed, ...]:
        """What a kernel is given from outside, in the order of its arrays."""
        return (*self.given, *self.computed)

    def room(self, drawn: Drawn) -> int:
        """Of one stream: its draws of the units side by side, and what the last register of them adds."""
        return room(drawn, self.lanes)

    def place(self, drawn: Drawn, stream: int) -> int:
        """Place of a stream's draws among those of a tile."""
        return self.first_uniform[drawn.name] + stream * self.room(drawn)


def _in_text(node: Node) -> bool:
    return node.single is not None and abs(node.single) in IN_TEXT


def room(drawn: Drawn, lanes: int) -> int:
    """See `Layout.room`."""
    return lanes * drawn.each + 8


def layout_of(trace: Trace, frame: Frame, lanes: int) -> Layout:
    """Layout of the kernel that counts what was recorded."""
    lower = rewritten(trace.ends, lowered)
    tables = with_tables(lower[node.number] for node in trace.ends)
    made = {node.number: tables[lower[node.number].number] for node in trace.ends}
    sinks = [
        Sink("error", made[node.number], trace.full, option, condition)
        for option, nodes in enumerate(trace.errors.values())
        for condition, node in enumerate(nodes)
    ]
    sinks += [Sink("clipped", made[node.number], trace.full) for node in trace.clipped]
    sinks += [Sink("blind", made[node.number], trace.full) for node in trace.blind]
    required = [made[node.number] for node in trace.required]
    sinks += [Sink("required", node, node.shape) for node in required]
    phases = phases_of(sinks)
    nodes = needed_for(s.node for s in sinks)
    constants: list[float] = []
    first_constant: dict[int, int] = {}
    table_bits: dict[int, int] = {}
    for node in nodes:
        if node.op == "constant" and not _in_text(node):
            first_constant[node.number] = len(constants)
            constants += np.ravel(node.values).tolist()
        elif node.op == "table" and isinstance(node.extra, bytes):
            first_constant[node.number] = len(constants)
            entries = np.frombuffer(node.extra, dtype=np.float64)
            # any whole number of so many bits finds an entry
            filled = np.full(1 << (entries.size - 1).bit_length(), np.nan)
            filled[: entries.size] = entries
            constants += filled.tolist()
            table_bits[node.number] = filled.size.bit_length() - 1
    first_permissible = len(constants)
    permissible = tuple(frame.permissible.tolist())
    constants += (*permissible, frame.bins.scale, 1.0 / frame.bins.scale)
    used = {str(n.extra) for n in nodes if n.op in ("drawn", "given")}
    drawn = tuple(d for d in trace.drawn.values() if d.name in used)
    place, first_uniform, first_key, key = 0, {}, {}, 0
    for each in drawn:
        first_uniform[each.name], first_key[each.name] = place, key
        place += room(each, lanes) * len(each.streams)
        key += len(each.streams)
    uniforms = place = -(-place // lanes) * lanes
    slots = {}
    for number, node in stored(phases).items():
        slots[number] = place
        place += lanes * math.prod(node.shape)
    options, loads = len(trace.errors), len(permissible)
    conditions, turns = len(next(iter(trace.errors.values()))), trace.readings // loads
    found = Layout(
        lanes, phases, constants, first_constant, table_bits, first_permissible, permissible, drawn,
        tuple(g for g in trace.given.values() if g.name in used),
        tuple(c for c in trace.computed.values() if c.name in used), first_key, first_uniform,
        uniforms, trace.arguments, slots, place, 0, 0, 0, options, conditions, turns, frame.bins,
    )  # fmt: skip
    within = place + lanes * options * conditions * found.parts * loads * 2
    bin_places = within + lanes * options
    return replace(found, within=within, bin_places=bin_places, scratch=bin_places + lanes)
