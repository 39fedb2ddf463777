"""The text of a kernel: units side by side in vectors, loops over the axes, counts of the errors."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from margin.backends.compiled import philox_text, vector_angles, vector_exponentials, vector_functions
from margin.backends.compiled.counting_text import CountingText
from margin.backends.compiled.draws_text import draws_text
from margin.backends.compiled.graph import Node
from margin.backends.compiled.layout import ADDRESSES, NUMBERS, Layout
from margin.backends.compiled.loops_text import LoopsText
from margin.backends.compiled.phases import Phase
from margin.backends.compiled.vector_text import VectorText, intrinsics

_ARITHMETIC = {"add": "fadd", "subtract": "fsub", "multiply": "fmul", "divide": "fdiv"}
_COMPARED = {
    "less": "olt", "less_equal": "ole", "greater": "ogt", "greater_equal": "oge", "equal": "oeq", "not_equal": "une",
}  # fmt: skip
_FUNCTIONS: dict[str, Callable[..., str]] = {
    "exp": vector_functions.exponential,
    "log": vector_functions.logarithm,
    "sin": vector_functions.sine,
    "cos": vector_functions.cosine,
    "arccos": vector_functions.arc_cosine,
    "arcsin": vector_functions.arc_sine,
    "tanh": vector_exponentials.hyperbolic_tangent,
    "sinh": vector_exponentials.hyperbolic_sine,
    "cosh": vector_exponentials.hyperbolic_cosine,
    "expm1": vector_exponentials.less_one,
    "exp2": vector_exponentials.power_of_two,
    "log1p": vector_exponentials.logarithm_of_more,
    "log2": vector_exponentials.logarithm_to_base_two,
    "cbrt": vector_exponentials.cube_root,
    "tan": vector_angles.tangent,
    "arctan": vector_angles.arc_tangent,
    "arctan2": vector_angles.arc_tangent_of_two,
    "remainder": vector_angles.remainder,
    "fmod": vector_angles.rest_towards_zero,
    "floor_divide": vector_angles.whole_quotient,
    "copysign": VectorText.with_sign_of,
}
_UNARY = {
    "absolute": "fabs", "sqrt": "sqrt", "round": "rint", "floor": "floor", "ceil": "ceil", "trunc": "trunc",
}  # fmt: skip


def kernel_text(layout: Layout, register: int) -> str:
    """The whole module with the function `kernel`; register: numbers in a vector register, 4 or 8."""
    return _Kernel(layout, register).text()


class _Kernel:
    def __init__(self, layout: Layout, register: int) -> None:
        self.layout, self.register = layout, register
        nodes = [node for phase in layout.phases for node in phase.nodes]
        self._normal = {node.args[0].extra for node in nodes if node.op == "normal_quantile"}
        self.t = VectorText(layout.lanes)
        self.loops = LoopsText(self.t)
        self.counting = CountingText(self.t, self.loops, layout)
        self._own: dict[int, str] = {}

    def text(self) -> str:
        t = self.t
        names = ", ".join([*(f"i64 %{name}" for name in NUMBERS), *(f"i64 %{name}_" for name in ADDRESSES)])
        t.lines.append(f"define void @kernel({names}) #0 {{")
        t.label("entry")
        for name in ADDRESSES:
            t.line(f"%{name} = inttoptr i64 %{name}_ to ptr")
        self.counting.start()
        self.loops.repeat("%tiles", self._tile)
        t.line("ret void")
        t.lines.append("}")
        functions = [
            philox_text.uniforms_function(self.register),
            philox_text.normals_function(self.register),
            draws_text(self.layout, self.register, self._normal),
        ]
        wide = 'attributes #0 = { "prefer-vector-width"="512" "min-legal-vector-width"="512" }'
        return "\n".join([*intrinsics(t.lanes, self.register), *functions, *t.lines, wide]) + "\n"

    def _tile(self, number: str) -> None:
        self._number = number
        unit = self.t.whole("mul", number, self.t.lanes)
        self._draw(self.t.whole("add", unit, "%start"))
        self.counting.begin(unit)
        for phase in self.layout.phases:
            self._phase(phase)
        self.counting.end()

    def _draw(self, first: str) -> None:
        """Where the draws of the units side by side are, and how many stand before those of the first unit; made where
        they are to be."""
        t, layout = self.t, self.layout
        past_tiles = t.whole("mul", self._number, "%step")
        self._draws = {
            drawn.name: t.address(t.load(t.address("%draws", number), "ptr"), past_tiles)
            for number, drawn in enumerate(layout.drawn)
        }
        skips = {
            each: t.whole("and", t.whole("mul", first, each), 3) for each in {d.each for d in layout.drawn}
        }
        self._skip = {drawn.name: skips[drawn.each] for drawn in layout.drawn}
        if self._draws:
            into = next(iter(self._draws.values()))
            call = f"call void @tile(i64 {first}, ptr %keys, ptr {into}, ptr %quantiles)"
            t.if_true(t.new("icmp ne i64 %drawing, 0"), lambda: t.line(call))

    def _phase(self, phase: Phase) -> None:
        self._own = {}

        def body() -> None:
            for node in phase.nodes:
                self._own[node.number] = self._value(node)
                if node.number in self.layout.slots:
                    self._keep(node)
            for sink in phase.sinks:
                self.counting.count(sink, self._of(sink.node))

        self.loops.nest(phase.shape, body)

    def _keep(self, node: Node) -> None:
        t, value = self.t, self._own[node.number]
        if node.is_truth:
            value = t.of_bits(t.new(f"sext {t.truths} {value} to {t.words}"))
        place = self.layout.slots[node.number]
        t.store(t.numbers, value, t.vector("%scratch", place, self.loops.at(node.shape)))

    def _of(self, node: Node) -> str:
        """Value of a node that is known, at the present element."""
        if node.op == "constant":
            return self._constant(node)
        if node.op == "argument":
            return self._argument(node)
        if node.number not in self._own:
            self._own[node.number] = self._kept(node, self.loops.at(node.shape))
        return self._own[node.number]

    def _kept(self, node: Node, at: str | int) -> str:
        t = self.t
        value = t.load(t.vector("%scratch", self.layout.slots[node.number], at), t.numbers)
        return t.new(f"icmp ne {t.words} {t.bits(value)}, zeroinitializer") if node.is_truth else value

    def _constant(self, node: Node) -> str:
        t = self.t
        if node.number not in self.layout.first_constant:
            return t.number(node.values.item())
        if node.number not in self._own:
            place = t.whole("add", self.loops.at(node.shape), self.layout.first_constant[node.number])
            self._own[node.number] = t.everywhere(t.load(t.address("%constants", place), "double"))
        return self._own[node.number]

    def _argument(self, node: Node) -> str:
        t = self.t
        if node.number not in self._own:
            place = self.layout.arguments.index(str(node.extra))
            self._own[node.number] = t.everywhere(t.load(t.address("%multipliers", place), "double"))
        return self._own[node.number]

    def _value(self, node: Node) -> str:
        t = self.t
        if node.op == "drawn":
            return self._drawn(node)
        if node.op == "given":
            return self._given(node)
        if node.op == "cell":
            place = int(np.ravel_multi_index(node.extra, node.args[0].shape))  # type: ignore[arg-type]
            return self._kept(node.args[0], place)
        args = [self._of(a) for a in node.args]
        if node.op == "table":
            return self._entry(node, *args)
        if node.op in _ARITHMETIC:
            return t.binary(_ARITHMETIC[node.op], *args)
        if node.op in _COMPARED:
            return t.compare(_COMPARED[node.op], *args)
        if node.op in _FUNCTIONS:
            return _FUNCTIONS[node.op](t, *args)
        if node.op in _UNARY:
            return t.unary(_UNARY[node.op], *args)
        match node.op:
            case "negative":
                return t.new(f"fneg {t.numbers} {args[0]}")
            case "minimum" | "maximum":
                return self._limited(node, *args)
            case "and" | "or":
                return t.logical(node.op, *args)
            case "not":
                return t.negation(args[0])
            case "finite":
                return t.compare("olt", t.unary("fabs", args[0]), t.number(math.inf))
            case "where":
                return t.select(*args)
            case "normal_quantile":
                # a stream that is asked for normal draws is kept as such
                return args[0]
        raise ValueError(f"no instruction for {node.op!r}")

    def _limited(self, node: Node, value: str, limit: str) -> str:
        """Smaller or larger of two; what is not a number goes on as such."""
        t = self.t
        condition = "olt" if node.op == "minimum" else "ogt"
        result = t.select(t.compare(condition, limit, value), limit, value)
        if node.args[1].op == "constant":
            return result
        return t.select(t.compare("uno", limit, limit), limit, result)

    def _entry(self, node: Node, code: str) -> str:
        """Entry of a table: the whole number stands in the last bits of the code and a large number."""
        t = self.t
        bits = t.bits(t.add(code, t.number(vector_functions.MAGIC)))
        index = t.on_words("and", bits, t.word((1 << self.layout.table_bits[node.number]) - 1))
        return t.gathered("%constants", self.layout.first_constant[node.number], index)

    def _given(self, node: Node) -> str:
        t = self.t
        number = next(i for i, each in enumerate(self.layout.outside) if each.name == node.extra)
        base = t.load(t.address("%given", number), "ptr")
        at = t.whole("add", t.whole("mul", self._number, math.prod(node.shape)), self.loops.at(node.shape))
        return t.load(t.vector(base, 0, at), t.numbers)

    def _drawn(self, node: Node) -> str:
        t = self.t
        drawn = next(d for d in self.layout.drawn if d.name == node.extra)
        place: str | int = self.layout.place(drawn, 0)
        at = self.loops.at(node.shape)
        if len(drawn.streams) > 1:
            placement, at, load = (self.loops.index.get(axis, 0) for axis in (1, 2, 3))
            stream = t.whole("add", t.whole("mul", placement, node.shape[3]), load)
            place = t.whole("add", t.whole("mul", stream, self.layout.room(drawn)), place)
        first = t.whole("add", t.whole("add", at, place), self._skip[drawn.name])
        address = t.address(self._draws[drawn.name], first)
        if drawn.each == 1:
            return t.load(address, t.numbers)
        each = [t.load(t.address(address, lane * drawn.each), "double") for lane in range(t.lanes)]
        return t.together("double", each)
