"""The manifest of a report folder: of what the report is, and a digest of each of its files."""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from margin.case.types import Case

MANIFEST = "manifest.json"
FORMAT = "margin report"
VERSION = 1

PART = ".margin-part"
"""Suffix of what is being written; such names are never counted as files of a folder."""

_LARGEST = 10_000_000


@dataclass(frozen=True)
class Manifest:
    """What a report folder says of itself: subject, and SHA-256 (hexadecimal) by relative path."""

    subject: str
    digests: Mapping[str, str] = field(default_factory=dict)

    def text(self) -> str:
        """The manifest as JSON."""
        document = {
            "format": {"name": FORMAT, "version": VERSION},
            "of": self.subject,
            "sha256": dict(self.digests),
        }
        return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


@dataclass(frozen=True)
class Contents:
    """What a folder holds, by relative path: files of its report as written, changed since, and all others."""

    manifest: Manifest | None
    own: frozenset[str] = frozenset()
    changed: frozenset[str] = frozenset()
    foreign: frozenset[str] = frozenset()


def contents_of(folder: Path) -> Contents:
    """Sort the files of a folder by its manifest and their digests. Symbolic links are always foreign."""
    present = _present(folder)
    manifest = _read(folder / MANIFEST)
    if manifest is None:
        return Contents(None, foreign=frozenset(present))
    linked = {name for name in present if _is_link(folder, name)}
    listed = (present & set(manifest.digests)) - linked
    own = {name for name in listed if _digest(folder / name) == manifest.digests[name]}
    return Contents(
        manifest, frozenset(own), frozenset(listed - own), frozenset(present - listed - {MANIFEST})
    )


def manifest_for(subject: str, contents: Mapping[str, str]) -> Manifest:
    """The manifest of files with these texts (written as UTF-8)."""
    return Manifest(subject, {name: digest_of(text.encode("utf-8")) for name, text in contents.items()})


def digest_of(content: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def subject_of(case: Case) -> str:
    """A case as manifests name it: by its name, or by folder and file where the case states none."""
    stated = case.source.get("case", {}).get("name") if isinstance(case.source.get("case"), dict) else None
    if stated or case.path is None:
        return f'case "{case.name}"'
    return f"case {case.path.resolve().parent.name}/{case.path.name}".encode("utf-8", "replace").decode()


def subject_of_pair(first: Case, second: Case) -> str:
    """Two cases compared, as manifests name them."""
    return f"{subject_of(first)} and {subject_of(second)}"


def subject_of_bench(source: str | Path) -> str:
    """Bench data as manifests name them: by the name of their file."""
    return f"bench data {Path(source).name}".encode("utf-8", "replace").decode()


VALIDATION = "the validation"
"""What a validation is a report of."""


def _present(folder: Path) -> set[str]:
    """Relative paths of all that is no folder, links to folders among them."""
    if not folder.is_dir():
        return set()
    found = (path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())
    names = (path.relative_to(folder) for path in found)
    return {name.as_posix() for name in names if not any(part.endswith(PART) for part in name.parts)}


def _read(path: Path) -> Manifest | None:
    """The manifest at `path`; None where there is none of this format."""
    try:
        found = path.lstat()
        if not stat.S_ISREG(found.st_mode) or found.st_size > _LARGEST:
            return None
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["format"] != {"name": FORMAT, "version": VERSION}:
            return None
        digests = {str(name): str(digest) for name, digest in document["sha256"].items()}
        return Manifest(str(document["of"]), {name: digests[name] for name in digests if _inside(name)})
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _digest(path: Path) -> str | None:
    """Digest of a regular file; None for anything else."""
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            return None
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _is_link(folder: Path, name: str) -> bool:
    """Whether the file, or a folder on the way to it, is a symbolic link."""
    path = folder / name
    return any(
        each.is_symlink() for each in (path, *path.parents) if each != folder and folder in each.parents
    )


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts and "\\" not in name and ":" not in name
