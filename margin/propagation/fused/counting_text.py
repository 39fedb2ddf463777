"""Lines that count errors and truths of readings, as `tally` and `histogram` do."""

from __future__ import annotations

import math

from margin.propagation.fused.layout import Layout
from margin.propagation.fused.loops_text import LoopsText
from margin.propagation.fused.phases import Sink
from margin.propagation.fused.vector_text import VectorText

_SIZE = 0x7FFFFFFFFFFFFFFF

PARTS = 3
"""Readings of the first half, of the second, and one in the middle of an odd number."""


class CountingText:
    """Counts of the units side by side."""

    def __init__(self, t: VectorText, loops: LoopsText, layout: Layout) -> None:
        self.t, self.loops, self.layout = t, loops, layout

    def begin(self, unit: str) -> None:
        """Start with `unit`: what belongs to it alone is set to 0."""
        t, layout = self.t, self.layout
        self._unit = unit
        self._valid = t.load(t.address("%valid", unit), t.words)
        self._there = t.new(f"icmp ne {t.words} {self._valid}, zeroinitializer")
        for place, many in (
            (layout.largest, layout.options * PARTS * layout.loads),
            (layout.within, layout.options),
        ):
            self.loops.repeat(
                many,
                lambda i, p=place: t.store(t.numbers, t.number(0.0), t.vector("%scratch", p, i)),  # type: ignore[misc]
            )

    def end(self) -> None:
        """Largest errors relative to the permissible one, and readings within, of each unit."""
        t, layout = self.t, self.layout

        def ratio_of_part(row: str) -> None:
            largest = t.number(0.0)
            for load, permissible in enumerate(layout.permissible):
                at = t.whole("add", t.whole("mul", row, layout.loads), load)
                size = t.load(t.vector("%scratch", layout.largest, at), t.numbers)
                ratio = t.divide(size, t.number(permissible))
                largest = t.select(t.compare("ogt", ratio, largest), ratio, largest)
            t.store(t.numbers, largest, t.address("%ratios", self._of_unit(row)))

        def within_of_option(row: str) -> None:
            count = t.load(t.vector("%scratch", layout.within, row), t.words)
            t.store(t.words, count, t.address("%counts_within", self._of_unit(row)))

        self.loops.repeat(layout.options * PARTS, ratio_of_part)
        self.loops.repeat(layout.options, within_of_option)

    def _of_unit(self, row: str) -> str:
        """Place of the present units in row after row of all units."""
        width = self.t.whole("mul", "%tiles_", self.t.lanes)
        return self.t.whole("add", self.t.whole("mul", row, width), self._unit)

    def count(self, sink: Sink, value: str) -> None:
        """Count a reading of each unit."""
        t = self.t
        if sink.kind == "error":
            self._error(sink, value)
        elif sink.kind == "required":
            self._mark_bad(t.negation(value))
        else:
            at = t.vector(f"%{sink.kind}", 0, self.loops.index.get(3, 0))
            counted = t.on_words("and", self._wide(value), self._valid)
            t.store(t.words, t.on_words("sub", t.load(at, t.words), counted), at)

    def _wide(self, truth: str) -> str:
        """Whole numbers: -1 where true, 0 elsewhere."""
        return self.t.new(f"sext {self.t.truths} {truth} to {self.t.words}")

    def _mark_bad(self, truth: str) -> None:
        t = self.t
        found = t.on_words("and", self._wide(truth), self._valid)
        t.store(t.words, t.on_words("or", t.load("%bad", t.words), found), "%bad")

    def _error(self, sink: Sink, error: str) -> None:
        t, layout = self.t, self.layout
        load = self.loops.index.get(3, 0)
        size = t.unary("fabs", error)
        self._mark_bad(t.negation(t.compare("olt", size, t.number(math.inf))))
        row = t.whole("add", load, (sink.option * layout.conditions + sink.condition) * layout.loads)
        for name, condition, none in (("low", "olt", math.inf), ("high", "ogt", -math.inf)):
            there = t.select(self._there, error, t.number(none))
            self._extreme(t.vector(f"%{name}", 0, row), condition, there)
        self._bin(row, error)
        self._judge(sink, size, load)

    def _extreme(self, at: str, condition: str, value: str) -> None:
        t = self.t
        before = t.load(at, t.numbers)
        t.store(t.numbers, t.select(t.compare(condition, value, before), value, before), at)

    def _bin(self, row: str, error: str) -> None:
        """Bins as `histogram.Bins` has them."""
        t, bins = self.t, self.layout.bins
        bits = t.bits(t.divide(error, t.number(bins.scale)))
        size = t.on_words("lshr", t.on_words("and", bits, t.word(_SIZE)), t.word(bins.shift))
        index = t.on_words("sub", size, t.word(bins.below))
        for condition, limit in (("slt", 0), ("sgt", bins.half)):
            beyond = t.new(f"icmp {condition} {t.words} {index}, {t.word(limit)}")
            index = t.new(f"select {t.truths} {beyond}, {t.words} {t.word(limit)}, {t.words} {index}")
        negative = t.new(f"icmp slt {t.words} {bits}, zeroinitializer")
        below, above = (t.on_words(way, t.word(bins.half), index) for way in ("sub", "add"))
        index = t.new(f"select {t.truths} {negative}, {t.words} {below}, {t.words} {above}")
        # units that only fill the vector fall behind the last bin
        index = t.new(f"select {t.truths} {self._there}, {t.words} {index}, {t.words} {t.word(bins.size)}")
        base = t.new(f"getelementptr i32, ptr %bins, i64 {t.whole('mul', row, bins.size + 1)}")
        for lane in range(t.lanes):
            place = t.new(f"extractelement {t.words} {index}, i64 {lane}")
            at = t.new(f"getelementptr i32, ptr {base}, i64 {place}")
            before = t.new(f"load i32, ptr {at}")
            t.line(f"store i32 {t.new(f'add i32 {before}, 1')}, ptr {at}")

    def _judge(self, sink: Sink, size: str, load: str | int) -> None:
        """Largest error at each load in each part of the readings, and readings within."""
        t, layout = self.t, self.layout
        turns = (*sink.shape[:3], 1)
        turn = t.whole("add", self.loops.at(turns), sink.condition * math.prod(turns))
        half = max(layout.turns // 2, 1)
        first = t.new(f"icmp slt i64 {turn}, {half}")
        second = t.new(f"icmp sge i64 {turn}, {layout.turns - half}")
        part = t.new(f"select i1 {second}, i64 1, i64 2")
        part = t.new(f"select i1 {first}, i64 0, i64 {part}")
        row = t.whole("add", part, PARTS * sink.option)
        place = t.whole("add", t.whole("mul", row, layout.loads), load)
        self._extreme(t.vector("%scratch", layout.largest, place), "ogt", size)
        limit = t.load(t.address("%constants", t.whole("add", load, layout.first_permissible)), "double")
        inside = self._wide(t.compare("ole", size, t.everywhere(limit)))
        count = t.vector("%scratch", layout.within, sink.option)
        t.store(t.words, t.on_words("sub", t.load(count, t.words), inside), count)
