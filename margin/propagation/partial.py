"""Results of consecutive units: how they join, how they add up to the whole, how they are packed as bytes."""

from __future__ import annotations

import dataclasses
import hashlib
import io
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.propagation.plan import Block
from margin.propagation.tally import BlockTally, Frame, Tally

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

SAMPLE_UNITS = 12
"""Units whose errors are kept one by one, for the plot."""

_DIGEST = hashlib.sha256().digest_size

_TALLY_FIELDS = tuple(f.name for f in dataclasses.fields(BlockTally))


@dataclass(frozen=True)
class BlockResult:
    """Counts of one block, or of several blocks that follow each other in one section.

    tallies  by option; clipped, blind: (load,) readings
    samples  option -> (unit, load) errors, N, of those of the first SAMPLE_UNITS units that are in the block
    """

    block: Block
    tallies: dict[str, BlockTally]
    clipped: Counts
    blind: Counts
    samples: dict[str, Array]


def joined(first: BlockResult, second: BlockResult) -> BlockResult:
    """Result of both blocks. ValueError unless the second follows the first in the same section."""
    one, other = first.block, second.block
    if other.start != one.start + one.count or other.section != one.section:
        raise ValueError(f"blocks that do not follow each other cannot be joined: {one}, {other}")
    return BlockResult(
        Block(one.start, one.count + other.count, one.section),
        {name: _joined_tally(tally, second.tallies[name]) for name, tally in first.tallies.items()},
        first.clipped + second.clipped,
        first.blind + second.blind,
        {name: np.concatenate([part, second.samples[name]]) for name, part in first.samples.items()},
    )


def _joined_tally(first: BlockTally, second: BlockTally) -> BlockTally:
    # units ascend, so that groups do; both blocks may share the group at which they meet
    groups = second.first_group + len(second.within) - first.first_group
    within = np.zeros((groups, first.within.shape[1]), dtype=np.int64)
    within[: len(first.within)] += first.within
    within[groups - len(second.within) :] += second.within
    return BlockTally(
        first.section,
        first.errors + second.errors,
        np.minimum(first.low, second.low),
        np.maximum(first.high, second.high),
        first.largest + second.largest,
        first.first_group,
        within,
        first.shares + second.shares,
        first.halves + second.halves,
        first.lots + second.lots,
    )


@dataclass
class Total:
    """What is known of a study so far: it grows with the blocks added, in any order, and takes no more memory."""

    tallies: dict[str, Tally]
    clipped: Counts
    blind: Counts
    _samples: list[tuple[int, dict[str, Array]]] = field(default_factory=list)

    @classmethod
    def empty(cls, frame: Frame, options: tuple[str, ...]) -> Total:
        loads = frame.loads.size
        return cls(
            {name: Tally.empty(frame) for name in options},
            np.zeros(loads, dtype=np.int64),
            np.zeros(loads, dtype=np.int64),
        )

    def add(self, result: BlockResult) -> None:
        """Add a block that was not added before."""
        for name, tally in result.tallies.items():
            tally.add_to(self.tallies[name])
        self.clipped += result.clipped
        self.blind += result.blind
        if any(len(part) for part in result.samples.values()):
            self._samples.append((result.block.start, result.samples))

    def samples(self) -> dict[str, Array]:
        """Option -> (unit, load) errors, N, of the first SAMPLE_UNITS units."""
        parts = [samples for _, samples in sorted(self._samples, key=lambda each: each[0])]
        return {name: np.concatenate([part[name] for part in parts]) for name in self.tallies}


def packed(result: BlockResult, mark: str = "") -> bytes:
    """The result as compressed bytes behind their digest; `mark` says what it belongs to."""
    block = result.block
    arrays: dict[str, Any] = {
        "mark": np.array(mark),
        "block": np.array([block.start, block.count, block.section], dtype=np.int64),
        "options": np.array(list(result.tallies)),
        "clipped": result.clipped,
        "blind": result.blind,
    }
    for number, (name, tally) in enumerate(result.tallies.items()):
        arrays |= {f"{number}.{f}": np.asarray(getattr(tally, f)) for f in _TALLY_FIELDS}
        arrays[f"{number}.samples"] = result.samples[name]
    stream = io.BytesIO()
    np.savez_compressed(stream, **arrays)
    content = stream.getvalue()
    return hashlib.sha256(content).digest() + content


def unpacked(content: bytes) -> tuple[BlockResult, str]:
    """Result and mark from bytes of `packed`.

    Nothing is parsed before the digest is found to match, and nothing that is stored is run. Raises ValueError where
    the bytes are not those of `packed`, KeyError where an array is missing.
    """
    digest, archived = content[:_DIGEST], content[_DIGEST:]
    if hashlib.sha256(archived).digest() != digest:
        raise ValueError("it was cut short or changed since it was written")
    with np.load(io.BytesIO(archived), allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    tallies: dict[str, BlockTally] = {}
    samples: dict[str, Array] = {}
    for number, name in enumerate(arrays["options"].tolist()):
        fields = (arrays[f"{number}.{f}"] for f in _TALLY_FIELDS)
        values: list[Any] = [value if value.ndim else int(value) for value in fields]
        tallies[name] = BlockTally(*values)
        samples[name] = arrays[f"{number}.samples"]
    start, count, section = arrays["block"].tolist()
    result = BlockResult(Block(start, count, section), tallies, arrays["clipped"], arrays["blind"], samples)
    return result, str(arrays["mark"])
