"""Sensor effects as datasheets state them: text and table form of a figure.

A quantity that stands for a datasheet figure takes, beside a value of its own, a figure of full scale:

    hysteresis = "0.1 % of full scale"                               full width of the loop
    hysteresis = "0.05 % of full-scale output (half width)"
    curvature  = "+/- 0.05 % of full scale (end point) (2 sigma)"    nonlinearity; the line must be named
    creep      = "0.03 % of applied load over 30 min"
    creep      = "0.5 % per decade"                                  as the quantity itself
    hysteresis = { value = "0.1 %", tolerance = "+/- 0.02 %", of = "full-scale output", loop = "half width" }
    creep      = { value = "0.03 %", of = "applied load", over = "30 min", from = "10 s" }

'full scale' is full-scale output: the output at the rated load of the sensor, else at that of [load], else at the
highest load, less the output without load. Without 'from' a creep counts from the reference time of the sensor.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from margin.case import units
from margin.case.faults import ValueFault, as_written, choices, nearest
from margin.case.grammar import read_text
from margin.case.types import StatedFigure
from margin.chain.parameter import Figure

WRITTEN: tuple[Figure, ...] = ("hysteresis", "nonlinearity", "creep")
"""Figures that a case may state; the others are quantities that these refer to."""

OF: Mapping[str, str] = {
    "full scale": "full-scale output",
    "full-scale": "full-scale output",
    "full scale output": "full-scale output",
    "full-scale output": "full-scale output",
    "rated output": "full-scale output",
    "fs": "full-scale output",
    "fso": "full-scale output",
    "applied load": "applied load",
}

LOOPS: Mapping[str, str] = {"full width": "full width", "half width": "half width"}

LINE_NAMES: Mapping[str, str] = {
    "end point": "terminal-based",
    "end-point": "terminal-based",
    "terminal": "terminal-based",
    "terminal-based": "terminal-based",
    "best straight line": "independent minimax",
    "independent": "independent minimax",
    "independent minimax": "independent minimax",
    "best straight line through zero": "zero-based minimax",
    "zero-based": "zero-based minimax",
    "zero-based minimax": "zero-based minimax",
    "best fit": "independent least squares",
    "least squares": "independent least squares",
    "independent best fit": "independent least squares",
    "independent least squares": "independent least squares",
    "least squares through zero": "zero-based least squares",
    "zero-based least squares": "zero-based least squares",
}
"""Lines as datasheets name them -> definition of ISA-51.1 and IEC 61298-2, or its least squares counterpart."""

KEYS: Mapping[str, tuple[str, ...]] = {
    "hysteresis": ("of", "loop"),
    "nonlinearity": ("of", "line"),
    "creep": ("of", "over", "from"),
}
"""Keys of the table form beside those of every quantity."""

_EXAMPLES = {
    "hysteresis": "0.1 % of full scale (full width)",
    "nonlinearity": "0.05 % of full scale (end point)",
    "creep": "0.03 % of applied load over 30 min",
}

_OF = re.compile(
    r"\bof\s+(?:the\s+)?(?P<of>full[ -]scale(?:\s+output)?|rated\s+output|applied\s+load|fso?)\b",
    re.IGNORECASE,
)
_OVER = re.compile(
    r"\bover\s+(?P<over>[\d.]+\s*[a-z]+)(?:\s+from\s+(?P<start>[\d.]+\s*[a-z]+))?", re.IGNORECASE
)
_NOTE = re.compile(r"\(\s*(?P<note>[a-z][a-z -]*?)\s*\)", re.IGNORECASE)
_PER_DECADE = re.compile(r"\s*\bper\s+decade\b", re.IGNORECASE)


def example(figure: Figure) -> str:
    """A figure that could be written."""
    return _EXAMPLES[figure]


def take_figure(text: str, figure: Figure) -> tuple[str, StatedFigure | None]:
    """The text without what makes it a figure of a datasheet, and that figure; None for a plain quantity.

    Raises ValueFault where it does not say of what, from which line or over which time.
    """
    plain = units.plain(text)
    if figure == "creep":
        plain = _PER_DECADE.sub("", plain)
    of = {_words(match["of"]) for match in _OF.finditer(plain)}
    rest = _OF.sub("", plain)
    over = {(match["over"], match["start"]) for match in _OVER.finditer(rest)} if figure == "creep" else set()
    rest = _OVER.sub("", rest) if over else rest
    if not of and not over:
        return plain, None
    known = {"hysteresis": LOOPS, "nonlinearity": LINE_NAMES}.get(figure, {})
    notes = {_words(match["note"]) for match in _NOTE.finditer(rest) if _words(match["note"]) in known}
    rest = _NOTE.sub(lambda match: "" if _words(match["note"]) in known else match[0], rest)
    if len({OF[each] for each in of}) > 1 or len(over) > 1 or len({known[each] for each in notes}) > 1:
        raise ValueFault("states figures of several kinds", f'write one, such as "{example(figure)}"')
    keys: dict[str, Any] = {"of": next(iter(of))} if of else {}
    if notes:
        keys["loop" if figure == "hysteresis" else "line"] = next(iter(notes))
    for end, start in over:
        keys |= {"over": end} | ({"from": start} if start else {})
    return " ".join(rest.split()), figure_of(keys, figure, text)


def figure_of(keys: Mapping[str, Any], figure: Figure, text: str) -> StatedFigure:
    """The figure of a table's own keys. Raises ValueFault."""
    mend = f'write for example "{example(figure)}"'
    for key, value in keys.items():
        if not isinstance(value, str):
            raise ValueFault(f"{key} = {as_written(value)} is not a text", mend)
    of = _known("of", keys.get("of", "applied load" if figure == "creep" else "full scale"), OF)
    if figure == "hysteresis":
        _not_of_load(of, figure, mend)
        return StatedFigure(figure, of, _known("loop", keys.get("loop", "full width"), LOOPS), text=text)
    if figure == "nonlinearity":
        _not_of_load(of, figure, mend)
        if "line" not in keys:
            lines = choices(
                ("end point", "best straight line", "best straight line through zero", "best fit")
            )
            raise ValueFault("does not say from which line", f"write of full scale ({lines} in brackets)")
        return StatedFigure(figure, of, _known("line", keys["line"], LINE_NAMES), text=text)
    if "over" not in keys:
        raise ValueFault("does not say over which time", f'{mend}, or "0.5 % per decade"')
    start = _time("from", keys["from"], mend) if "from" in keys else None
    end = _time("over", keys["over"], mend)
    if start is not None and start >= end:
        raise ValueFault(f'a creep from "{keys["from"]}" over "{keys["over"]}" ends before it starts', mend)
    return StatedFigure(figure, of, "", start, end, text)


def _not_of_load(of: str, figure: Figure, mend: str) -> None:
    if of == "applied load":
        raise ValueFault(f"a {figure} is stated of full scale, not of the applied load", mend)


def _known(key: str, value: str, known: Mapping[str, str]) -> str:
    words = _words(value)
    if words not in known:
        near = nearest(words, known)
        mend = f'did you mean "{near}"?' if near else f"write {choices(known)}"
        raise ValueFault(f"{key} = {as_written(value)} is not recognised", mend)
    return known[words]


def _words(text: str) -> str:
    return " ".join(text.lower().split())


def _time(key: str, text: str, mend: str) -> float:
    written = read_text(text)
    if written.nominal is None or written.spreads:
        raise ValueFault(f"{key} = {as_written(text)} is not a time", mend)
    try:
        found = units.to_si(written.nominal.value, written.nominal.unit, "s")
    except units.UnitError as error:
        raise ValueFault(f"{key} = {as_written(text)} is not a time ({error})", mend) from error
    if found <= 0.0:
        raise ValueFault(f"{key} = {as_written(text)} must be above 0", mend)
    return found
