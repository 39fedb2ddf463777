"""Machine code kept between processes: found again, bounded, and never in the way."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pad_study import EVERY_SPREAD, ONE_POINT, pad_case
from same_counts import assert_same_bits

from margin.backends.compiled import choose, kept_code, machine_code, private_folder
from margin.backends.compiled.kept_code import FOLDER_VARIABLE, folder, keep, kept, key_of
from margin.backends.run import run

pytest.importorskip("llvmlite", reason="the compiler is an extra")

TEXT = "define void @kernel(i64 %to) {\n  %p = inttoptr i64 %to to ptr\n  store i64 7, ptr %p\n  ret void\n}"

posix = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows has no owner and mode of a file in this sense"
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that takes the place of the user's; nothing is logged yet."""
    monkeypatch.setattr(kept_code, "_logged", set())
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "kernels"))
    return tmp_path / "kernels"


def test_code_is_found_again_to_the_bit(place: Path, caplog: pytest.LogCaptureFixture) -> None:
    """What was kept comes back; another key has nothing."""
    keep("one", b"code")
    assert kept("one") == b"code"
    assert kept("other") is None
    assert [file.name for file in place.iterdir()] == ["one.kernel"]
    assert caplog.messages == []


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


@posix
def test_what_is_kept_is_for_its_user_alone(place: Path) -> None:
    """The folder has mode 0700 and its files 0600, whatever the process would give new files."""
    before = os.umask(0)
    try:
        keep("one", b"code")
    finally:
        os.umask(before)
    (file,) = place.iterdir()
    assert stat.S_IMODE(place.stat().st_mode) == 0o700
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def opened_to_all(place: Path) -> None:
    place.chmod(0o777)


def opened_to_a_group(place: Path) -> None:
    place.chmod(0o720)


def replaced_by_a_link(place: Path) -> None:
    place.rename(place.with_name("elsewhere"))
    place.symlink_to("elsewhere", target_is_directory=True)


def file_of(place: Path) -> Path:
    (file,) = place.iterdir()
    return file


def opened_file(place: Path) -> None:
    file_of(place).chmod(0o666)


def linked_file(place: Path) -> None:
    file = file_of(place)
    file.rename(place.with_name("elsewhere"))
    file.symlink_to(place.with_name("elsewhere"))


def piped_file(place: Path) -> None:
    file = file_of(place)
    file.unlink()
    os.mkfifo(file, 0o600)


def flipped_byte(place: Path) -> None:
    file = file_of(place)
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(bytes(content))


def cut_short(place: Path) -> None:
    file = file_of(place)
    file.write_bytes(file.read_bytes()[:-1])


def of_another_text(place: Path) -> None:
    file = file_of(place)
    machine_code.Compiled(TEXT.replace("i64 7", "i64 8"), 1)
    (other,) = set(place.iterdir()) - {file}
    shutil.move(other, file)


REFUSED = {
    opened_to_all: "can be written by other users (mode 0777); chmod 700",
    opened_to_a_group: "can be written by other users (mode 0720); chmod 700",
    replaced_by_a_link: "is a symbolic link; name the folder itself",
    opened_file: "can be written by other users (mode 0666); delete it",
    linked_file: "is a symbolic link; delete it",
    piped_file: "is not a regular file; delete it",
    flipped_byte: "is damaged or was made otherwise",
    cut_short: "is damaged or was made otherwise",
    of_another_text: "is damaged or was made otherwise",
}


@posix
@pytest.mark.parametrize("change", REFUSED, ids=lambda change: change.__name__)
def test_what_others_could_have_written_is_not_run(
    change: Callable[[Path], None], place: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Code that does not pass a check is compiled anew, never loaded; one note says why."""
    machine_code.Compiled(TEXT, 1)
    change(place)
    assert not machine_code.is_kept(TEXT)
    found = np.zeros(1, dtype=np.int64)
    machine_code.Compiled(TEXT, 1)(found.ctypes.data)
    assert found[0] == 7
    (note,) = caplog.messages
    assert REFUSED[change] in note
    assert str(place) in note


@posix
@pytest.mark.parametrize("owned", ["folder", "file"])
def test_what_another_user_owns_is_not_run(
    owned: str, place: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A folder or file of another user is refused, though its mode and content pass."""
    machine_code.Compiled(TEXT, 1)
    asked_for = (place if owned == "folder" else file_of(place)).stat().st_ino
    state_of = os.fstat

    def as_of_another(handle: int) -> os.stat_result:
        state = state_of(handle)
        fields = list(state)
        fields[stat.ST_UID] += state.st_ino == asked_for
        return os.stat_result(fields)

    monkeypatch.setattr(private_folder.os, "fstat", as_of_another)
    assert not machine_code.is_kept(TEXT)
    (note,) = caplog.messages
    assert f"belongs to another user (number {os.geteuid() + 1})" in note


@posix
def test_nothing_is_written_where_others_can_write(place: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A folder that others can write gets no code and keeps its mode; the note says what to do."""
    place.mkdir()
    place.chmod(0o777)
    keep("one", b"code")
    assert list(place.iterdir()) == []
    assert stat.S_IMODE(place.stat().st_mode) == 0o777
    assert f"chmod 700 {place}" in caplog.text


@posix
def test_a_link_at_a_file_is_replaced_not_written_through(place: Path, tmp_path: Path) -> None:
    """Keeping code where a link lies leaves alone what the link points to."""
    keep("one", b"code")
    (tmp_path / "other").write_bytes(b"mine")
    file_of(place).unlink()
    (place / "one.kernel").symlink_to(tmp_path / "other")
    keep("one", b"code")
    assert (tmp_path / "other").read_bytes() == b"mine"
    assert kept("one") == b"code"


@pytest.mark.parametrize(
    ("what", "other"),
    [("compiler", "llvmlite 0.1, a processor"), ("version", "99")],
)
def test_code_of_another_compiler_processor_or_version_is_not_found(
    what: str, other: str, place: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Compiler, processor and version of this package are part of what code is kept for."""
    machine_code.Compiled(TEXT, 1)
    content = file_of(place).read_bytes()
    monkeypatch.setattr(machine_code, what, lambda: other)
    assert not machine_code.is_kept(TEXT)
    # under the name that is looked for, the digest tells
    name = f"{machine_code._key(TEXT)}.kernel"
    file_of(place).rename(place / name)
    assert (place / name).read_bytes() == content
    assert not machine_code.is_kept(TEXT)
    assert name in caplog.text


def test_other_files_of_the_folder_are_left_alone(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a folder that holds other files only kept code is dropped."""
    monkeypatch.setattr(kept_code, "MOST_FILES", 1)
    place.mkdir(mode=0o700)
    (place / "notes.txt").write_text("mine")
    os.utime(place / "notes.txt", (1, 1))
    for name in ("a", "b", "c"):
        keep(name, b"code")
    assert sorted(file.name for file in place.iterdir()) == ["c.kernel", "notes.txt"]


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
        os.utime(place / f"{name}.kernel", (age + 1, age + 1))
    assert kept("a") == b"code"
    keep("d", b"code")
    assert sorted(file.name for file in place.iterdir()) == ["a.kernel", "c.kernel", "d.kernel"]


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
