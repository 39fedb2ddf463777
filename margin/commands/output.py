"""Text to the terminal or a pipe: readable in any encoding, quiet where the reader has gone away."""

from __future__ import annotations

import codecs
import errno
import os
import sys
import unicodedata
from typing import Any

import click

_READABLE = {
    "±": "+/-", "×": "x", "·": "*", "÷": "/", "−": "-", "–": "-", "—": "-", "…": "...", "→": "->", "←": "<-",
    "≤": "<=", "≥": ">=", "≈": "~", "≠": "!=", "µ": "u", "μ": "u", "Ω": "ohm", "\u2126": "ohm", "°": "deg",
    "σ": "sigma", "√": "sqrt", "∞": "inf", "•": "*", "‘": "'", "’": "'", "“": '"', "”": '"', "ß": "ss", "ø": "o",
    "‰": "per mille", "Ø": "O", "æ": "ae", "Æ": "AE", "│": "|", "─": "-", "█": "#",
}  # fmt: skip
"""What a character is written as where the encoding lacks it; others lose their accents, or become a '?'."""

_ERRORS = "margin-readable"


def _substitute(error: UnicodeError) -> tuple[str | bytes, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_plain(each, error.encoding) for each in lacking), error.end


def _plain(character: str, encoding: str) -> str:
    """What stands for one character in an encoding that lacks it; nothing for accents and joiners."""
    if character in _READABLE:
        return _READABLE[character]
    if unicodedata.category(character) in ("Mn", "Cf"):
        return ""
    plain = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode("ascii")
    return plain or "?"


codecs.register_error(_ERRORS, _substitute)


def readable(text: str, encoding: str | None) -> str:
    """The text with readable substitutes for what an encoding lacks: '+/-' for a plus-minus sign.

    None, or an unknown encoding, counts as UTF-8.
    """
    try:
        encoding = codecs.lookup(encoding or "utf-8").name
    except LookupError:
        encoding = "utf-8"
    return text.encode(encoding, _ERRORS).decode(encoding)


def say(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print to standard output, or the error stream. Nothing more is printed once the reader has gone away.

    OSError names the stream where it cannot be written for another reason, such as a full disk.
    """
    stream = sys.stderr if err else sys.stdout
    if stream is None:
        return
    try:
        click.echo(readable(text, getattr(stream, "encoding", None)), err=err, nl=nl)
    except BrokenPipeError:
        _mute(stream)
    except OSError as error:
        _mute(stream)
        if error.errno == errno.EINVAL and os.name == "nt":  # a closed pipe, as Windows has it
            return
        name = "error stream" if err else "standard output"
        raise OSError(error.errno, error.strerror, name) from error


def _mute(stream: Any) -> None:
    """Send what is still to come to nowhere, so that neither it nor the end of the process complains again."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return
