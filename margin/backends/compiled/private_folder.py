"""A folder of files that its user alone can write: what is read from it may be run.

Owner and mode are those of the descriptor that is then read (fstat), so that nothing can be exchanged between check and
use; no symbolic link is followed, neither in place of the folder nor of a file. Bits of an access control list count,
since the group bits of a mode are its mask. Windows has neither owner nor mode in this sense; there links alone are
refused.
"""

from __future__ import annotations

import os
import stat
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

PART = ".part"
"""Ending of a file that is being written."""

_BY_DESCRIPTOR = hasattr(os, "geteuid") and os.open in os.supports_dir_fd
_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
_WRITE_BY_OTHERS = stat.S_IWGRP | stat.S_IWOTH


class NotPrivate(Exception):
    """A folder or file that somebody else could have written: which, why, and what to do."""


@dataclass(frozen=True)
class PrivateFolder:
    """An open folder that passed the checks. `descriptor`: None where the system opens no folders."""

    path: Path
    descriptor: int | None

    def read(self, name: str) -> bytes:
        """Content of a file, which counts as used now. OSError where there is none, NotPrivate where it is refused."""
        # a pipe must not keep the reader waiting; it is refused below
        flags = os.O_RDONLY | _NO_LINK | getattr(os, "O_NONBLOCK", 0)
        place = self.path / name
        if place.is_symlink():
            raise NotPrivate(f"{place} is a symbolic link; delete it")
        handle = os.open(self._from(name), flags, dir_fd=self.descriptor)
        try:
            state = os.fstat(handle)
            _require_private(place, state, "delete it")
            if not stat.S_ISREG(state.st_mode):
                raise NotPrivate(f"{place} is not a regular file; delete it")
            with open(handle, "rb", closefd=False) as file:
                content = file.read()
            os.utime(handle if os.utime in os.supports_fd else place)
        finally:
            os.close(handle)
        return content

    def write(self, name: str, content: bytes) -> None:
        """Write a file that its owner alone can read and write, all of it or nothing. OSError where that fails."""
        part = f".{uuid.uuid4().hex}{PART}"
        handle = os.open(
            self._from(part), os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_LINK, 0o600, dir_fd=self.descriptor
        )
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            os.replace(
                self._from(part), self._from(name), src_dir_fd=self.descriptor, dst_dir_fd=self.descriptor
            )
        except OSError:
            self.delete(part)
            raise

    def newest_first(self, ending: str) -> list[str]:
        """Names of the files that end so, those used last first."""
        with os.scandir(self.path if self.descriptor is None else self.descriptor) as entries:
            used = {
                entry.name: entry.stat(follow_symlinks=False).st_mtime_ns
                for entry in entries
                if entry.name.endswith(ending)
            }
        return sorted(used, key=lambda name: used[name], reverse=True)

    def delete(self, name: str) -> None:
        """Delete a file, or the link in its place; one that is gone is no fault."""
        try:
            os.unlink(self._from(name), dir_fd=self.descriptor)
        except FileNotFoundError:
            return

    def _from(self, name: str) -> str | Path:
        return self.path / name if self.descriptor is None else name


@contextmanager
def private_folder(path: Path, *, create: bool = False) -> Iterator[PrivateFolder]:
    """The folder, open. `create`: made for its user alone where it is absent.

    Raises OSError where it cannot be opened or made, NotPrivate where somebody else could write it.
    """
    if create:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    if path.is_symlink():
        raise NotPrivate(f"{path} is a symbolic link; name the folder itself")
    if not _BY_DESCRIPTOR:
        yield PrivateFolder(path, None)
        return
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | _NO_LINK)
    try:
        _require_private(path, os.fstat(descriptor), f"chmod 700 {path}, or use another folder")
        yield PrivateFolder(path, descriptor)
    finally:
        os.close(descriptor)


def _require_private(path: Path, state: os.stat_result, remedy: str) -> None:
    """NotPrivate unless the user owns what is open and nobody else can write it."""
    if not _BY_DESCRIPTOR:
        return
    if state.st_uid != os.geteuid():
        raise NotPrivate(
            f"{path} belongs to another user (number {state.st_uid}); delete it or use another folder"
        )
    if state.st_mode & _WRITE_BY_OTHERS:
        raise NotPrivate(
            f"{path} can be written by other users (mode {stat.S_IMODE(state.st_mode):04o}); {remedy}"
        )
