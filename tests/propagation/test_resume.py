"""A study that was cut off goes on where it stopped, to the same bits, and never on the chunks of another."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import reduce
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kept_run import chunk_files, small, units_in
from pad_study import everything
from same_counts import assert_same_bits

from margin.backends.arrays import evaluate_block
from margin.backends.run import run
from margin.backends.threads import evaluate_range
from margin.case import with_changes
from margin.commands.common import INTERRUPTED, faults_shown
from margin.propagation.model import model_of
from margin.propagation.partial import joined, packed, unpacked
from margin.propagation.plan import Block, plan_of
from margin.propagation.store import RunFolderError

ROOT = Path(__file__).parents[2]

STOPPED_HALF_WAY = """
import json, sys
from margin.case import read_case
from margin.backends.run import run

drawn = 0

def count(units):
    global drawn
    drawn += units
    if drawn > 450:
        print("half way", flush=True)
        sys.stdin.read()

run(read_case(json.load(open(sys.argv[1]))), workers=2, block=40, resume=sys.argv[2], progress=count)
"""


def test_a_killed_run_goes_on_to_the_same_bits(tmp_path: Path, drawn_units: list[int]) -> None:
    """A run killed half way and begun again, with other workers and blocks, gives the bits of a whole run and
    draws no unit of a finished chunk again."""
    case, folder = everything("random"), tmp_path / "run"
    (tmp_path / "case.json").write_text(json.dumps(case.source), encoding="utf-8")
    command = [sys.executable, "-c", STOPPED_HALF_WAY, str(tmp_path / "case.json"), str(folder)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "half way\n"
        process.kill()
    before = {file: file.stat().st_mtime_ns for file in chunk_files(folder)}
    total = plan_of(case).frame.units
    assert 0 < units_in(list(before)) < total
    assert not (folder / "finished.json").exists()
    resumed = run(case, workers=1, block=101, resume=folder)
    assert sum(drawn_units) == total - units_in(list(before))
    assert {file: file.stat().st_mtime_ns for file in before} == before
    assert (folder / "finished.json").exists()
    assert_same_bits(run(case, workers=1), resumed)


def test_a_finished_run_is_read_not_drawn(tmp_path: Path, drawn_units: list[int]) -> None:
    """Once finished, a folder gives the whole result without a draw."""
    case = small()
    first = run(case, resume=tmp_path)
    drawn_units.clear()
    assert_same_bits(first, run(case, resume=tmp_path))
    assert drawn_units == []


def test_what_a_kill_left_half_written_is_no_chunk(tmp_path: Path) -> None:
    """A file that was not yet moved to its place is ignored, and gone when the run is finished."""
    case, folder = small(), tmp_path / "run"
    first = run(case, resume=folder)
    part = folder / "chunks" / ".000000000000006.chunk.1.part"
    part.write_bytes(b"PK")
    assert_same_bits(first, run(case, resume=folder))
    assert not part.exists()


OTHERS = {
    "seed": ({"study.seed": 9}, "seed 3 there, 9 here"),
    "units": ({"study.units": 70}, "units 60 there, 70 here"),
    "value": ({"circuit.feedback": "61 kohm"}, r"circuit.feedback.nominal 60000.0 there, 61000.0 here"),
    "spread": ({"sensor.sensitivity": "4 uS +/- 5 %"}, r"sensor.sensitivity.spreads.1"),
    "readings": ({"use.loadings": 3}, "study.loadings 1 there, 3 here"),
}


@pytest.mark.parametrize(("changes", "named"), OTHERS.values(), ids=OTHERS.keys())
def test_a_folder_of_another_run_is_refused(changes: dict[str, object], named: str, tmp_path: Path) -> None:
    """Chunks of another seed, size or case are not mixed in: the message names what differs."""
    run(small(), resume=tmp_path)
    before = {file: file.read_bytes() for file in tmp_path.rglob("*.*")}
    with pytest.raises(RunFolderError, match=named):
        run(with_changes(small(), changes), resume=tmp_path)
    assert {file: file.read_bytes() for file in tmp_path.rglob("*.*")} == before


def test_what_changes_no_draw_may_change(tmp_path: Path) -> None:
    """The same case in other words (a name, a unit of the same value) goes on."""
    first = run(small(), resume=tmp_path)
    same = with_changes(small(), {"case.name": "renamed", "circuit.feedback": "60000 ohm"})
    assert_same_bits(first, run(same, resume=tmp_path))


def test_a_folder_that_holds_no_run_is_refused(tmp_path: Path) -> None:
    """A file, a folder with files of someone else and a head that cannot be read are refused, and left alone."""
    file = tmp_path / "notes.txt"
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(RunFolderError, match="not a folder"):
        run(small(), resume=file)
    with pytest.raises(RunFolderError, match=r"contains files but no run\.json"):
        run(small(), resume=tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    for text in ("", "{}", "[]", '{"format": {"name": "a song"}}'):
        (tmp_path / "run.json").write_text(text, encoding="utf-8")
        with pytest.raises(RunFolderError, match=r"run\.json cannot be read"):
            run(small(), resume=tmp_path)


def test_ctrl_c_says_how_to_go_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After an interrupt the message names the folder from which the same command goes on."""
    with pytest.raises(SystemExit) as stopped, faults_shown(tmp_path):
        raise KeyboardInterrupt
    assert stopped.value.code == INTERRUPTED
    assert f"kept in {tmp_path}, the same command goes on" in capsys.readouterr().err


@settings(max_examples=8, deadline=None)
@given(cuts=st.sets(st.integers(1, 3), max_size=3))
def test_blocks_join_to_the_block_that_holds_them(cuts: set[int]) -> None:
    """Joined in order, and packed and unpacked on the way, parts of a block count what the whole counts."""
    case = everything("random", units=132)
    model, plan = model_of(case), plan_of(case)
    lot = plan.frame.grouping.units_per_lot
    whole = Block(0, 4 * lot, 0)
    ends = [0, *(cut * lot for cut in sorted(cuts)), whole.count]
    parts = [evaluate_block(model, plan, Block(a, b - a, 0)) for a, b in pairwise(ends)]
    found = unpacked(packed(reduce(joined, parts), "a mark"))
    assert found[1] == "a mark"
    wanted = evaluate_range(model, plan, whole, whole.count)
    assert found[0].block == whole
    for name, tally in wanted.tallies.items():
        for key, value in vars(tally).items():
            assert np.array_equal(getattr(found[0].tallies[name], key), value), key
        assert np.array_equal(found[0].samples[name], wanted.samples[name])


def test_blocks_apart_are_not_joined() -> None:
    """Blocks with units between them, or of two sections, are refused."""
    case = small()
    model, plan = model_of(case), plan_of(case)
    one, other = (evaluate_block(model, plan, Block(start, 2, 0)) for start in (0, 4))
    with pytest.raises(ValueError, match="follow each other"):
        joined(one, other)
