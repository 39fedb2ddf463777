"""Units under variants of a case, judged by a kernel: hundreds of variants share its code and its draws."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from margin.backends.compiled.block import Counted, Kernel, keys_of
from margin.backends.compiled.normal_quantile import in_lines
from margin.backends.compiled.trace import Computed, Given
from margin.propagation.calibrated import Bench
from margin.propagation.draws import StreamSource
from margin.propagation.frame import Frame
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked, Outcomes, sizes_of
from margin.propagation.plan import Block
from margin.propagation.variants import Variant

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CompiledUnits:
    """Units under variants of a model (see `outcomes.UnitEngine`). One object serves any number of threads."""

    model: Model
    kernel: Kernel

    @property
    def fast(self) -> bool:
        return True

    def with_frame(self, frame: Frame) -> CompiledUnits:
        return replace(self, kernel=replace(self.kernel, frame=frame))

    def outcomes(
        self, start: int, count: int, variants: Sequence[Variant], asked: Asked
    ) -> Iterator[Outcomes | None]:
        """As `UnitEngine.outcomes`."""
        kernel = self.kernel
        source = self.model.source(kernel.frame.grouping, start, count)
        block = _UnitBlock(self.model, kernel, source, Block(start, count, 0))
        for number, variant in enumerate(variants):
            thresholds = None
            if asked.first or asked.thresholds is not None:
                none = np.zeros(kernel.layout.options)
                thresholds = (
                    none if asked.thresholds is None else np.ascontiguousarray(asked.thresholds[number])
                )
            if asked.placed is not None:
                counted = block.counted(variant, None, bins=True)
                if counted.bad.any():
                    yield None
                    continue
                thresholds = np.ascontiguousarray(asked.placed(self._sizes(counted)))
            counted = block.counted(variant, thresholds, bins=asked.sizes)
            yield None if counted.bad.any() else self._outcomes(counted, count, asked)

    def outcomes_of(
        self, source: StreamSource, asked: Asked, scores: Mapping[str, Array] | None = None
    ) -> Outcomes | None:
        """Outcomes of the units of a source; None where an error is not a number.

        scores  name of a column -> (unit, draw) standard normal scores of its draws, where they are known
        """
        count = source.count
        layout = self.kernel.layout
        block = Block(0, count, 0)
        bench = Bench(self.model.case, source, self.model.nominal, count)
        given = [self.kernel.side_by_side(e.values(bench), e.shape, count) for e in layout.outside]
        draws = self._draws_of(source, scores or {})
        extras = np.zeros(layout.options) if asked.first else None
        counted = Counted.empty(layout, count, bins=False, extras=extras)
        self.kernel.call(
            block, np.zeros(0, dtype=np.uint64), [draws] * len(layout.drawn), given, np.ones(len(layout.arguments)),
            counted, drawing=False, step=layout.uniforms,
        )  # fmt: skip
        return None if counted.bad.any() else self._outcomes(counted, count, asked)

    def _draws_of(self, source: StreamSource, scores: Mapping[str, Array]) -> Array:
        """Draws of a source as the kernel finds its own: (tile, draw)."""
        layout, width, count = self.kernel.layout, self.kernel.layout.lanes, source.count
        tiles = -(-count // width)
        found = np.zeros((tiles, layout.uniforms))
        for drawn in layout.drawn:
            if drawn.name in scores:
                own = scores[drawn.name] if drawn.normal else ndtr(scores[drawn.name])
            else:
                uniforms = source.independent(drawn.factor, drawn.event)
                own = ndtri(uniforms) if drawn.normal else uniforms
            # one stream, or one for each (placement, load) of a calibration
            placements, readings, loads = drawn.shape[1:] if len(drawn.streams) > 1 else (1, drawn.each, 1)
            apart = own.reshape(count, placements, readings, loads).transpose(1, 3, 0, 2)
            for stream, values in enumerate(apart.reshape(len(drawn.streams), count * drawn.each)):
                place, room = layout.place(drawn, stream), width * drawn.each
                whole = np.zeros(tiles * room)
                whole[: values.size] = values
                found[:, place : place + room] = whole.reshape(tiles, room)
        return found

    def _outcomes(self, counted: Counted, count: int, asked: Asked) -> Outcomes:
        beyond = asked.thresholds is not None or asked.placed is not None
        return Outcomes(
            counted.ratios[..., :count].max(axis=1),
            counted.within[:, :count],
            counted.first[..., :count] if counted.first is not None and asked.first else None,
            self._sizes(counted) if asked.sizes else None,
            counted.beyond[:, :count] if beyond else None,
        )

    def _sizes(self, counted: Counted) -> NDArray[np.int64]:
        return sizes_of(counted.bins[:, :-1].astype(np.int64), self.kernel.layout.bins)


@dataclass
class _UnitBlock:
    """Draws of a block, made once; those made again, where a variant asks for them, once more."""

    model: Model
    kernel: Kernel
    source: StreamSource
    block: Block
    _draws: dict[bool, Array] = field(default_factory=dict)
    _given: dict[object, Array] = field(default_factory=dict)

    def counted(self, variant: Variant, thresholds: Array | None, *, bins: bool) -> Counted:
        """What the machine code counts under a variant."""
        layout = self.kernel.layout
        again = [drawn.name in variant.redrawn for drawn in layout.drawn]
        scales = np.array([variant.scales.get(name, 1.0) for name in layout.arguments])
        counted = Counted.empty(layout, self.block.count, bins=bins, pooled=True, extras=thresholds)
        self.kernel.call(
            self.block, np.zeros(0, dtype=np.uint64), [self._drawn(one) for one in again],
            self._all_given(variant), scales, counted, drawing=False, step=layout.uniforms,
        )  # fmt: skip
        return counted

    def _keys(self, again: bool) -> NDArray[np.uint64]:
        columns = {drawn.name for drawn in self.kernel.layout.drawn} if again else ()
        return keys_of(self.kernel.layout, self.source.stream, columns)

    def _drawn(self, again: bool) -> Array:
        """All draws of the block as the kernel makes them: (tile, draw)."""
        if again not in self._draws:
            layout = self.kernel.layout
            tiles = -(-self.block.count // layout.lanes)
            draws = in_lines((tiles, layout.uniforms))
            self.kernel.draw(self.block, self._keys(again), draws)
            self._draws[again] = draws
        return self._draws[again]

    def _all_given(self, variant: Variant) -> list[Array]:
        """What is drawn outside, under a variant; kept for variants that do not change it."""
        bench: Bench | None = None
        found = []
        for each in self.kernel.layout.outside:
            key = (each.name, *self._changed(each, variant))
            if key not in self._given:
                if bench is None:
                    source = self.source.varied(variant)
                    bench = Bench(self.model.case, source, self.model.nominal, self.block.count)
                self._given[key] = self.kernel.side_by_side(each.values(bench), each.shape, self.block.count)
            found.append(self._given[key])
        return found

    def _changed(self, each: Given | Computed, variant: Variant) -> tuple[object, ...]:
        """What of a variant bears on a value: the changes of its own factor, and of those tied to it."""
        if isinstance(each, Computed):
            return (tuple(sorted(variant.scales.items())), variant.redrawn)
        name = each.factor.name
        tied = next((group.factors for group in self.model.groups if name in group.names), (each.factor,))
        names = {n for f in tied for n in (f.name, f.knowledge_name)}
        starts = tuple(n for f in tied for n in (f.name, f.knowledge_stream))
        return (
            tuple(sorted((n, s) for n, s in variant.scales.items() if n in names)),
            frozenset(column for column in variant.redrawn if column.startswith(starts)),
        )
