"""Encoding of a text file, found from its bytes."""

from __future__ import annotations

import codecs
from pathlib import Path

from margin.bench.errors import BenchDataError, Fault

CHUNK = 1 << 20

_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_CP1252_UNUSED = frozenset(b"\x81\x8d\x8f\x90\x9d")


def encoding_of(path: Path) -> str:
    """Encoding of `path`: by its mark, by its zeros (UTF-16 without one), UTF-8 where it is that, else cp1252.

    A byte that cp1252 does not use makes it latin-1. The file is read once, in chunks. Raises BenchDataError for a file
    that is missing, holds NUL bytes or ends inside a character.
    """
    try:
        with path.open("rb") as file:
            head = file.read(CHUNK)
    except FileNotFoundError:
        raise _refused(path, "there is no such file", "Check the path.") from None
    except IsADirectoryError:
        raise _refused(path, "a folder, not a file", "Name the file in it.") from None
    except ValueError as error:  # a NUL in the name
        raise _refused(path, f"not a name of a file ({error})", "Check the path.") from None
    for mark, name in _MARKS:
        if head.startswith(mark):
            _check(path, name)
            return name
    even, odd = head[0:4000:2].count(0), head[1:4000:2].count(0)
    half = max(len(head[:4000]) // 2, 1)
    for zeros, others, name in ((odd, even, "utf-16-le"), (even, odd, "utf-16-be")):
        if zeros > 0.5 * half and others < 0.1 * half:
            _check(path, name)
            return name
    return _eight_bit(path)


def note_on(encoding: str) -> str | None:
    """What to say of an encoding; None for UTF-8."""
    if encoding in ("utf-8", "utf-8-sig"):
        return None
    return (
        f"read as {encoding}: the file is not UTF-8"
        if not encoding.startswith("utf")
        else f"read as {encoding}"
    )


def _eight_bit(path: Path) -> str:
    decoder = codecs.getincrementaldecoder("utf-8")()
    unicode, unused, lines = True, False, 1
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            nul = chunk.find(0)
            if nul >= 0:
                line = lines + chunk.count(b"\n", 0, nul)
                raise _refused(path, "a NUL byte: the file is damaged", "Export it again.", line)
            lines += chunk.count(b"\n")
            unused = unused or any(byte in chunk for byte in _CP1252_UNUSED)
            if unicode:
                try:
                    decoder.decode(chunk)
                except UnicodeDecodeError:
                    unicode = False
    if unicode:
        try:
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            raise _refused(
                path, "the file ends inside a character: it was cut short", "Export it again.", lines
            ) from None
        return "utf-8"
    return "latin-1" if unused else "cp1252"


def _check(path: Path, encoding: str) -> None:
    """BenchDataError where the file is not of the encoding that its mark says."""
    line = 1
    try:
        with path.open(encoding=encoding, newline="") as file:
            while text := file.read(CHUNK):
                if "\0" in text:
                    line += text.count("\n", 0, text.index("\0"))
                    raise _refused(path, "a NUL character: the file is damaged", "Export it again.", line)
                line += text.count("\n")
    except UnicodeError as error:
        reason = getattr(error, "reason", None) or str(error)
        raise _refused(path, f"not {encoding} text ({reason})", "Save the file as UTF-8.", line) from None


def _refused(path: Path, why: str, mend: str, line: int | None = None) -> BenchDataError:
    return BenchDataError([Fault(str(path), line, None, None, why, mend)])
