"""Lines of a drafted case file: what counts, and what stands behind a '#' until somebody states it."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from margin.case import units
from margin.case.bands import Band
from margin.case.types import Role
from margin.chain.parameter import Parameter, options_of, parameters_of
from margin.drafting.kinds import shown_values
from margin.drafting.sizing import Example

WIDTH = 118
"""Columns of a line, where its value leaves room."""

_NOTE_AT = 52
MARK = "example value: replace"


@dataclass(frozen=True)
class Line:
    """One key with its value.

    counts  whether it is stated, or stands behind a '#'
    """

    key: str
    value: Any
    note: str = ""
    counts: bool = False

    def text(self) -> Iterator[str]:
        """The line, and what of its note does not fit beside the value."""
        head = f"{'' if self.counts else '# '}{self.key} = {toml(self.value)}"
        if not self.note:
            yield head
            return
        at = max(_NOTE_AT, len(head) + 2) if len(head) < WIDTH - 40 else _NOTE_AT
        notes = textwrap.wrap(self.note, WIDTH - at - 2)
        if len(head) < at:
            yield f"{head:{at}}# {notes[0]}"
            notes = notes[1:]
        else:
            yield head
        yield from (f"{'':{at}}# {note}" for note in notes)


def prose(text: str) -> Iterator[str]:
    """A comment of whole lines."""
    yield from (f"# {line}" for line in textwrap.wrap(text, WIDTH - 2))


def toml(value: Any) -> str:
    """A value as TOML writes it; a text of TOML's basic kind is one of JSON but for the sign 0x7f."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{toml_key(key)} = {toml(each)}' for key, each in value.items())} }}"
    return repr(value)


def toml_key(key: str) -> str:
    """A key, in quotes where it is not a bare one."""
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else toml(key)


def element_lines(
    role: Role, kind: str, cls: type, examples: Mapping[str, Example], bands: Mapping[str, Band]
) -> Iterator[str]:
    """The table of an element: its kind, example values, effects that have a band, and all else it declares.

    bands  of this kind by key, those without effect in this case included
    """
    options = {key: example.value for key, example in examples.items()}
    typical = shown_values("typical", role, kind, options)
    yield f"[{role}]"
    if role not in ("use", "station", "firmware", "converter"):
        yield from Line("kind", kind, _summary(cls), counts=True).text()
    for key, example in examples.items():
        note = _example_note(_doc(cls, key), example, role)
        yield from Line(key, example.value, note, counts=True).text()
    banded = {key: band for key, band in bands.items() if key not in examples}
    if banded:
        sources = sorted({band.source for band in banded.values()})
        one = f" ({sources[0]})" if len(sources) == 1 else ""
        yield from prose(
            f"Unstated, each of these counts at the band shown{one}. State yours, or 0 for no such effect."
            if role == "sensor"
            else f"Unstated, each of these counts as shown{one}. State yours."
        )
        for key, band in banded.items():
            source = "" if one else f"; {band.source}"
            needs = f"; counts where {band.needs} is stated" if band.needs else ""
            yield from Line(key, band.written, f"{_doc(cls, key)}{needs}{source}").text()
    rest = [*_rest(cls, {*examples, *banded}, typical)]
    if rest:
        yield from prose(
            "Unstated, each of these is ideal or at its default. A typical magnitude (common practice, no source) "
            "counts only without its '#'."
            if any(line.note.startswith("typical") for line in rest)
            else "Unstated, each of these is as shown."
        )
        for line in rest:
            yield from line.text()


def _rest(cls: type, shown: Iterable[str], typical: Mapping[str, Any]) -> Iterator[Line]:
    """Quantities and choices that have a default, in the order of the declaration."""
    known = set(shown)
    for key, declared in parameters_of(cls).items():
        if declared.draw is not None or key in known:
            continue
        if key in typical and _is_more(typical[key]):
            yield Line(key, typical[key], f"typical; {declared.doc}")
        else:
            yield Line(key, default_written(declared), declared.doc)
    for key, option in options_of(cls).items():
        if key not in known and option.default is not None:
            choices = f": {', '.join(map(str, option.choices))}" if option.choices else ""
            yield Line(key, option.default, f"{option.doc}{choices}")


def _is_more(value: Any) -> bool:
    """Whether a typical magnitude says more than 'none'."""
    return str(value).split(" ")[0] != "0" or "+/-" in str(value)


def default_written(declared: Parameter) -> Any:
    """The default as a case may state it."""
    default = 0.0 if declared.default is None else declared.default
    if declared.unit:
        return units.show(default, declared.unit)
    return int(default) if float(default).is_integer() else default


def _doc(cls: type, key: str) -> str:
    declared = parameters_of(cls).get(key)
    return declared.doc if declared is not None else options_of(cls)[key].doc


def _example_note(doc: str, example: Example, role: Role) -> str:
    mark = "" if role == "converter" else MARK
    return "; ".join(each for each in (mark, example.note, doc) if each)


def _summary(cls: type) -> str:
    """First line of an element's docstring, without its full stop."""
    return (cls.__doc__ or "").strip().split("\n")[0].rstrip(".")


def table_lines(
    model: type[BaseModel],
    stated: Mapping[str, Example],
    written: Mapping[str, Any],
    without: Iterable[str] = (),
) -> Iterator[Line]:
    """Lines of a table that is no element, from what its model declares.

    stated   values that count, by key
    written  how the file writes a default that is not a text or plain number there, and examples of keys without one
    without  keys that are left out
    """
    names = {field.alias or name: field for name, field in model.model_fields.items()}
    skipped = set(without)
    for key, field in names.items():
        doc = field.description or ""
        if key in stated:
            note = f"{MARK}; {doc}" if stated[key].note == MARK else stated[key].note or doc
            yield Line(key, stated[key].value, note, counts=True)
        elif key not in skipped:
            value = written.get(key, None if field.is_required() else field.default)
            if value is not None:
                yield Line(key, value, doc)
