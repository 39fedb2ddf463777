"""Writing to a folder: all files or none, never over files of someone else, never half a file."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from distributions.errors import MarginError
from margin.report.manifest import MANIFEST, PART, contents_of, manifest_for

if TYPE_CHECKING:
    import pandas as pd

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""First characters by which a spreadsheet takes a cell for a formula (OWASP, 'CSV injection', from memory)."""


class FolderNotOurs(MarginError, ValueError):
    """The folder holds files that no report wrote, or another report, is no folder, or may not be written."""


def require_writable(folder: str | Path, subject: str | None = None, *, replace: bool = False) -> None:
    """FolderNotOurs unless a report may be written to `folder`: new, empty, or an earlier report as it was written.

    subject  what the report is of; an earlier report of another subject is refused, unless `replace`. None: any.
    """
    folder = Path(folder)
    _require_folder(folder)
    found = contents_of(folder)
    if found.foreign:
        raise FolderNotOurs(
            f"{folder}: holds files that no earlier report wrote ({_listed(found.foreign)}); nothing was written. "
            "Name a new or empty folder"
        )
    if found.changed:
        raise FolderNotOurs(
            f"{folder}: files of the report there were changed since it was written ({_listed(found.changed)}); "
            "nothing was written. Name another folder, or move them away"
        )
    other = found.manifest is not None and subject is not None and found.manifest.subject != subject
    if found.manifest is not None and other and not replace:
        raise FolderNotOurs(
            f"{folder}: holds the report of another subject ({found.manifest.subject}); nothing was written. Name "
            "another folder, or give --replace (in Python replace=True) to replace that report"
        )


def publish_made(
    folder: str | Path,
    subject: str,
    make: Callable[[], Mapping[str, str]],
    shown: str,
    *,
    replace: bool = False,
) -> Path:
    """Publish what `make` makes, once the folder is known to take it; the path of the file that is shown first.

    FolderNotOurs before anything is made, else as `publish`.
    """
    require_writable(folder, subject, replace=replace)
    publish(folder, make(), subject, replace=replace)
    return Path(folder) / shown


def publish(
    folder: str | Path, contents: Mapping[str, str], subject: str = "", *, replace: bool = False
) -> None:
    """Write `contents` (text by relative path) and their manifest to `folder`, in place of an earlier report.

    All files are written to a folder of their own first. A new folder takes its name in one step; in one that
    exists, the earlier files are moved aside and the new ones to their places, and after an exception everything is
    moved back: the folder is then as it was before. OSError names the file, or the folder, that could not be written.
    """
    folder = Path(folder)
    require_writable(folder, subject, replace=replace)
    texts = {**contents, MANIFEST: manifest_for(subject, contents).text()}
    made: list[Path] = []
    there = folder.is_dir()
    try:
        with _naming(folder):
            _make(folder if there else folder.absolute().parent, made)
            staging = _new_folder(folder if there else folder.absolute().parent, made)
            for name, text in texts.items():
                _write(staging / "new" / name, text, folder / name)
            if there:
                _swap(folder, staging, tuple(texts))
            else:
                os.replace(staging / "new", folder)
    except BaseException:
        for directory in reversed(made):
            _discard(directory)
        raise
    _discard(staging, finished=True)


def csv_text(frame: pd.DataFrame) -> str:
    """A frame as CSV, the same to the byte on every system; no text in it is taken for a formula.

    A text that a spreadsheet would run, because it begins with one of = + - @, a tab or a carriage return, gets an
    apostrophe in front.
    """
    shown = frame.rename(columns=_no_formula)
    for place, dtype in enumerate(frame.dtypes):
        if str(dtype).startswith(("object", "str", "category")):
            shown.isetitem(place, [_no_formula(value) for value in shown.iloc[:, place]])
    return shown.to_csv(index=False, lineterminator="\n")


def _no_formula(value: object) -> object:
    if not isinstance(value, str) or not value.startswith(_FORMULA):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def write_text(path: str | Path, text: str) -> None:
    """Write one file, whole or not at all. OSError names the file."""
    path = Path(path)
    part = path.with_name(f".{os.getpid()}{PART}")
    try:
        with _naming(path):
            _write(part, text, path)
            os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _require_folder(folder: Path) -> None:
    """FolderNotOurs unless `folder` is one that may be written, or could be made."""
    elsewhere = "name another folder for the report"
    try:
        kind = folder.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        kind = None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FolderNotOurs(f"{folder}: {why}; {elsewhere}") from error
    if kind is not None and stat.S_ISLNK(kind):
        raise FolderNotOurs(f"{folder}: a symbolic link; name the folder itself")
    if kind is not None and not stat.S_ISDIR(kind):
        what = "a file" if stat.S_ISREG(kind) else "a device, pipe or socket"
        raise FolderNotOurs(f"{folder}: {what}, not a folder; {elsewhere}")
    there = next(parent for parent in (folder, *folder.absolute().parents) if os.path.lexists(parent))
    if not there.is_dir():
        raise FolderNotOurs(f"{folder}: {there} is a file, not a folder; {elsewhere}")
    if not os.access(there, os.W_OK | os.X_OK):
        raise FolderNotOurs(f"{folder}: {there} may not be written; {elsewhere}")


def _listed(names: frozenset[str]) -> str:
    first = sorted(names)[:3]
    return ", ".join(first) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


@contextmanager
def _naming(place: Path) -> Iterator[None]:
    """An OSError that names the place which was asked for, not a passing name."""
    try:
        yield
    except OSError as error:
        named = [error.filename2, error.filename]
        passing = any(PART in os.fsdecode(each) for each in named if isinstance(each, str | bytes))
        if passing or error.filename is None:
            raise OSError(error.errno, error.strerror or str(error), str(place)) from error
        raise


def _write(path: Path, text: str, place: Path) -> None:
    """Write a file, and have it refused by the disk here if at all."""
    with _naming(place):
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)


def _swap(folder: Path, staging: Path, names: tuple[str, ...]) -> None:
    """Move the earlier report aside and the new one to its place; after an exception everything is back."""
    earlier = contents_of(folder)
    aside = [*earlier.own, *([MANIFEST] if earlier.manifest is not None else [])]
    moved: list[tuple[Path, Path]] = []
    made: list[Path] = []
    try:
        for name, source, target in (
            *((name, folder, staging / "old") for name in aside),
            *((name, staging / "new", folder) for name in names),
        ):
            _make((target / name).parent, made)
            with _naming(folder / name):
                os.replace(source / name, target / name)
            moved.append((source / name, target / name))
    except BaseException:
        for source, target in reversed(moved):
            _move_back(target, source)
        for directory in reversed(made):
            if folder in directory.parents and staging not in directory.parents:
                _drop_if_empty(directory)
        raise
    for parent in {(folder / name).parent for name in aside} - {folder}:
        _drop_if_empty(parent)


def _move_back(source: Path, target: Path) -> None:
    """Undo a move; by copying where moving is refused. What cannot be moved back stays where it is."""
    try:
        os.replace(source, target)
    except OSError:
        with suppress(OSError):
            shutil.copyfile(source, target)
            source.unlink()


def _discard(directory: Path, *, finished: bool = False) -> None:
    """Remove a folder made here: with what was written to it, but for files that could not be moved back."""
    old = directory / "old"
    kept = not finished and old.is_dir() and any(not path.is_dir() for path in old.rglob("*"))
    if directory.name.endswith(PART) and not kept:
        shutil.rmtree(directory, ignore_errors=True)
    with suppress(OSError):
        _drop_if_empty(directory)


def _drop_if_empty(directory: Path) -> None:
    if directory.is_dir() and not directory.is_symlink() and not any(directory.iterdir()):
        directory.rmdir()


def _new_folder(parent: Path, made: list[Path]) -> Path:
    """A folder of this process alone for what is being written."""
    for number in count():
        place = parent / f".{os.getpid()}-{number}{PART}"
        try:
            place.mkdir()
        except FileExistsError:
            continue
        made.append(place)
        return place
    raise AssertionError("unreachable")


def _make(directory: Path, made: list[Path]) -> None:
    missing = []
    while not directory.exists():
        missing.append(directory)
        directory = directory.parent
    for path in reversed(missing):
        path.mkdir()
        made.append(path)
