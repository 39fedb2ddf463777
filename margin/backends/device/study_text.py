"""CUDA text of a traced study: a thread for each unit, its draws and its counts inside."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from margin.backends.compiled.graph import POINT, Node, Shape
from margin.backends.compiled.layout import Layout
from margin.backends.compiled.phases import Phase, Sink
from margin.backends.compiled.trace import Drawn
from margin.backends.device.study_functions import SUPPORT

ARGUMENTS = (
    "long long start", "long long first", "long long units", "long long stride", "const double* const* given",
    "const word* __restrict__ keys", "const double* __restrict__ constants", "unsigned* bins", "long long* ends",
    "double* largest", "long long* within", "bool* halves", "unsigned* marked", "word* bad",
)  # fmt: skip
"""Units `start` to `start + units` of the study stand at `first` in arrays of `stride` units.

given    one array (element, unit) each
bins     (option, condition, load, bin); ends: (2, option, condition, load) extremes as ordered whole numbers
largest  (option, unit); within: (option, unit); halves: (option, 2, unit)
marked   (2, load) readings clipped and blind; bad: (1,) first unit with an error that is not a number
"""

_INFIX = {
    "add": "+", "subtract": "-", "multiply": "*", "divide": "/", "less": "<", "less_equal": "<=", "greater": ">",
    "greater_equal": ">=", "equal": "==", "not_equal": "!=", "and": "&&", "or": "||",
}  # fmt: skip
_CALLED = {
    "exp": "exp", "log": "log", "sin": "sin", "cos": "cos", "arccos": "acos", "normal_quantile": "normcdfinv",
    "absolute": "fabs", "sqrt": "sqrt", "round": "rint", "finite": "isfinite", "negative": "-", "not": "!",
    "minimum": "lower_of", "maximum": "higher_of", "tanh": "tanh", "sinh": "sinh", "cosh": "cosh", "expm1": "expm1",
    "exp2": "exp2", "log1p": "log1p", "log2": "log2", "cbrt": "cbrt", "tan": "tan", "arcsin": "asin", "arctan": "atan",
    "arctan2": "atan2", "floor": "floor", "ceil": "ceil", "trunc": "trunc", "copysign": "copysign",
    "remainder": "rest_of", "fmod": "fmod", "floor_divide": "whole_quotient",
}  # fmt: skip
_MARKS = {"clipped": 0, "blind": 1}

_THREADS = 1024
"""Threads of a block that counts in bins of its own: there is room for one such block on a processor."""

_THREADS_WITHOUT = 256
_BLOCKS_WITHOUT = 2
"""Threads and blocks where errors are counted on the device at once, so that fewer of them, with more registers, do."""

_LARGEST_OWN = (1 << 16) - 1
_KEPT_FREE = 1 << 12
"""Bytes of a block's memory for what is counted beside the bins."""


@dataclass(frozen=True)
class Counting:
    """Where errors are counted.

    threads  in a block; blocks: those on a processor at a time
    tiles    units that a thread counts before its block adds its own bins, 16 bits each, to those of the device;
             0: it has none, and each error is counted on the device at once
    shared   bytes of the bins of a block
    """

    threads: int
    blocks: int
    tiles: int
    shared: int

    @classmethod
    def of(cls, layout: Layout, shared_room: int) -> Counting:
        """By a block where its memory of `shared_room` bytes holds the bins."""
        shared = 4 * (-(-_rows(layout) * layout.bins.size // 2))
        tiles = _LARGEST_OWN // (_THREADS * layout.turns)
        if shared > shared_room - _KEPT_FREE or not tiles:
            return cls(_THREADS_WITHOUT, _BLOCKS_WITHOUT, 0, 0)
        return cls(_THREADS, 1, tiles, shared)


def study_text(layout: Layout, counting: Counting) -> str:
    """The whole module with the kernel `study`. Raises ValueError for an operation that it has no words for."""
    return _Study(layout, counting).text()


def _rows(layout: Layout) -> int:
    """Options, conditions and loads that have bins of their own."""
    return layout.options * layout.conditions * layout.loads


class _Study:
    def __init__(self, layout: Layout, counting: Counting) -> None:
        self.layout, self.counting = layout, counting
        self.lines: list[str] = []
        self.depth = 1
        self._of_given = {each.name: number for number, each in enumerate(layout.outside)}
        self._of_drawn = {d.name: d for d in layout.drawn}

    def text(self) -> str:
        layout, counting = self.layout, self.counting
        rows, words = _rows(layout), counting.shared // 4
        self.line("extern __shared__ unsigned own_bins[];")
        self.line(f"__shared__ long long own_ends[{2 * rows}];")
        self.line(f"__shared__ unsigned own_marked[{2 * layout.loads}];")
        self.line(f"begin_counts(own_bins, {words}, own_ends, {rows}, own_marked, {2 * layout.loads});")
        self.line("int counted = 0;")
        self.open("for (long long tile = first_of_block(); tile < units; tile += all_threads())")
        if counting.tiles:
            self.open(f"if (counted++ == {counting.tiles})")
            self.line(f"hand_over(own_bins, {words}, bins);")
            self.line("counted = 1;")
            self.close()
        self.line("const long long own = tile + threadIdx.x;")
        self.line("if (own >= units) continue;")
        self.line("const long long at = first + own;")
        self.line("const word unit = start + own;")
        self.line(
            "double "
            + ", ".join(f"worst{o}_{p} = 0.0" for o in range(layout.options) for p in range(3))
            + ";"
        )
        self.line("int " + ", ".join(f"inside{o} = 0" for o in range(layout.options)) + ";")
        self.line("bool wrong = false;")
        for phase in layout.phases:
            self._phase(phase)
        self._unit_ends()
        self.close()
        if counting.tiles:
            self.line(f"hand_over(own_bins, {words}, bins);")
        self.line(f"end_counts(own_ends, ends, {rows}, own_marked, marked, {2 * layout.loads});")
        bounds = f"__launch_bounds__({counting.threads}, {counting.blocks})"
        head = f'extern "C" __global__ void {bounds} study({", ".join(ARGUMENTS)})'
        return "\n".join([SUPPORT, head, "{", *self.lines, "}", ""])

    # ---- lines

    def line(self, text: str) -> None:
        self.lines.append("    " * self.depth + text)

    def open(self, text: str) -> None:
        self.line(f"{text} {{")
        self.depth += 1

    def close(self) -> None:
        self.depth -= 1
        self.line("}")

    # ---- the graph

    def _phase(self, phase: Phase) -> None:
        self._here = {n.number for n in phase.nodes}
        for node in phase.nodes:
            if node.number in self.layout.slots and node.shape != POINT:
                kind = "bool" if node.is_truth else "double"
                self.line(f"{kind} kept{node.number}[{math.prod(node.shape)}];")
            if node.op == "drawn" and self._in_a_row(self._of_drawn[str(node.extra)]):
                drawn = self._of_drawn[str(node.extra)]
                key = 2 * self.layout.first_key[drawn.name]
                self.line(f"Draws row{node.number}(keys[{key}], keys[{key + 1}], unit * {drawn.each});")
        loops = [axis for axis, many in enumerate(phase.shape) if many > 1]
        for axis in loops:
            # unrolled, a loop takes more registers than it saves steps
            self.line("#pragma unroll 1")
            self.open(f"for (int i{axis} = 0; i{axis} < {phase.shape[axis]}; ++i{axis})")
        for node in phase.nodes:
            kind = "bool" if node.is_truth else "double"
            self.line(f"const {kind} v{node.number} = {self._value(node)};")
            if node.number in self.layout.slots and node.shape != POINT:
                self.line(f"kept{node.number}[{_place(node.shape)}] = v{node.number};")
        for sink in phase.sinks:
            self._count(sink)
        for _ in loops:
            self.close()

    def _of(self, node: Node) -> str:
        """What stands for a node that is known, at the present element."""
        if node.op == "constant":
            number = node.single
            if number is not None:
                return _number(number)
            return f"constants[{self.layout.first_constant[node.number]} + {_place(node.shape)}]"
        if node.op == "argument":
            # no variants are computed here
            return _number(1.0)
        if node.number in self._here or node.shape == POINT:
            return f"v{node.number}"
        return f"kept{node.number}[{_place(node.shape)}]"

    def _value(self, node: Node) -> str:
        special: dict[str, Callable[[Node], str]] = {
            "drawn": self._drawn, "given": self._given, "cell": _cell, "table": self._entry,
        }  # fmt: skip
        if node.op in special:
            return special[node.op](node)
        args = [self._of(a) for a in node.args]
        if node.op in _INFIX:
            return f" {_INFIX[node.op]} ".join(args)
        if node.op in _CALLED:
            return f"{_CALLED[node.op]}({', '.join(args)})"
        if node.op == "where":
            return f"{args[0]} ? {args[1]} : {args[2]}"
        raise ValueError(f"no words for {node.op!r}")

    def _entry(self, node: Node) -> str:
        """Entry of a table; what is no code, as where the chain gave no number, finds some entry."""
        last = (1 << self.layout.table_bits[node.number]) - 1
        first = self.layout.first_constant[node.number]
        return f"constants[{first} + ((int)({self._of(node.args[0])}) & {last})]"

    def _given(self, node: Node) -> str:
        return f"given[{self._of_given[str(node.extra)]}][{_place(node.shape)} * stride + at]"

    def _drawn(self, node: Node) -> str:
        drawn = self._of_drawn[str(node.extra)]
        if self._in_a_row(drawn):
            return f"row{node.number}.next()"
        stream, at = "0", _place(node.shape)
        if len(drawn.streams) > 1:
            _, placements, readings, loads = node.shape
            placement, at = (
                f"i{axis}" if many > 1 else "0" for axis, many in ((1, placements), (2, readings))
            )
            load = "i3" if loads > 1 else "0"
            stream = f"({placement} * {loads} + {load})"
        key = f"{2 * self.layout.first_key[drawn.name]} + 2 * {stream}"
        return f"single(keys[{key}], keys[{key} + 1], unit * {drawn.each} + {at})"

    @staticmethod
    def _in_a_row(drawn: Drawn) -> bool:
        """Whether the draws of a unit follow each other as its elements do."""
        return len(drawn.streams) == 1 and drawn.each > 1

    # ---- counts

    def _count(self, sink: Sink) -> None:
        value = self._of(sink.node)
        load = "i3" if sink.shape[3] > 1 else "0"
        if sink.kind == "error":
            self._error(sink, value, load)
        elif sink.kind == "required":
            self.line(f"wrong |= !({value});")
        else:
            self.line(
                f"if ({value}) atomicAdd(&own_marked[{_MARKS[sink.kind] * self.layout.loads} + {load}], 1u);"
            )

    def _error(self, sink: Sink, value: str, load: str) -> None:
        layout, bins = self.layout, self.layout.bins
        shift, below = bins.upper_word
        row = f"({(sink.option * layout.conditions + sink.condition) * layout.loads} + {load})"
        self.open("")
        self.line(f"const double error = {value}, size = fabs(error);")
        self.line("wrong |= !isfinite(error);")
        self.line(f"extreme(own_ends, {_rows(layout)}, {row}, error);")
        place = f"bin_of(error / {_number(bins.scale)}, {shift}, {below}, {bins.half})"
        self.line(f"const unsigned bin = {row} * {bins.size} + {place};")
        self.line("count_own(own_bins, bin);" if self.counting.tiles else "atomicAdd(&bins[bin], 1u);")
        self.line(f"const double ratio = size / constants[{layout.first_permissible} + {load}];")
        self.line(f"inside{sink.option} += ratio <= 1.0;")
        turns = (*sink.shape[:3], 1)
        turn = f"{_place(turns)} + {sink.condition * math.prod(turns)}"
        half = max(layout.turns // 2, 1)
        for part, condition in enumerate((
            f"turn < {half}", f"turn >= {layout.turns - half}", f"turn >= {half} && turn < {layout.turns - half}",
        )):  # fmt: skip
            if part == 0:
                self.line(f"const int turn = {turn};")
            worst = f"worst{sink.option}_{part}"
            self.line(f"if ({condition}) {worst} = fmax({worst}, ratio);")
        self.close()

    def _unit_ends(self) -> None:
        for option in range(self.layout.options):
            first, second, rest = (f"worst{option}_{part}" for part in range(3))
            self.line(f"largest[{option} * stride + at] = fmax(fmax({first}, {second}), {rest});")
            self.line(f"within[{option} * stride + at] = inside{option};")
            self.line(f"halves[{2 * option} * stride + at] = {first} <= 1.0;")
            self.line(f"halves[{2 * option + 1} * stride + at] = {second} <= 1.0;")
        self.line("if (wrong) atomicMin(bad, unit);")


def _cell(node: Node) -> str:
    source = node.args[0]
    place = int(np.ravel_multi_index(node.extra, source.shape))  # type: ignore[arg-type]
    return f"kept{source.number}[{place}]"


def _place(shape: Shape) -> str:
    """Place of the present element among those of a shape."""
    flat = ""
    for axis, many in enumerate(shape):
        if many > 1:
            flat = f"i{axis}" if not flat else f"({flat} * {many} + i{axis})"
    return flat or "0"


def _number(value: float) -> str:
    """A double: the shortest text that reads back to the bit."""
    if math.isnan(value):
        return "(0.0 / 0.0)"
    if math.isinf(value):
        return "(1.0 / 0.0)" if value > 0.0 else "(-1.0 / 0.0)"
    return repr(value) if value >= 0.0 else f"({value!r})"
