"""A case as a person reads it: sections of labelled sentences, as text and as simple HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from html import escape

WIDTH = 80

MOST = 10
"""Sentences of a section that are shown; the rest are counted."""

Sections = Sequence[tuple[str, Sequence[str]]]
"""(heading, sentences); the first heading is the title."""


def text_of_sections(sections: Sections) -> str:
    """Sections as plain text of at most 80 columns; a section of one sentence takes one paragraph."""
    return "\n".join(line for heading, said in sections for line in _lines(heading, _shortened(said)))


def _shortened(sentences: Sequence[str]) -> list[str]:
    rest = len(sentences) - MOST
    return list(sentences) if rest < 2 else [*sentences[:MOST], f"... and {rest} more"]


def _lines(heading: str, sentences: Sequence[str]) -> Iterator[str]:
    if not sentences:
        yield heading
    elif len(sentences) == 1:
        yield from textwrap.wrap(f"{heading}: {sentences[0]}", WIDTH, subsequent_indent="  ")
    else:
        yield f"{heading}:"
        for sentence in sentences:
            yield from textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="    ")


def html_of_sections(sections: Sections) -> str:
    """The same as simple HTML."""
    return f"<div>{''.join(_html(heading, _shortened(said)) for heading, said in sections)}</div>"


def _html(heading: str, sentences: Sequence[str]) -> str:
    if not sentences:
        return f"<p><strong>{escape(heading)}</strong></p>"
    if len(sentences) == 1:
        return f"<p><strong>{escape(heading)}:</strong> {escape(sentences[0])}</p>"
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f"<p><strong>{escape(heading)}:</strong></p><ul>{items}</ul>"
