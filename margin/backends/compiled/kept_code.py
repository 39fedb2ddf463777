"""Machine code kept between processes, in the user's folder for what can be made again.

It is run, so that it is taken only from a folder and a file that nobody else can write (`private_folder`), and only
where a digest shows it to be the code that was kept for this text, compiler and processor. Nothing here fails: a folder
that cannot be read or written, or a file that is refused, is as good as none; what is refused is logged once.
"""

from __future__ import annotations

import hashlib
import logging
import os
import sys
from pathlib import Path

from margin.backends.compiled.private_folder import PART, NotPrivate, PrivateFolder, private_folder

FOLDER_VARIABLE = "MARGIN_CACHE"
"""Environment variable: another folder; empty, nothing is kept."""

MOST_FILES = 64
"""Kept files; those used longest ago go first."""

ENDING = ".kernel"
"""Of the name of a kept file; what else lies in the folder is left alone."""

_DIGEST = hashlib.sha256().digest_size

_log = logging.getLogger(__name__)
_logged: set[str] = set()


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
    """Name of what follows from these texts alone: a digest of source text, compiler and processor."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(f"{len(part)}:{part}".encode())
    return digest.hexdigest()


def kept(key: str) -> bytes | None:
    """The code of a key; None where there is none that may be run."""
    place = folder()
    if place is None:
        return None
    name = f"{key}{ENDING}"
    try:
        with private_folder(place) as open_folder:
            content = open_folder.read(name)
    except OSError:
        return None
    except NotPrivate as refusal:
        _log_once(str(refusal))
        return None
    digest, code = content[:_DIGEST], content[_DIGEST:]
    if _digest(key, code) != digest:
        _log_once(f"{place / name} is damaged or was made otherwise; it is compiled anew")
        return None
    return code


def keep(key: str, code: bytes) -> None:
    """Keep the code of a key, all of it or nothing."""
    place = folder()
    if place is None:
        return
    try:
        with private_folder(place, create=True) as open_folder:
            open_folder.write(f"{key}{ENDING}", _digest(key, code) + code)
            _drop_oldest(open_folder)
    except OSError:
        return
    except NotPrivate as refusal:
        _log_once(str(refusal))


def _log_once(why: str) -> None:
    if why not in _logged:
        _logged.add(why)
        _log.warning("Kept machine code not used: %s", why)


def _digest(key: str, code: bytes) -> bytes:
    """Digest of what the code was made of and of the code: a file under another's name does not pass."""
    return hashlib.sha256(key.encode() + b"\n" + code).digest()


def _drop_oldest(place: PrivateFolder) -> None:
    for name in (*place.newest_first(ENDING)[MOST_FILES:], *place.newest_first(PART)[MOST_FILES:]):
        place.delete(name)
