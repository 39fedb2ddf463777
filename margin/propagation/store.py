"""The folder of a run: finished chunks on disk, so that a long study goes on after it was cut off.

    run.json      what is drawn: case, seed, units, chunk, what computes; written first
    chunks/       one file for each finished chunk, named after its first unit
    finished.json written when all chunks are there

Every file is written beside its place, then moved there, so that a kill leaves it whole or absent. A chunk that
is damaged all the same, or is no chunk of this run, is logged and drawn anew. One run at a time writes to a folder.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from distributions.errors import MarginError
from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.propagation.frame import Frame
from margin.propagation.identity import content_of, environment
from margin.propagation.partial import BlockResult, joined, packed, unpacked
from margin.propagation.plan import Block
from margin.propagation.sound_part import UnsoundPart, require_sound

HEADER, FINISHED, CHUNKS = "run.json", "finished.json", "chunks"
FORMAT = {"name": "margin run", "version": 2}
_log = logging.getLogger(__name__)
_PART = ".part"
_SHOWN = 3


class RunFolderError(MarginError, ValueError):
    """A folder that cannot hold the chunks of this run: what is in it, and what to do."""


def header_of(case: Case, elements: tuple[ElementsFile, ...], path: str, chunk: int) -> dict[str, Any]:
    """What the chunks of a study depend on. path: what counts the errors; chunk: units in a chunk."""
    return {
        "format": FORMAT,
        "seed": case.study.seed,
        "units": case.study.units,
        "chunk": chunk,
        "computed by": environment(),
        "path": path,
        "elements": {str(n): hashlib.sha256(file.content).hexdigest() for n, file in enumerate(elements, 1)},
        "case": content_of(case),
    }


@dataclass
class RunFolder:
    """Finished chunks of one study. `mark` ties chunk files to its header."""

    path: Path
    mark: str
    _begun: dict[int, BlockResult] = field(default_factory=dict)

    @classmethod
    def open(cls, path: Path, header: dict[str, Any]) -> RunFolder:
        """Begin a run in a new or empty folder, or go on with the same run in its folder.

        Raises RunFolderError, naming what differs, where the folder holds anything else.
        """
        if path.exists() and not path.is_dir():
            raise RunFolderError(f"{path}: a file, not a folder; name a folder for the chunks of this run")
        text = json.dumps(header, indent=1, ensure_ascii=False)
        if (path / HEADER).exists():
            _require_same(path, json.loads(text))
        else:
            if path.is_dir() and any(not p.name.endswith(_PART) for p in path.iterdir()):
                raise RunFolderError(
                    f"{path}: contains files but no {HEADER}, so no run was kept there; nothing was written. "
                    "Name a new or empty folder"
                )
            (path / CHUNKS).mkdir(parents=True, exist_ok=True)
            _write(path / HEADER, text.encode())
        (path / CHUNKS).mkdir(exist_ok=True)
        return cls(path, hashlib.sha256(text.encode()).hexdigest())

    def kept(self, chunk: Block, frame: Frame, options: tuple[str, ...]) -> BlockResult | None:
        """Result of a finished chunk; None where it is absent, damaged or no chunk of this run, which is logged."""
        place = self._place(chunk)
        try:
            result, mark = unpacked(place.read_bytes())
            if mark != self.mark:
                raise UnsoundPart("it belongs to another run")
            require_sound(result, chunk, frame, options)
        except FileNotFoundError:
            return None
        except (ValueError, KeyError) as error:
            _log.warning(
                "%s cannot be used (%s): units %d to %d are drawn again",
                place,
                error,
                chunk.start,
                chunk.start + chunk.count - 1,
            )
            return None
        return result

    def add(self, chunk: Block, result: BlockResult) -> None:
        """Take a block of a chunk, in the order of units; a chunk is written when it is complete."""
        begun = self._begun.pop(chunk.start, None)
        whole = result if begun is None else joined(begun, result)
        if whole.block == chunk:
            _write(self._place(chunk), packed(whole, self.mark))
        else:
            self._begun[chunk.start] = whole

    def finish(self) -> None:
        """Leave the mark of a finished run, and nothing that a kill left half-written."""
        for part in (*self.path.glob(f".*{_PART}"), *(self.path / CHUNKS).glob(f".*{_PART}")):
            part.unlink(missing_ok=True)
        _write(self.path / FINISHED, json.dumps({"format": FORMAT, "run": self.mark}).encode())

    def _place(self, chunk: Block) -> Path:
        return self.path / CHUNKS / f"{chunk.start:015d}.chunk"


def _require_same(path: Path, header: dict[str, Any]) -> None:
    """RunFolderError unless the folder's header is the one given."""
    try:
        found = json.loads((path / HEADER).read_text(encoding="utf-8"))
        if found["format"]["name"] != FORMAT["name"]:
            raise KeyError("format")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RunFolderError(
            f"{path}: {HEADER} cannot be read as the head of a run; name a new or empty folder"
        ) from error
    there, here = _flat(found), _flat(header)
    differing = [key for key in here | there if here.get(key) != there.get(key)]
    if differing:
        shown = [f"{key} {_shown(there, key)} there, {_shown(here, key)} here" for key in differing[:_SHOWN]]
        if len(differing) > _SHOWN:
            shown.append(f"and {len(differing) - _SHOWN} more")
        raise RunFolderError(
            f"{path}: contains another run ({'; '.join(shown)}); nothing was written. "
            "Go on with the case, seed, units and versions of that run, or name a new folder"
        )


def _flat(header: dict[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in header.items():
        if isinstance(value, dict):
            before = "" if name == "case" else f"{name} "
            flat |= {f"{before}{key}": part for key, part in value.items()}
        else:
            flat[name] = value
    return flat


def _shown(header: dict[str, Any], key: str) -> str:
    return str(header[key]) if key in header else "absent"


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, also where the machine stops."""
    part = path.with_name(f".{path.name}.{os.getpid()}{_PART}")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
