"""The text of the functions that make the draws of units side by side."""

from __future__ import annotations

from collections.abc import Container

from margin.backends.compiled.layout import DRAW_ARGUMENTS, Layout
from margin.backends.compiled.loops_text import LoopsText
from margin.backends.compiled.vector_text import VectorText


def draws_text(layout: Layout, register: int, normal: Container[object]) -> str:
    """Functions `tile`, of the draws of one tile, and `draw`, of those of a block: see `layout.DRAW_ARGUMENTS`.

    normal  names of the draws that are standard normal; the others are uniform
    """
    return _tile_text(layout, register, normal) + "\n" + _block_text(layout)


def _tile_text(layout: Layout, register: int, normal: Container[object]) -> str:
    """Draws from unit `first` on, stream after stream; those of a unit follow each other in each stream."""
    t = VectorText(layout.lanes)
    t.lines.append(
        "define internal void @tile(i64 %first, ptr %keys, ptr %into, ptr %quantiles) noinline #0 {"
    )
    t.label("entry")
    begun: dict[int, tuple[str, str]] = {}
    for drawn in layout.drawn:
        if drawn.each not in begun:
            begin = t.whole("mul", "%first", drawn.each)
            skip = t.whole("and", begin, 3)
            past = t.whole("add", skip, layout.lanes * drawn.each + register - 1)
            begun[drawn.each] = (t.whole("lshr", begin, 2), t.whole("udiv", past, register))
        block, many = begun[drawn.each]
        function = "normals" if drawn.name in normal else "uniforms"
        for stream, _ in enumerate(drawn.streams):
            key = 2 * (layout.first_key[drawn.name] + stream)
            halves = [t.load(t.address("%keys", key + half), "i64") for half in (0, 1)]
            into = t.address("%into", layout.place(drawn, stream))
            keys = f"i64 {halves[0]}, i64 {halves[1]}"
            t.line(f"call void @{function}({keys}, i64 {block}, i64 {many}, ptr {into}, ptr %quantiles)")
    t.line("ret void")
    t.lines.append("}")
    return "\n".join(t.lines)


def _block_text(layout: Layout) -> str:
    t = VectorText(layout.lanes)
    t.lines.append(f"define void @draw({', '.join(f'i64 %{name}' for name in DRAW_ARGUMENTS)}) #0 {{")
    t.label("entry")
    keys, into, quantiles = (t.new(f"inttoptr i64 %{name} to ptr") for name in DRAW_ARGUMENTS[2:])

    def tile(number: str) -> None:
        first = t.whole("add", t.whole("mul", number, layout.lanes), "%start")
        place = t.address(into, t.whole("mul", number, layout.uniforms))
        t.line(f"call void @tile(i64 {first}, ptr {keys}, ptr {place}, ptr {quantiles})")

    LoopsText(t).repeat("%tiles", tile)
    t.line("ret void")
    t.lines.append("}")
    return "\n".join(t.lines)
