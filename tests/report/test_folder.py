"""A report folder: all or nothing, and never a file of someone else."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import socket
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from margin.report.folder import FolderNotOurs, csv_text, publish, require_writable, write_text

OLD = {"report.html": "old page", "figures/one.svg": "old figure", "gone.csv": "old table"}
NEW = {"report.html": "new page", "figures/one.svg": "new figure", "more.csv": "new table"}


def held(place: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {
        path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*") if path.is_file()
    }


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """An earlier report."""
    publish(tmp_path / "report", OLD, "a")
    return tmp_path / "report"


def test_a_report_takes_the_place_of_an_earlier_one(old: Path) -> None:
    """What is not written any more goes, what is new comes, nothing passing is left."""
    publish(old, NEW, "a")
    found = held(old)
    assert found.keys() == {*NEW, "manifest.json"}
    assert {name: found[name].decode() for name in NEW} == NEW
    assert [path.name for path in old.parent.iterdir()] == ["report"]


@pytest.mark.parametrize("after", range(8))
def test_a_refused_move_leaves_everything_as_it_was(
    after: int, old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One file that cannot be replaced, whichever it is: the earlier report is whole, and nothing else is there."""
    before = held(old)
    original, moves = os.replace, 0

    def locked(source: Any, target: Any) -> None:
        nonlocal moves
        moves += 1
        if moves == after + 1:
            raise PermissionError(errno.EACCES, "Permission denied", str(source), None, str(target))
        original(source, target)

    monkeypatch.setattr(os, "replace", locked)
    with pytest.raises(PermissionError) as refused:
        publish(old, NEW, "a")
    assert str(refused.value.filename).startswith(str(old))
    assert "margin-part" not in str(refused.value.filename)
    assert held(old) == before
    assert {path.name for path in old.iterdir()} == {"report.html", "figures", "gone.csv", "manifest.json"}


def test_moves_refused_from_one_on_leave_everything_as_it_was(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where moving back is refused too, files are copied back."""
    before = held(old)
    original, moves = os.replace, 0

    def locked(source: Any, target: Any) -> None:
        nonlocal moves
        moves += 1
        if moves > 5:
            raise PermissionError(errno.EACCES, "Permission denied", str(source), None, str(target))
        original(source, target)

    monkeypatch.setattr(os, "replace", locked)
    with pytest.raises(PermissionError):
        publish(old, NEW, "a")
    assert held(old) == before


def test_a_full_disk_names_the_file_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ENOSPC in the middle of writing: the place that was asked for is named, no folder is left."""
    original = Path.open

    def full(self: Path, *args: Any, **options: Any) -> Any:
        if self.name == "one.svg":
            raise OSError(errno.ENOSPC, "No space left on device")
        return original(self, *args, **options)

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OSError, match="No space left") as told:
        publish(tmp_path / "a" / "report", NEW, "a")
    assert told.value.filename == str(tmp_path / "a" / "report" / "figures" / "one.svg")
    assert list(tmp_path.iterdir()) == []


def test_another_subject_needs_replace(old: Path) -> None:
    """The report of another case is refused, and replaced only where that is asked for."""
    before = held(old)
    with pytest.raises(FolderNotOurs, match=r"another subject \(a\).*--replace"):
        publish(old, NEW, "b")
    assert held(old) == before
    publish(old, NEW, "b", replace=True)
    assert json.loads((old / "manifest.json").read_text())["of"] == "b"


def test_a_changed_file_is_kept(old: Path) -> None:
    """A file of the report that was edited since is not the report's any more: nothing is written, even to replace."""
    (old / "gone.csv").write_text("my notes")
    before = held(old)
    with pytest.raises(FolderNotOurs, match=r"changed since it was written \(gone\.csv\)"):
        publish(old, NEW, "a", replace=True)
    assert held(old) == before


def test_a_foreign_file_is_kept(old: Path) -> None:
    """A file beside a report stops the next one, even to replace."""
    (old / "thesis.txt").write_text("mine")
    before = held(old)
    with pytest.raises(FolderNotOurs, match=r"no earlier report wrote \(thesis\.txt\)"):
        publish(old, NEW, "a", replace=True)
    assert held(old) == before


@pytest.mark.parametrize("name", ["../outside.txt", "link/outside.txt", "{outside}"])
def test_a_manifest_reaches_nothing_outside(name: str, tmp_path: Path) -> None:
    """Files that a manifest lists outside of its folder, or behind a link, are nobody's to remove."""
    outside = tmp_path / "outside.txt"
    outside.write_text("mine")
    place = tmp_path / "report"
    place.mkdir()
    (place / "link").symlink_to(tmp_path)
    listing = {
        "format": {"name": "margin report", "version": 1},
        "of": "a",
        "sha256": {name.format(outside=outside): hashlib.sha256(b"mine").hexdigest()},
    }
    (place / "manifest.json").write_text(json.dumps(listing))
    with pytest.raises(FolderNotOurs, match=r"no earlier report wrote \(link\)"):
        publish(place, NEW, "a", replace=True)
    (place / "link").unlink()
    publish(place, NEW, "a")
    assert outside.read_text() == "mine"


def test_a_link_in_place_of_a_file_is_kept(old: Path, tmp_path: Path) -> None:
    """A symbolic link with the name and the content of a file of the report is foreign, and so is what it leads to."""
    kept = tmp_path / "kept.csv"
    kept.write_text(OLD["gone.csv"])
    (old / "gone.csv").unlink()
    (old / "gone.csv").symlink_to(kept)
    with pytest.raises(FolderNotOurs, match=r"gone\.csv"):
        publish(old, NEW, "a")
    assert kept.read_text() == OLD["gone.csv"]


def test_special_places_are_refused_at_once(tmp_path: Path) -> None:
    """Links, pipes, sockets, devices and loops of links are no folders; none of them is opened."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path)
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "socket"))
        for name in ("pipe", "socket", "/dev/zero"):
            with pytest.raises(FolderNotOurs, match="a device, pipe or socket, not a folder"):
                require_writable(tmp_path / name)
    for name in ("link", "loop"):
        with pytest.raises(FolderNotOurs, match="a symbolic link"):
            require_writable(tmp_path / name)
    with pytest.raises(FolderNotOurs, match="loop"):
        require_writable(tmp_path / "loop" / "report")
    with pytest.raises(FolderNotOurs, match="File name too long"):
        require_writable(tmp_path / ("x" * 300))


def test_a_manifest_that_is_a_pipe_is_not_read(tmp_path: Path) -> None:
    """A pipe called manifest.json is foreign, and nothing waits for it."""
    os.mkfifo(tmp_path / "manifest.json")
    with pytest.raises(FolderNotOurs, match=r"manifest\.json"):
        require_writable(tmp_path)


def test_a_single_file_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that cannot be put in its place is named, and no half of it is left."""

    def locked(source: Any, target: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(source), None, str(target))

    monkeypatch.setattr(os, "replace", locked)
    with pytest.raises(PermissionError) as told:
        write_text(tmp_path / "pad.toml", "text")
    assert told.value.filename == str(tmp_path / "pad.toml")
    assert list(tmp_path.iterdir()) == []


def test_no_cell_is_a_formula() -> None:
    """Texts that a spreadsheet would run get an apostrophe, numbers do not (OWASP, 'CSV injection', from memory)."""
    texts = ["=1+1", "+cmd", "-2 N", "@sum", "\tx", "\rx", "-5", "+1e3", "safe = 1", ""]
    frame = pd.DataFrame({"option": texts, "=load": [-1.5] * len(texts)})
    lines = csv_text(frame).split("\n")
    assert lines[0] == "option,'=load"
    read = [line.rsplit(",", 1)[0].strip('"') for line in lines[1:-1]]
    assert read == ["'=1+1", "'+cmd", "'-2 N", "'@sum", "'\tx", "'\rx", "-5", "+1e3", "safe = 1", ""]
    assert all(line.endswith(",-1.5") for line in lines[1:-1])
