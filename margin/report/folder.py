"""Writing to a folder: all files or none, never over files of someone else, never half a file."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from distributions.errors import MarginError

if TYPE_CHECKING:
    import pandas as pd

MANIFESTS = {
    "bench.json": "margin bench",
    "results.json": "margin results",
    "comparison.json": "margin comparison",
    "budget.json": "margin budget",
    "rare.json": "margin rare failures",
    "validation.json": "margin validation",
}
"""Files that list what was written beside them, with the name of their format."""

_PART = ".margin-part"


class FolderNotOurs(MarginError, ValueError):
    """The folder holds files that no report wrote, is no folder, or may not be written."""


def require_writable(folder: str | Path) -> None:
    """FolderNotOurs unless a report may be written to `folder`: new, empty, or an earlier report alone."""
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise FolderNotOurs(f"{folder}: a file, not a folder; name another folder for the report")
    foreign = sorted(_present(folder) - _own(folder))
    if foreign:
        shown = ", ".join(foreign[:3]) + (f" and {len(foreign) - 3} more" if len(foreign) > 3 else "")
        raise FolderNotOurs(
            f"{folder}: holds files that no earlier report wrote ({shown}); nothing was written. "
            "Name a new or empty folder"
        )
    there = next(parent for parent in (folder, *folder.absolute().parents) if parent.exists())
    if not there.is_dir():
        raise FolderNotOurs(f"{folder}: {there} is a file, not a folder; name another folder for the report")
    if not os.access(there, os.W_OK | os.X_OK):
        raise FolderNotOurs(f"{folder}: {there} may not be written; name another folder for the report")


def publish(folder: str | Path, contents: Mapping[str, str]) -> None:
    """Write `contents` (text by relative path) to `folder`, in place of an earlier report.

    Every file is first written beside its place, then all are moved there. One of them is a manifest with the
    list of all files under `files`. After an exception the folder is as it was before.
    """
    folder = Path(folder)
    require_writable(folder)
    manifests = [name for name in contents if name in MANIFESTS]
    stale = _own(folder) - set(contents)
    made: list[Path] = []
    parts: dict[str, Path] = {}
    try:
        for name, text in contents.items():
            target = folder / name
            _make(target.parent, made)
            parts[name] = target.with_name(f".{target.name}.{os.getpid()}{_PART}")
            with parts[name].open("w", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except BaseException:
        for part in parts.values():
            part.unlink(missing_ok=True)
        for directory in reversed(made):
            directory.rmdir()
        raise
    for name in stale:
        _remove(folder, name)
    for name in (*manifests, *(name for name in contents if name not in manifests)):
        os.replace(parts[name], folder / name)


def csv_text(frame: pd.DataFrame) -> str:
    """A frame as CSV, the same to the byte on every system."""
    return frame.to_csv(index=False, lineterminator="\n")


def write_text(path: str | Path, text: str) -> None:
    """Write one file, whole or not at all."""
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}{_PART}")
    try:
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _present(folder: Path) -> set[str]:
    if not folder.is_dir():
        return set()
    found = (path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())
    return {path.relative_to(folder).as_posix() for path in found if not path.name.endswith(_PART)}


def _own(folder: Path) -> set[str]:
    """Relative paths that the manifest of an earlier report lists, with the manifest."""
    own: set[str] = set()
    for manifest, name in MANIFESTS.items():
        try:
            document = json.loads((folder / manifest).read_text(encoding="utf-8"))
            if document["format"]["name"] == name:
                own |= {manifest, *(str(file) for file in document["files"] if _inside(str(file)))}
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return own


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def _make(directory: Path, made: list[Path]) -> None:
    missing = []
    while not directory.exists():
        missing.append(directory)
        directory = directory.parent
    for path in reversed(missing):
        path.mkdir()
        made.append(path)


def _remove(folder: Path, name: str) -> None:
    """Remove an earlier file and the folder that it leaves empty."""
    path = folder / name
    path.unlink(missing_ok=True)
    parent = path.parent
    if parent != folder and parent.is_dir() and not any(parent.iterdir()):
        parent.rmdir()
