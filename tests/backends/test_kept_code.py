"""Machine code kept between processes: found again, bounded, and never in the way."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from pad_study import EVERY_SPREAD, ONE_POINT, pad_case
from same_counts import assert_same_bits

from margin.backends.compiled import choose, kept_code, machine_code
from margin.backends.compiled.kept_code import FOLDER_VARIABLE, folder, keep, kept, key_of
from margin.backends.run import run

pytest.importorskip("llvmlite", reason="the compiler is an extra")

TEXT = "define void @kernel(i64 %to) {\n  %p = inttoptr i64 %to to ptr\n  store i64 7, ptr %p\n  ret void\n}"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that takes the place of the user's."""
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "kernels"))
    return tmp_path / "kernels"


def test_code_is_found_again_to_the_bit(place: Path) -> None:
    """What was kept comes back; another key has nothing."""
    keep("one", b"code")
    assert kept("one") == b"code"
    assert kept("other") is None
    assert [file.name for file in place.iterdir()] == ["one"]


@pytest.mark.parametrize("damage", [b"", b"short", b"x" * 200])
def test_damaged_code_is_not_used(place: Path, damage: bytes) -> None:
    """A file cut short or overwritten is as good as none; the text is compiled again and kept whole."""
    machine_code.Compiled(TEXT, 1)
    (file,) = place.iterdir()
    whole = file.read_bytes()
    file.write_bytes(damage)
    assert not machine_code.is_kept(TEXT)
    machine_code.Compiled(TEXT, 1)
    assert file.read_bytes()[:32] == whole[:32]


def test_a_second_process_compiles_nothing(place: Path) -> None:
    """The code of one process serves another, which could not have compiled it."""
    machine_code.Compiled(TEXT, 1)
    script = (
        "import numpy as np\n"
        "from margin.backends.compiled import machine_code\n"
        "machine_code._object_of = None\n"
        "found = np.zeros(1, dtype=np.int64)\n"
        f"machine_code.Compiled({TEXT!r}, 1)(found.ctypes.data)\n"
        "print(found[0])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["7"]


def test_a_folder_that_cannot_be_written_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a file stands in place of the folder, nothing is kept and nothing fails; likewise where it is empty."""
    (tmp_path / "file").write_text("in the way")
    for told in (str(tmp_path / "file" / "kernels"), str(tmp_path / "file"), ""):
        monkeypatch.setenv(FOLDER_VARIABLE, told)
        keep("one", b"code")
        assert kept("one") is None
        machine_code.Compiled(TEXT, 1)
    assert (tmp_path / "file").read_text() == "in the way"


def test_the_oldest_files_go_first(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only so many are kept; one that was asked for lately stays."""
    monkeypatch.setattr(kept_code, "MOST_FILES", 3)
    for age, name in enumerate(("a", "b", "c")):
        keep(name, b"code")
        os.utime(place / name, (age + 1, age + 1))
    assert kept("a") == b"code"
    keep("d", b"code")
    assert sorted(file.name for file in place.iterdir()) == ["a", "c", "d"]


def test_the_folder_follows_the_custom_of_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """XDG Base Directory Specification: an absolute XDG_CACHE_HOME, else .cache in the home folder."""
    monkeypatch.delenv(FOLDER_VARIABLE)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    assert folder() == tmp_path / "xdg" / "margin" / "kernels"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert folder() == tmp_path / ".cache" / "margin" / "kernels"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert folder() == tmp_path / ".cache" / "margin" / "kernels"


def test_keys_tell_their_parts_apart() -> None:
    """The same letters cut otherwise are another key."""
    assert key_of("ab", "c") != key_of("a", "bc")
    assert key_of("ab", "c") == key_of("ab", "c")


def test_a_smaller_study_is_compiled_once_its_kernel_is_kept(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loading costs less than compiling; the bits are those of the process that compiled."""
    case = pad_case(ONE_POINT, **EVERY_SPREAD)
    monkeypatch.setattr(choose, "WORTH_LOADING", 1.0)
    machine_code._made.clear()
    assert run(case).path == "arrays"
    wanted = run(case, compiled=True)
    for forgotten in (False, True):
        if forgotten:
            machine_code._made.clear()
        found = run(case)
        assert found.path == "kernel"
        assert_same_bits(found, wanted)
