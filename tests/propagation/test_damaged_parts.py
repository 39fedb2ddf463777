"""A kept part that is damaged, forged or of another run is found out, reported and drawn again."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kept_run import chunk_files, small, units_in
from numpy.typing import NDArray
from pad_study import EVERY_SPREAD, ONE_POINT, everything, pad_case
from same_counts import assert_same_bits

from margin.backends.run import run
from margin.propagation.partial import BlockResult, packed, unpacked
from margin.propagation.tally import BlockTally


def torn(file: Path) -> None:
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def emptied(file: Path) -> None:
    file.write_bytes(b"")


def with_a_bit_turned(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 4
    file.write_bytes(bytes(content))


def of_another_seed(file: Path) -> None:
    other = file.parents[2] / "other"
    run(small(seed=8), resume=other)
    shutil.copy(other / "chunks" / file.name, file)


def of_other_units(file: Path) -> None:
    shutil.copy(chunk_files(file.parents[1])[0], file)


def swapped(file: Path) -> None:
    other = chunk_files(file.parents[1])[0]
    content = file.read_bytes(), other.read_bytes()
    other.write_bytes(content[0])
    file.write_bytes(content[1])


CHANGED, OTHER_UNITS = (
    "cut short or changed",
    "it has units 0 to 5 of section 0, not units 54 to 59 of section 9",
)

DAMAGES: dict[str, tuple[Callable[[Path], None], str, int]] = {
    "torn": (torn, CHANGED, 1),
    "emptied": (emptied, CHANGED, 1),
    "a bit turned": (with_a_bit_turned, CHANGED, 1),
    "another seed": (of_another_seed, "belongs to another run", 1),
    "other units": (of_other_units, OTHER_UNITS, 1),
    "swapped": (swapped, OTHER_UNITS, 2),
}


@pytest.mark.parametrize(("damage", "why", "parts"), DAMAGES.values(), ids=DAMAGES.keys())
def test_a_damaged_chunk_is_drawn_anew(
    damage: Callable[[Path], None],
    why: str,
    parts: int,
    tmp_path: Path,
    drawn_units: list[int],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A chunk file that is not what was written there costs its units and nothing else; a line names it and says
    why."""
    case, folder = small(), tmp_path / "run"
    first = run(case, resume=folder)
    last = chunk_files(folder)[-1]
    lost = units_in([last])
    damage(last)
    drawn_units.clear()
    caplog.clear()
    assert_same_bits(first, run(case, resume=folder))
    assert sum(drawn_units) == parts * lost
    assert len(caplog.messages) == parts
    assert f"{last} cannot be used (" in caplog.messages[-1]
    assert why in caplog.messages[-1]
    assert "units 54 to 59 are drawn again" in caplog.messages[-1]
    caplog.clear()
    assert_same_bits(first, run(case, resume=folder))
    assert caplog.messages == []


def test_every_turned_bit_is_seen(tmp_path: Path) -> None:
    """A bit turned anywhere in a chunk is found before any of it is parsed."""
    run(small(), resume=tmp_path)
    content = chunk_files(tmp_path)[0].read_bytes()
    for place in range(0, len(content), 97):
        for bit in (0, 7):
            turned = bytearray(content)
            turned[place] ^= 1 << bit
            with pytest.raises(ValueError, match=CHANGED):
                unpacked(bytes(turned))


def with_tally(result: BlockResult, **changes: object) -> BlockResult:
    name, tally = next(iter(result.tallies.items()))
    return replace(result, tallies=result.tallies | {name: replace(tally, **changes)})  # type: ignore[arg-type]


def moved(counts: NDArray[np.int64], by: int) -> NDArray[np.int64]:
    """The counts with the first of them smaller and the last larger."""
    found = counts.copy()
    found.flat[0] -= by
    found.flat[-1] += by
    return found


def more(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    found = counts.copy()
    found.flat[0] += 1
    return found


def first_of(result: BlockResult) -> BlockTally:
    return next(iter(result.tallies.values()))


FORGED: dict[str, tuple[Callable[[BlockResult], BlockResult], str]] = {
    "negative": (lambda r: with_tally(r, errors=moved(first_of(r).errors, 1)), "errors has a negative count"),
    "one more error": (lambda r: with_tally(r, errors=more(first_of(r).errors)), "do not sum to its readings"),
    "one more unit": (lambda r: with_tally(r, largest=more(first_of(r).largest)), "do not sum to its units"),
    "one more share": (lambda r: with_tally(r, shares=more(first_of(r).shares)), "do not sum to its units"),
    "fewer within": (lambda r: with_tally(r, within=first_of(r).within * 0), "within disagree with its shares"),
    "more units": (lambda r: with_tally(r, within=first_of(r).within + [0, 9, 0]), "more units within than"),
    "halves": (lambda r: with_tally(r, halves=first_of(r).halves + 9), "halves counts more than 6"),
    "another group": (lambda r: with_tally(r, first_group=3), "first group 3, not 9"),
    "another section": (lambda r: with_tally(r, section=3), "section 3, not 9"),
    "a load too few": (lambda r: with_tally(r, low=first_of(r).low[:, 1:]), "low is float64"),
    "another type": (lambda r: with_tally(r, shares=first_of(r).shares * 1.0), "shares is float64"),
    "no number": (lambda r: with_tally(r, high=first_of(r).high * np.nan), "high has a value that is not a number"),
    "extremes": (lambda r: with_tally(r, low=first_of(r).high + 1.0), "lowest errors above the highest"),
    "lots": (lambda r: with_tally(r, lots=first_of(r).lots + 1), "lots counted where nothing varies by lot"),
    "clipped": (lambda r: replace(r, clipped=r.clipped + 100), "clipped counts more than 6"),
    "samples": (lambda r: replace(r, samples={n: np.zeros((1, 2)) for n in r.samples}), "samples is float64"),
    "an option fewer": (
        lambda r: replace(r, tallies=dict([*r.tallies.items()][:1])), "it has the calibrations none, not none, one"
    ),
}  # fmt: skip
"""Changes of a result that is then packed with a digest and mark that match."""


@pytest.mark.parametrize(("forged", "why"), FORGED.values(), ids=FORGED.keys())
def test_counts_that_cannot_be_those_of_their_units_are_refused(
    forged: Callable[[BlockResult], BlockResult],
    why: str,
    tmp_path: Path,
    drawn_units: list[int],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Every reading and unit is counted once, so that shapes, signs and sums are known; a part that breaks these
    laws is drawn again, whatever its digest."""
    first = run(small(), resume=tmp_path)
    last = chunk_files(tmp_path)[-1]
    result, mark = unpacked(last.read_bytes())
    last.write_bytes(packed(forged(result), mark))
    drawn_units.clear()
    assert_same_bits(first, run(small(), resume=tmp_path))
    assert sum(drawn_units) == result.block.count
    (message,) = caplog.messages
    assert why in message


def test_nothing_that_is_stored_is_run(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A pickled object in a part with a matching digest is refused, not loaded."""

    class Trap:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return os.mkdir, (str(tmp_path / "trapped"),)

    folder = tmp_path / "run"
    first = run(small(), resume=folder)
    last = chunk_files(folder)[-1]
    _, mark = unpacked(last.read_bytes())
    stream = io.BytesIO()
    np.savez(stream, mark=np.array(mark), options=np.array([Trap()], dtype=object), block=np.arange(3))
    last.write_bytes(hashlib.sha256(stream.getvalue()).digest() + stream.getvalue())
    assert_same_bits(first, run(small(), resume=folder))
    assert not (tmp_path / "trapped").exists()
    assert "allow_pickle=False" in caplog.text


@pytest.mark.parametrize("points", ["random", "sobol"])
def test_sound_parts_pass(points: str, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Lots, outer draws, cells, named conditions and every calibration: what was written is taken."""
    cases = [everything(points), pad_case(ONE_POINT, **EVERY_SPREAD)]
    for number, case in enumerate(cases):
        folder = tmp_path / str(number)
        first = run(case, resume=folder)
        before = {file: file.stat().st_mtime_ns for file in chunk_files(folder)}
        assert_same_bits(first, run(case, resume=folder))
        assert {file: file.stat().st_mtime_ns for file in chunk_files(folder)} == before
    assert caplog.messages == []
