"""Loops in the assembly of LLVM, and where the present element of the axes stands."""

from __future__ import annotations

from collections.abc import Callable

from margin.backends.compiled.graph import Shape
from margin.backends.compiled.vector_text import VectorText


class LoopsText:
    """index: axis -> name of its present index, inside a nest."""

    def __init__(self, t: VectorText) -> None:
        self.t = t
        self.index: dict[int, str] = {}
        self._at: dict[Shape, str | int] = {}

    def repeat(self, many: int | str, body: Callable[[str], None]) -> None:
        """The lines of `body` once for each index below `many`, which is at least 1."""
        t = self.t
        before, head, latch, out = (t.name() for _ in range(4))
        index = f"%i{head}"
        t.line(f"br label %{before}")
        t.label(before)
        t.line(f"br label %{head}")
        t.label(head)
        t.line(f"{index} = phi i64 [0, %{before}], [%n{head}, %{latch}]")
        body(index)
        t.line(f"br label %{latch}")
        t.label(latch)
        t.line(f"%n{head} = add i64 {index}, 1")
        over = t.new(f"icmp eq i64 %n{head}, {many}")
        t.line(f"br i1 {over}, label %{out}, label %{head}")
        t.label(out)

    def nest(self, shape: Shape, body: Callable[[], None]) -> None:
        """Loops over those axes that are longer than 1."""
        self.index, self._at = {}, {}
        self._inside(shape, 0, body)

    def _inside(self, shape: Shape, axis: int, body: Callable[[], None]) -> None:
        if axis == len(shape):
            body()
        elif shape[axis] == 1:
            self._inside(shape, axis + 1, body)
        else:

            def within(index: str) -> None:
                self.index[axis] = index
                self._inside(shape, axis + 1, body)

            self.repeat(shape[axis], within)

    def at(self, shape: Shape) -> str | int:
        """Place of the present element among those of a shape."""
        if shape not in self._at:
            flat: str | int = 0
            for axis, many in enumerate(shape):
                if many > 1:
                    flat = self.t.whole("add", self.t.whole("mul", flat, many), self.index[axis])
            self._at[shape] = flat
        return self._at[shape]
