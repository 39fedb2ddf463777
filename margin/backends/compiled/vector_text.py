"""Text of vector instructions in the assembly of LLVM: values are named, a list of lines grows."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from itertools import count


def hexadecimal(number: float) -> str:
    """A double, to the bit."""
    return f"0x{struct.unpack('>Q', struct.pack('>d', number))[0]:016X}"


def intrinsics(*lanes: int) -> list[str]:
    """Declarations of what the methods of `VectorText` call, for vectors of so many lanes."""
    found = []
    for width in sorted(set(lanes)):
        n = f"<{width} x double>"
        found += [
            f"declare {n} @llvm.{name}.v{width}f64({', '.join([n] * count)})"
            for name, count in (
                ("fma", 3),
                ("sqrt", 1),
                ("fabs", 1),
                ("rint", 1),
                ("floor", 1),
                ("ceil", 1),
                ("trunc", 1),
            )
        ]
        n = f"<{width} x i32>"
        found += [f"declare {n} @llvm.{name}.v{width}i32({n}, {n})" for name in ("smin", "smax")]
    return found


class VectorText:
    """Lines of one function. Vectors hold `lanes` units; methods return the name of their result."""

    def __init__(self, lanes: int) -> None:
        self.lanes = lanes
        self.lines: list[str] = []
        self.numbers = f"<{lanes} x double>"
        self.words = f"<{lanes} x i64>"
        self.halves = f"<{lanes} x i32>"
        self.truths = f"<{lanes} x i1>"
        self._count = count()

    def line(self, text: str) -> None:
        self.lines.append(f"  {text}")

    def label(self, name: str) -> None:
        self.lines.append(f"{name}:")

    def name(self) -> str:
        return f"v{next(self._count)}"

    def new(self, text: str) -> str:
        found = f"%{self.name()}"
        self.line(f"{found} = {text}")
        return found

    def number(self, value: float) -> str:
        """The same number in every lane."""
        return "<" + ", ".join([f"double {hexadecimal(value)}"] * self.lanes) + ">"

    def word(self, value: int) -> str:
        return "<" + ", ".join([f"i64 {value}"] * self.lanes) + ">"

    # ---- arithmetic on numbers

    def binary(self, operation: str, a: str, b: str) -> str:
        return self.new(f"{operation} {self.numbers} {a}, {b}")

    def add(self, a: str, b: str) -> str:
        return self.binary("fadd", a, b)

    def subtract(self, a: str, b: str) -> str:
        return self.binary("fsub", a, b)

    def multiply(self, a: str, b: str) -> str:
        return self.binary("fmul", a, b)

    def divide(self, a: str, b: str) -> str:
        return self.binary("fdiv", a, b)

    def fused(self, a: str, b: str, c: str) -> str:
        """a b + c, rounded once."""
        n = self.numbers
        return self.new(f"call {n} @llvm.fma.v{self.lanes}f64({n} {a}, {n} {b}, {n} {c})")

    def unary(self, function: str, a: str) -> str:
        n = self.numbers
        return self.new(f"call {n} @llvm.{function}.v{self.lanes}f64({n} {a})")

    def compare(self, condition: str, a: str, b: str) -> str:
        return self.new(f"fcmp {condition} {self.numbers} {a}, {b}")

    def select(self, truth: str, a: str, b: str) -> str:
        return self.new(f"select {self.truths} {truth}, {self.numbers} {a}, {self.numbers} {b}")

    def with_sign_of(self, size: str, a: str) -> str:
        """The size of one number with the sign of another, that of a zero too."""
        sign = self.on_words("and", self.bits(a), self.word(-1 << 63))
        rest = self.on_words("and", self.bits(size), self.word((1 << 63) - 1))
        return self.of_bits(self.on_words("or", rest, sign))

    def if_any(self, truth: str, work: Callable[[], None]) -> None:
        """The lines of `work` where a truth holds in any lane."""
        bits = self.new(f"bitcast {self.truths} {truth} to i{self.lanes}")
        self.if_true(self.new(f"icmp ne i{self.lanes} {bits}, 0"), work)

    def if_true(self, truth: str, work: Callable[[], None]) -> None:
        """The lines of `work` where a scalar truth holds."""
        inside, after = self.name(), self.name()
        self.line(f"br i1 {truth}, label %{inside}, label %{after}")
        self.label(inside)
        work()
        self.line(f"br label %{after}")
        self.label(after)

    # ---- the bits of numbers

    def bits(self, a: str) -> str:
        return self.new(f"bitcast {self.numbers} {a} to {self.words}")

    def of_bits(self, a: str) -> str:
        return self.new(f"bitcast {self.words} {a} to {self.numbers}")

    def on_words(self, operation: str, a: str, b: str) -> str:
        return self.new(f"{operation} {self.words} {a}, {b}")

    # ---- upper halves of the bits: whole numbers of 32 bits

    def upper(self, a: str) -> str:
        """Sign, exponent and the first 20 bits of the mantissa."""
        return self.new(
            f"trunc {self.words} {self.on_words('lshr', self.bits(a), self.word(32))} to {self.halves}"
        )

    def half(self, value: int) -> str:
        return "<" + ", ".join([f"i32 {value}"] * self.lanes) + ">"

    def on_halves(self, operation: str, a: str, b: str) -> str:
        return self.new(f"{operation} {self.halves} {a}, {b}")

    def limited_half(self, function: str, a: str, limit: int) -> str:
        h = self.halves
        return self.new(f"call {h} @llvm.{function}.v{self.lanes}i32({h} {a}, {h} {self.half(limit)})")

    # ---- truths

    def logical(self, operation: str, a: str, b: str) -> str:
        return self.new(f"{operation} {self.truths} {a}, {b}")

    def negation(self, a: str) -> str:
        return self.logical("xor", a, "<" + ", ".join(["i1 true"] * self.lanes) + ">")

    # ---- memory; addresses are in units of eight bytes

    def address(self, base: str, index: str | int) -> str:
        return self.new(f"getelementptr double, ptr {base}, i64 {index}")

    def vector(self, base: str, place: int, index: str | int) -> str:
        """Address of vector number `index` behind a place."""
        if isinstance(index, int):
            return self.address(base, place + index * self.lanes)
        return self.address(base, self.whole("add", self.whole("mul", index, self.lanes), place))

    def load(self, address: str, kind: str) -> str:
        return self.new(f"load {kind}, ptr {address}, align 8")

    def store(self, kind: str, value: str, address: str) -> None:
        self.line(f"store {kind} {value}, ptr {address}, align 8")

    def gathered(self, base: str, place: int, index: str) -> str:
        """Numbers at the indices of each lane, behind a place."""
        first = self.address(base, place)
        places = [self.new(f"extractelement {self.words} {index}, i64 {lane}") for lane in range(self.lanes)]
        return self.together("double", [self.load(self.address(first, one), "double") for one in places])

    def together(self, kind: str, scalars: Sequence[str]) -> str:
        """A vector of scalars of one kind, one for each lane."""
        value = "poison"
        for lane, scalar in enumerate(scalars):
            value = self.new(f"insertelement <{self.lanes} x {kind}> {value}, {kind} {scalar}, i64 {lane}")
        return value

    def rows(self, base: str, index: str, width: int) -> list[str]:
        """Columns of a table's rows of `width` numbers, a vector each: a row is read as a whole for its lane."""
        kind = f"<{width} x double>"
        found = []
        for lane in range(self.lanes):
            one = self.new(f"extractelement {self.words} {index}, i64 {lane}")
            found.append(self.load(self.address(base, self.whole("mul", one, width)), kind))
        parts = range(0, width, self.lanes)
        pieces = [[self._picked(kind, row, range(p, p + self.lanes)) for row in found] for p in parts]
        return [column for piece in pieces for column in self._transposed(piece)]

    def _picked(self, kind: str, a: str, places: Sequence[int], b: str = "poison") -> str:
        wanted = ", ".join(f"i32 {place}" for place in places)
        return self.new(f"shufflevector {kind} {a}, {kind} {b}, <{len(places)} x i32> <{wanted}>")

    def _transposed(self, rows: list[str]) -> list[str]:
        """As many vectors as there are lanes, rows and columns exchanged."""
        step = 1
        while step < self.lanes:
            places = range(self.lanes)
            first = [p - step + self.lanes if p & step else p for p in places]
            second = [p + self.lanes if p & step else p + step for p in places]
            exchanged = list(rows)
            for place in places:
                if not place & step:
                    a, b = rows[place], rows[place + step]
                    exchanged[place] = self._picked(self.numbers, a, first, b)
                    exchanged[place + step] = self._picked(self.numbers, a, second, b)
            rows, step = exchanged, 2 * step
        return rows

    def everywhere(self, scalar: str) -> str:
        """A scalar number in every lane."""
        first = self.new(f"insertelement {self.numbers} poison, double {scalar}, i64 0")
        zeros = "<" + ", ".join(["i32 0"] * self.lanes) + ">"
        return self.new(
            f"shufflevector {self.numbers} {first}, {self.numbers} poison, <{self.lanes} x i32> {zeros}"
        )

    # ---- whole numbers, scalar

    def whole(self, operation: str, a: str | int, b: str | int) -> str:
        return self.new(f"{operation} i64 {a}, {b}")
