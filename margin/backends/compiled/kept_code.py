"""Machine code kept between processes, in the user's folder for what can be made again.

Nothing here fails: a folder that cannot be read or written, or a file that is damaged, is as good as none.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

FOLDER_VARIABLE = "MARGIN_CACHE"
"""Environment variable: another folder; empty, nothing is kept."""

MOST_FILES = 64
"""Kept files; those used longest ago go first."""

_DIGEST = hashlib.sha256().digest_size


def folder() -> Path | None:
    """Where machine code is kept: by the environment variable, else by the custom of the system."""
    told = os.environ.get(FOLDER_VARIABLE)
    if told is not None:
        return Path(told) if told else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Caches"
    else:
        # XDG Base Directory Specification: a path that is not absolute is to be ignored
        asked = Path(os.environ.get("XDG_CACHE_HOME", ""))
        base = asked if asked.is_absolute() else home / ".cache"
    return base / "margin" / "kernels"


def key_of(*parts: str) -> str:
    """Name of what follows from these texts alone."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(f"{len(part)}:{part}".encode())
    return digest.hexdigest()


def kept(key: str) -> bytes | None:
    """The code of a key; None where there is none that is whole."""
    place = folder()
    if place is None:
        return None
    file = place / key
    try:
        content = file.read_bytes()
        # the oldest are those that have not been asked for
        os.utime(file)
    except OSError:
        return None
    digest, code = content[:_DIGEST], content[_DIGEST:]
    return code if hashlib.sha256(code).digest() == digest else None


def keep(key: str, code: bytes) -> None:
    """Keep the code of a key, all of it or nothing."""
    place = folder()
    if place is None:
        return
    with suppress(OSError):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=place, prefix=".", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(hashlib.sha256(code).digest() + code)
            os.replace(name, place / key)
        except OSError:
            os.unlink(name)
            raise
        _drop_oldest(place)


def _drop_oldest(place: Path) -> None:
    files = sorted(place.iterdir(), key=lambda file: file.stat().st_mtime_ns, reverse=True)
    for file in files[MOST_FILES:]:
        file.unlink(missing_ok=True)
