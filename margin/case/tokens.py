"""The words, numbers and signs that a quantity is made of."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from margin.case.faults import ValueFault

_LONGEST_NUMBER = 30
_LARGEST_EXPONENT = 30

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d*)?(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)"
    r"|(?P<plusminus>\+/-|\+-|±)"
    r"|(?P<word>half-normal|[^\W\d]+|%[A-Za-z]*|°[A-Za-z]*)"
    r"|(?P<sign>\*\*|[-+/*·^√(),]))"
)


@dataclass(frozen=True)
class Token:
    """A number, word or sign with its place in the text."""

    kind: str
    text: str
    start: int
    end: int


def tokens(text: str) -> list[Token]:
    """Tokens of a quantity; ValueFault at the first sign that has no place in one."""
    found: list[Token] = []
    position = 0
    while text[position:].strip():
        match = _TOKEN.match(text, position)
        if match is None:
            rest = text[position:].strip()
            raise ValueFault(f"cannot read {piece(rest)}", 'write such as "47 kohm +/- 1 %"')
        kind = match.lastgroup or ""
        found.append(Token(kind, match.group(kind), match.start(kind), match.end()))
        position = match.end()
    return found


def piece(text: str) -> str:
    """A piece of the text as messages quote it."""
    return f'"{text[:40]}"'


def fraction(text: str) -> Fraction:
    """Exact value of a number token; ValueFault where it is absurdly long, small or large."""
    exponent = re.split("[eE]", text)[1] if re.search("[eE]", text) else "0"
    if len(text) > _LONGEST_NUMBER or abs(int(exponent)) > _LARGEST_EXPONENT:
        raise ValueFault(f'"{text[:40]}" is no number that a quantity can have')
    return Fraction(text)
