"""Lines that count errors and truths of readings, as `tally` and `histogram` do."""

from __future__ import annotations

import math

from margin.backends.compiled.layout import Layout
from margin.backends.compiled.loops_text import LoopsText
from margin.backends.compiled.phases import Sink
from margin.backends.compiled.vector_functions import quotient
from margin.backends.compiled.vector_text import VectorText

_SIZE = 0x7FFFFFFF


class CountingText:
    """Counts of the units side by side."""

    def __init__(self, t: VectorText, loops: LoopsText, layout: Layout) -> None:
        self.t, self.loops, self.layout = t, loops, layout

    def start(self) -> None:
        """What holds for all units."""
        self._pooled = self.t.new("icmp ne i64 %pooled, 0")

    def begin(self, unit: str) -> None:
        """Start with `unit`: what belongs to it alone is set back."""
        t, layout = self.t, self.layout
        self._unit = unit
        self._valid = t.load(t.address("%valid", unit), t.words)
        there = t.new(f"icmp ne {t.words} {self._valid}, zeroinitializer")
        self._there = t.new(f"sext {t.truths} {there} to {t.halves}")

        def no_extremes(row: str) -> None:
            for which, none in enumerate((math.inf, -math.inf)):
                t.store(t.numbers, t.number(none), self._extreme(row, which))

        def none_of_option(option: str) -> None:
            t.store(t.numbers, t.number(0.0), t.vector("%scratch", layout.within, option))
            for part in range(layout.parts):
                t.store(t.numbers, t.number(0.0), self._ratio(option, part))

        self.loops.repeat(layout.options * layout.conditions * layout.parts * layout.loads, no_extremes)
        self.loops.repeat(layout.options, none_of_option)

    def end(self) -> None:
        """Extremes of all units; largest errors relative to the permissible one, and readings within, of each."""
        t, layout = self.t, self.layout
        there = t.new(f"icmp ne {t.words} {self._valid}, zeroinitializer")

        def of_load(option: str, condition: str, load: str) -> None:
            row = t.whole("add", t.whole("mul", option, layout.conditions), condition)
            permissible = self._permissible(load)
            extremes = [t.number(math.inf), t.number(-math.inf)]
            for part in range(layout.parts):
                place = self._row(row, part, load)
                found = [t.load(self._extreme(place, which), t.numbers) for which in (0, 1)]
                extremes = [self._farther(which, found[which], extremes[which]) for which in (0, 1)]
                size = self._farther(1, found[1], t.new(f"fneg {t.numbers} {found[0]}"))
                self._farther_at(1, self._ratio(option, part), t.divide(size, permissible))
            place = t.whole("add", t.whole("mul", row, layout.loads), load)
            for which, (name, none) in enumerate((("low", math.inf), ("high", -math.inf))):
                value = t.select(there, extremes[which], t.number(none))
                self._farther_at(which, t.vector(f"%{name}", 0, place), value)

        def of_option(option: str) -> None:
            self.loops.repeat(
                layout.conditions,
                lambda condition: self.loops.repeat(
                    layout.loads, lambda load: of_load(option, condition, load)
                ),
            )
            count = t.load(t.vector("%scratch", layout.within, option), t.words)
            t.store(t.words, count, t.address("%counts_within", self._of_unit(option)))

        self.loops.repeat(layout.options, of_option)

    # ---- places

    def _of_unit(self, row: str | int) -> str:
        """Place of the present units in row after row of all units."""
        width = self.t.whole("mul", "%tiles", self.t.lanes)
        return self.t.whole("add", self.t.whole("mul", row, width), self._unit)

    def _ratio(self, option: str, part: int) -> str:
        row = self.t.whole("add", self.t.whole("mul", option, self.layout.parts), part)
        return self.t.address("%ratios", self._of_unit(row))

    def _row(self, row: str | int, part: str | int, load: str | int) -> str:
        """Number of (option and condition, part, load)."""
        t, layout = self.t, self.layout
        of_part = t.whole("add", t.whole("mul", row, layout.parts), part)
        return t.whole("add", t.whole("mul", of_part, layout.loads), load)

    def _extreme(self, row: str, which: int) -> str:
        """Address of the smallest (0) or largest (1) error of a row."""
        index = self.t.whole("add", self.t.whole("mul", row, 2), which)
        return self.t.vector("%scratch", self.layout.extremes, index)

    def _permissible(self, load: str | int) -> str:
        t = self.t
        place = t.whole("add", load, self.layout.first_permissible)
        return t.everywhere(t.load(t.address("%constants", place), "double"))

    # ---- readings

    def count(self, sink: Sink, value: str) -> None:
        """Count a reading of each unit."""
        t = self.t
        if sink.kind == "error":
            self._error(sink, value)
        elif sink.kind == "required":
            self._mark_bad(t.negation(value))
        else:
            at = t.vector(f"%{sink.kind}", 0, self.loops.index.get(3, 0))
            t.if_any(value, lambda: self._add_one(at, value))

    def _add_one(self, at: str, truth: str) -> None:
        t = self.t
        counted = t.on_words("and", self._wide(truth), self._valid)
        t.store(t.words, t.on_words("sub", t.load(at, t.words), counted), at)

    def _mark_bad(self, truth: str) -> None:
        self.t.if_any(truth, lambda: self._add_one("%bad", truth))

    def _wide(self, truth: str) -> str:
        """Whole numbers: -1 where true, 0 elsewhere."""
        return self.t.new(f"sext {self.t.truths} {truth} to {self.t.words}")

    def _farther(self, which: int, value: str, before: str) -> str:
        """The smaller (0) or larger (1) of two numbers."""
        t = self.t
        return t.select(t.compare(("olt", "ogt")[which], value, before), value, before)

    def _farther_at(self, which: int, at: str, value: str) -> None:
        t = self.t
        t.store(t.numbers, self._farther(which, value, t.load(at, t.numbers)), at)

    def _error(self, sink: Sink, error: str) -> None:
        t, layout = self.t, self.layout
        load = self.loops.index.get(3, 0)
        size = t.unary("fabs", error)
        self._mark_bad(t.negation(t.compare("olt", size, t.number(math.inf))))
        row = sink.option * layout.conditions + sink.condition
        place = self._row(row, self._part(sink), load)
        for which in (0, 1):
            self._farther_at(which, self._extreme(place, which), error)
        inside = self._wide(t.compare("ole", size, self._permissible(load)))
        count = t.vector("%scratch", layout.within, sink.option)
        t.store(t.words, t.on_words("sub", t.load(count, t.words), inside), count)
        counted = t.new("icmp ne ptr %bins, null")
        apart = t.whole("add", load, row * layout.loads)
        place = t.new(f"select i1 {self._pooled}, i64 {sink.option}, i64 {apart}")
        t.if_true(counted, lambda: self._bin(place, error))
        t.if_true(t.new("icmp ne i64 %extras, 0"), lambda: self._extras(sink, row, load, error, size))

    def _extras(self, sink: Sink, row: int, load: str | int, error: str, size: str) -> None:
        """Whether the reading is beyond the option's threshold; the error of the first reading."""
        t = self.t
        limit = t.everywhere(t.load(t.address("%thresholds", sink.option), "double"))
        at = t.address("%beyond", self._of_unit(sink.option))
        more = self._wide(t.compare("ogt", size, limit))
        t.store(t.words, t.on_words("sub", t.load(at, t.words), more), at)
        first = t.new(f"icmp eq i64 {self.loops.at((*sink.shape[:3], 1))}, 0")
        place = t.whole("add", load, row * self.layout.loads)
        t.if_true(first, lambda: t.store(t.numbers, error, t.address("%first", self._of_unit(place))))

    def _part(self, sink: Sink) -> str:
        """Which part of the readings in use the present one belongs to."""
        t, turns = self.t, self.layout.turns
        shape = (*sink.shape[:3], 1)
        turn = t.whole("add", self.loops.at(shape), sink.condition * math.prod(shape))
        half = max(turns // 2, 1)
        first = t.new(f"icmp slt i64 {turn}, {half}")
        second = t.new(f"icmp sge i64 {turn}, {turns - half}")
        part = t.new(f"select i1 {second}, i64 1, i64 2")
        return t.new(f"select i1 {first}, i64 0, i64 {part}")

    def _bin(self, row: str, error: str) -> None:
        """Bins as `histogram.Bins` has them."""
        t, bins = self.t, self.layout.bins
        shift, below = bins.upper_word
        first = self.layout.first_scale
        scale, inverse = (t.everywhere(t.load(t.address("%constants", first + k), "double")) for k in (0, 1))
        bits = t.upper(quotient(t, error, scale, inverse))
        size = t.on_halves("lshr", t.on_halves("and", bits, t.half(_SIZE)), t.half(shift))
        index = t.on_halves("sub", size, t.half(below))
        index = t.limited_half("smin", t.limited_half("smax", index, 0), bins.half)
        sign = t.on_halves("ashr", bits, t.half(31))
        index = t.on_halves("sub", t.on_halves("xor", index, sign), sign)
        index = t.on_halves("add", index, t.half(bins.half))
        # units that only fill the vector fall behind the last bin
        there = t.new(f"icmp slt {t.halves} {self._there}, zeroinitializer")
        index = t.new(f"select {t.truths} {there}, {t.halves} {index}, {t.halves} {t.half(bins.size)}")
        places = t.address("%scratch", self.layout.bin_places)
        t.store(t.halves, index, places)
        base = t.new(f"getelementptr i32, ptr %bins, i64 {t.whole('mul', row, bins.size + 1)}")
        for lane in range(t.lanes):
            address = t.new(f"getelementptr i32, ptr {places}, i64 {lane}")
            # read back from memory, which is faster than lane by lane out of a register
            place = t.new(f"load volatile i32, ptr {address}")
            at = t.new(f"getelementptr i32, ptr {base}, i32 {place}")
            before = t.new(f"load i32, ptr {at}")
            t.line(f"store i32 {t.new(f'add i32 {before}, 1')}, ptr {at}")
